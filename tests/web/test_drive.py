"""The twins of Drive: stored once, timers that go on, sweeps of the list that was carried."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
from asking import OURS, app_on, local
from starlette.testclient import TestClient

API = "/api/car/van-roots"
TOKEN = "0123456789abcdef"


@pytest.fixture
def asker(tmp_path: Path) -> TestClient:
    return local(app_on(tmp_path))


def post(asker: TestClient, path: str, token: str | None = TOKEN, **body: Any) -> Any:
    said = body if token is None else body | {"token": token}
    return asker.post(f"{API}/{path}", json=said, headers=OURS)


def job(asker: TestClient, **said: str) -> Any:
    return asker.get(f"{API}/steps", params=said).json()


def entries(asker: TestClient) -> int:
    return int(asker.get(f"{API}/papers").json()["entries"])


def passed(asker: TestClient, *stages: str) -> None:
    """Every field of these stages with a yes."""
    known = {row["name"]: row for row in job(asker)["stages"]}
    for number, stage in enumerate(stages):
        typed = {row["name"]: "yes" for row in known[stage]["fields"]}
        answer = post(asker, "steps/record", f"pass-{stage}-{number}", stage=stage, typed=typed)
        assert answer.json()["state"] == "passed", answer.text


def test_whatever_is_sent_twice_is_stored_once(asker: TestClient) -> None:
    sends: list[tuple[str, dict[str, Any]]] = [
        ("steps/items", {"what": "return hose loose", "area": "fuel"}),
        ("steps/sweep", {"seen": [1]}),
        ("steps/items/1/close", {"how": "tightened and marked"}),
        ("steps/override", {"stage": "fluids", "reason": "seen on the stand last week"}),
        ("steps/record", {"stage": "parts", "typed": {"figures": "yes", "flow-arrow": "yes"}}),
    ]
    for number, (path, body) in enumerate(sends, start=1):
        for _ in range(2):
            answer = post(asker, path, f"token-{number:08d}", **body)
            assert answer.status_code == 200, answer.text
            assert answer.json()["last"] == number
    assert entries(asker) == len(sends)


def test_a_sweep_of_another_list_is_refused(asker: TestClient) -> None:
    number = post(asker, "steps/items", what="clip", area="boost").json()["number"]
    answer = post(asker, "steps/sweep", "another-token", seen=[])
    assert answer.status_code == 422
    assert "list changed" in answer.json()["error"]["problem"]
    assert post(asker, "steps/sweep", "third-token-1", seen=[number]).status_code == 200


def test_a_wait_ends_when_it_was_typed_not_when_it_comes_in(asker: TestClient) -> None:
    """Typed without connection before the hold was over, sent after it: it counts as typed."""
    passed(asker, "parts", "made", "assembly")
    begun = post(asker, "steps/timer", stage="fuel-static", name="hold").json()
    assert begun["minutes"] == 1.0
    assert abs(begun["started"] - time.time()) < 5.0
    (timer,) = job(asker)["timers"]
    assert timer["started"] == begun["started"]  # again and again the same beginning
    time.sleep(1.1)
    hold = {"hold-start": "43 psi", "hold-end": "43 psi"}
    answer = post(asker, "steps/record", "typed-early-1", stage="fuel-static", typed=hold, age=3600)
    lines = answer.json()["lines"]
    (held,) = [line for line in lines if "pressure held" in line]
    assert "fails" in held and "held for 0 s" in held


def test_a_step_that_is_barred_is_refused_and_says_by_what(asker: TestClient) -> None:
    answer = post(asker, "steps/record", stage="first-fire", typed={"dry": "yes"})
    assert answer.status_code == 422
    assert "Fuel under pressure" in answer.json()["error"]["problem"]
    assert entries(asker) == 0
    climb = post(asker, "ladder/climb", step="L10", typed={"nothing-new": "yes"})
    assert climb.status_code == 422
    assert "not open" in climb.json()["error"]["problem"]


def test_no_reason_replaces_dry_fuel_joints_and_an_override_is_told_everywhere(
    asker: TestClient,
) -> None:
    reason = "somebody looked at it last week"
    assert post(asker, "steps/override", stage="fuel-static", reason=reason).status_code == 422
    assert post(asker, "steps/override", stage="fluids", reason="ok").status_code == 422
    assert post(asker, "steps/override", stage="fluids", reason=reason).status_code == 200
    assert reason in job(asker)["overridden"][0]
    assert reason in asker.get("/car/van-roots/drive").text
    assert reason in asker.get("/car/van-roots/drive/ladder").text


def test_the_ladder_states_abort_numbers_before_and_asks_for_more_only(asker: TestClient) -> None:
    found = asker.get(f"{API}/ladder").json()
    assert [row["name"] for row in found["rungs"]][:3] == ["L0", "L1", "L2"]
    assert all(row["abort"] for row in found["rungs"])
    assert not any(row["open"] for row in found["rungs"])  # nothing was proven yet
    assert asker.get(f"{API}/ladder", params={"at_least": 0.9}).status_code == 422
    assert asker.get(f"{API}/ladder", params={"at_least": 0.99}).json()["at_least"] == 0.99


def test_what_can_be_done_here_and_what_stands_between(asker: TestClient) -> None:
    found = job(asker, to="first fire", here="engine-cold")
    assert found["path"]["target"] == "first-fire"
    assert found["path"]["barriers"]
    # a witness bars nothing (docs/steps.md), so the first hold point can be begun beside the two
    assert {row["name"]: row["lacks"] for row in found["tasks"]} == {
        "parts": [], "made": [], "assembly": [],
    }  # fmt: skip
    lacks = {row["name"]: row["lacks"] for row in job(asker)["tasks"]}
    assert lacks["assembly"] == ["engine cold"]
    assert asker.get(f"{API}/steps", params={"here": "in a hurry"}).status_code == 422
    assert asker.get(f"{API}/steps", params={"to": "the moon"}).status_code == 422


def test_a_card_is_a_sheet_to_print(asker: TestClient) -> None:
    for name in ("fuel-static", "L4"):
        answer = asker.get(f"/car/van-roots/drive/card/{name}.pdf")
        assert answer.headers["content-type"] == "application/pdf"
        assert answer.content.startswith(b"%PDF")
    assert asker.get("/car/van-roots/drive/card/nothing.pdf").status_code == 422


def test_retard_has_no_button_of_percent() -> None:
    """A share of 4 % would be 0.04 degrees, and clean."""
    from keyturn.web.drive_view import _measure_units

    assert _measure_units("ratio") == [("deg", "°")]
    assert ("kPa", "kPa") in _measure_units("pressure_gauge")
