"""Pairing against guessing, and what a session is worth: forged, old, revoked, after a restart."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest
from asking import ON_LAN, OURS, PORT, app_on, lan_app, local, paired, phone

from keyturn.web.pairing import (
    DIGITS,
    GOOD_FOR,
    SHUT_FOR,
    WRONG_FROM_ONE,
    WRONG_IN_ALL,
    Pairing,
    ShutOut,
    WrongCode,
)
from keyturn.web.sessions import IDLE, MOST, OLDEST, Sessions

SAID = {"origin": ON_LAN}


class Clock:
    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


def wrong(pairing: Pairing) -> str:
    shown = pairing.show()
    return "12345678" if shown is None or shown.digits != "12345678" else "87654321"


def test_the_code_opens_once() -> None:
    pairing = Pairing(Clock())
    code = pairing.show()
    assert code is not None
    assert len(code.digits) == DIGITS and code.digits.isdecimal()
    pairing.spend(f" {code.digits[:4]}-{code.digits[4:]} ", "a")
    with pytest.raises(WrongCode):
        pairing.spend(code.digits, "b")


def test_an_old_code_is_none() -> None:
    clock = Clock()
    pairing = Pairing(clock)
    code = pairing.show()
    assert code is not None
    clock.now += GOOD_FOR
    with pytest.raises(WrongCode):
        pairing.spend(code.digits, "a")
    assert pairing.show() != code


def test_before_a_code_was_shown_nothing_opens() -> None:
    for typed in ("", "0" * DIGITS, "None", "\ud800"):
        with pytest.raises(WrongCode):
            Pairing(Clock()).spend(typed, "a")


def test_one_address_is_shut_out_and_the_owner_is_not() -> None:
    clock = Clock()
    pairing = Pairing(clock)
    code = pairing.show()
    assert code is not None
    for _ in range(WRONG_FROM_ONE):
        with pytest.raises(WrongCode):
            pairing.spend(wrong(pairing), "mallory")
    with pytest.raises(ShutOut) as fault:
        pairing.spend(code.digits, "mallory")  # even the right one
    assert 0 < fault.value.wait <= SHUT_FOR
    pairing.spend(code.digits, "owner")
    clock.now += SHUT_FOR
    with pytest.raises(WrongCode):
        pairing.spend(wrong(pairing), "mallory")


def test_many_addresses_void_the_code() -> None:
    """A thousand machines together get ten guesses at it, and then nobody gets any."""
    clock = Clock()
    pairing = Pairing(clock)
    code = pairing.show()
    assert code is not None
    judged = 0
    for number in range(1000):
        try:
            pairing.spend(wrong(pairing), f"machine {number}")
        except WrongCode:
            judged += 1
        except ShutOut:
            continue
    assert judged == WRONG_IN_ALL
    assert pairing.show() is None
    with pytest.raises(ShutOut):
        pairing.spend(code.digits, "owner")
    clock.now += SHUT_FOR
    with pytest.raises(WrongCode):
        pairing.spend(code.digits, "owner")  # void for good
    fresh = pairing.renew()
    pairing.spend(fresh.digits, "owner")


def test_guesses_spread_over_a_year_stay_hopeless() -> None:
    """No new code comes by itself, only when the owner looks: waiting wins nothing."""
    clock = Clock()
    pairing = Pairing(clock)
    pairing.show()
    judged = 0
    for _ in range(5000):
        clock.now += 365 * 24 * 3600 / 5000
        try:
            pairing.spend(wrong_blind(judged), "mallory")
        except WrongCode:
            judged += 1
        except ShutOut:
            continue
    # whatever was guessed after the first quarter of an hour was held against no code at all
    assert pairing._code is None or pairing._code.ends < clock.now


def wrong_blind(number: int) -> str:
    return f"{number:08d}"


def test_brute_force_over_the_address(tmp_path: Path) -> None:
    app = lan_app(tmp_path)
    code = app.state.pairing.show()
    statuses = []
    for number in range(40):
        guess = f"{(int(code.digits) + 1 + number) % 10**8:08d}"
        answer = phone(app, f"192.0.2.{number}").post(
            "/api/door", json={"code": guess}, headers=SAID
        )
        statuses.append(answer.status_code)
    assert statuses == [403] * WRONG_IN_ALL + [429] * (40 - WRONG_IN_ALL)
    last = phone(app).post("/api/door", json={"code": code.digits}, headers=SAID)
    assert last.status_code == 429
    assert int(last.headers["retry-after"]) > 0
    assert code.digits not in last.text
    assert "set-cookie" not in last.headers
    # the owner at the computer makes a new one, and it opens
    assert local(app).post("/api/door/code", headers=OURS).status_code == 204
    paired(app)


def test_a_foreign_page_cannot_guess_from_the_owners_browser(tmp_path: Path) -> None:
    app = lan_app(tmp_path)
    code = app.state.pairing.show()
    for said in ({}, {"origin": "http://evil.example"}, SAID | {"sec-fetch-site": "cross-site"}):
        answer = phone(app).post("/api/door", json={"code": code.digits}, headers=said)
        assert answer.status_code == 403
    app.state.pairing.spend(code.digits, "owner")  # it was neither spent nor counted


def test_the_cookie_is_closed_to_scripts_and_to_other_sites(tmp_path: Path) -> None:
    app = lan_app(tmp_path)
    code = app.state.pairing.show()
    answer = phone(app).post("/api/door", json={"code": code.digits}, headers=SAID)
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"keyturn-{PORT}=")
    assert {"httponly", "samesite=strict", "path=/"} <= {
        p.strip().lower() for p in cookie.split(";")
    }
    key = cookie.split("=", 1)[1].split(";")[0]
    assert len(key) >= 43  # 256 bits in base 64
    assert key not in answer.text


def test_the_key_is_kept_nowhere_and_the_file_is_the_owners(tmp_path: Path) -> None:
    sessions = Sessions(tmp_path)
    key = sessions.open("192.0.2.9", "a phone")
    file = tmp_path / ".keyturn" / "sessions.json"
    assert key not in file.read_text(encoding="utf-8")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(file.parent.stat().st_mode) == 0o700


def test_a_session_survives_a_restart_and_a_forged_one_does_not_arise(tmp_path: Path) -> None:
    key = Sessions(tmp_path).open("192.0.2.9")
    again = Sessions(tmp_path)
    assert again.known(key)
    for forged in ("", key[:-1], key + "A", key.swapcase(), "A" * 43, "\ud800" * 43, "x" * 10**6):
        assert not again.known(forged)
    # the sum that stands in the file is no key either
    (known,) = json.loads((tmp_path / ".keyturn" / "sessions.json").read_text("utf-8"))
    assert not again.known(known)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"a": 1}', '{"a": {"made": "x"}}', "null"])
def test_a_damaged_file_lets_nobody_in(tmp_path: Path, text: str) -> None:
    key = Sessions(tmp_path).open("192.0.2.9")
    (tmp_path / ".keyturn" / "sessions.json").write_text(text, encoding="utf-8")
    assert not Sessions(tmp_path).known(key)


def test_idle_and_old_sessions_end(tmp_path: Path) -> None:
    clock = Clock()
    sessions = Sessions(tmp_path, clock)
    key = sessions.open("a")
    for _ in range(int(OLDEST / IDLE * 2)):  # used every week
        clock.now += IDLE / 2
        assert sessions.known(key)
    clock.now += IDLE / 2 + 1
    assert not sessions.known(key)  # too old for all that
    idle = sessions.open("b")
    clock.now += IDLE
    assert not Sessions(tmp_path, clock).known(idle)


def test_devices_are_bounded(tmp_path: Path) -> None:
    sessions = Sessions(tmp_path)
    keys = [sessions.open(str(number)) for number in range(MOST + 5)]
    assert len(sessions.devices()) == MOST
    assert sessions.known(keys[-1])


def test_turning_out_ends_sessions_and_streams(tmp_path: Path) -> None:
    app = lan_app(tmp_path)
    asker = paired(app)
    assert asker.get("/").status_code == 200
    answer = local(app).delete("/api/door/devices", headers=OURS)
    assert answer.json() == {"turned_out": 1}
    assert asker.get("/").status_code == 303
    assert asker.get("/api/car/van-roots/live").status_code == 401
    assert not Sessions(app.state.shelf.root).devices()


def test_a_folder_that_cannot_be_written_to_still_pairs(tmp_path: Path) -> None:
    (tmp_path / ".keyturn").write_text("in the way", encoding="utf-8")
    sessions = Sessions(tmp_path)
    assert sessions.known(sessions.open("a"))


def test_without_lan_there_is_no_code(tmp_path: Path) -> None:
    app = app_on(tmp_path)
    asker = local(app)
    assert "keyturn serve --lan" in asker.get("/door").text
    assert asker.post("/api/door", json={"code": "1"}, headers=OURS).status_code == 403


def test_the_code_stands_on_the_page_of_this_computer_only(tmp_path: Path) -> None:
    app = lan_app(tmp_path)
    code = app.state.pairing.show()
    here = local(app).get("/door").text
    assert str(code) in here and "<svg" in here
    there = phone(app).get("/door").text
    assert str(code) not in there and code.digits not in there
