"""Attacks on the door: who asks, under which name, from which page. Each must be turned away."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from asking import HERE, LAN_NAME, ON_LAN, OURS, PORT, app_on, lan_app, local, paired, phone, run
from fastapi import FastAPI

from keyturn.web.config import Config
from keyturn.web.security import POLICY, Guard
from keyturn.web.sessions import Sessions

STREAM = "/api/car/van-roots/live"


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    made = app_on(tmp_path_factory.mktemp("door"))

    @made.get("/broken")
    @made.get("/api/broken", include_in_schema=False)
    def broken() -> None:
        raise RuntimeError("sec" + "ret words of the inside")

    @made.post("/api/written")
    def written(row: dict[str, Any]) -> dict[str, Any]:
        return row

    yield made
    made.state.jobs.close()


# --- under which name ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    "host",
    ["evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:1", f"127.0.0.1:{PORT}:1",
     f"localhost.:{PORT}", f"127.0.0.1.evil.example:{PORT}", f"user@127.0.0.1:{PORT}", "",
     f"127.1:{PORT}", f"0.0.0.0:{PORT}", f"{LAN_NAME}:{PORT}", f"127.0.0.1:{PORT},evil.example"],
)  # fmt: skip
def test_a_name_that_is_not_ours_is_refused(app: FastAPI, host: str) -> None:
    """A page of a foreign name that was made to point here (DNS rebinding) asks like this."""
    for path in ("/", "/api/schema.json", "/door", STREAM, "/api/car/van-roots/archive"):
        answer = local(app).get(path, headers={"host": host})
        assert answer.status_code == 403
        assert "van-roots" not in answer.text


@pytest.mark.parametrize("host", [f"127.0.0.1:{PORT}", f"localhost:{PORT}", f"LOCALHOST:{PORT}",
                                  f"[::1]:{PORT}"])  # fmt: skip
def test_our_own_names_are_taken(app: FastAPI, host: str) -> None:
    assert local(app).get("/", headers={"host": host}).status_code == 200


def test_two_host_headers_are_refused(app: FastAPI) -> None:
    rows = [("host", f"127.0.0.1:{PORT}"), ("host", "evil.example")]
    assert local(app).get("/", headers=rows).status_code == 403  # type: ignore[arg-type]


def test_on_the_network_the_configured_names_are_taken_and_no_others(tmp_path: Path) -> None:
    app = lan_app(tmp_path)
    for host, status in ((f"{LAN_NAME}:{PORT}", 200), (f"bench.local:{PORT}", 200),
                         (f"192.0.2.8:{PORT}", 403), (f"evil.example:{PORT}", 403)):  # fmt: skip
        assert phone(app).get("/door", headers={"host": host}).status_code == status


# --- from which page -----------------------------------------------------------------------------
FOREIGN: dict[str, dict[str, str]] = {
    "nothing said": {},
    "another site": {"origin": "http://evil.example"},
    "null": {"origin": "null"},
    "another port": {"origin": "http://127.0.0.1:1"},
    "https": {"origin": f"https://127.0.0.1:{PORT}"},
    "another of our names": {"origin": f"http://localhost:{PORT}"},
    "begins like us": {"origin": HERE + ".evil.example"},
    "cross-site": OURS | {"sec-fetch-site": "cross-site"},
    "same-site, another port": OURS | {"sec-fetch-site": "same-site"},
    "typed into the address line": OURS | {"sec-fetch-site": "none"},
}


@pytest.mark.parametrize("said", FOREIGN.values(), ids=FOREIGN)
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "INVENTED"])
def test_what_changes_something_must_come_from_our_page(
    app: FastAPI, method: str, said: dict[str, str]
) -> None:
    answer = local(app).request(method, "/api/written", json={}, headers=said)
    assert answer.status_code == 403


def test_our_own_page_may_write(app: FastAPI) -> None:
    for said in (OURS, OURS | {"sec-fetch-site": "same-origin"}):
        assert local(app).post("/api/written", json={"a": 1}, headers=said).json() == {"a": 1}


@pytest.mark.parametrize(
    "said",
    [{"origin": "http://evil.example"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"},
     {"sec-fetch-site": "same-site"},
     {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}],
)  # fmt: skip
@pytest.mark.parametrize("path", [STREAM, "/api/car/van-roots/archive", "/api/schema.json"])
def test_the_stream_and_the_data_are_not_for_a_foreign_page(
    app: FastAPI, path: str, said: dict[str, str]
) -> None:
    assert local(app).get(path, headers=said).status_code == 403


def test_a_link_from_elsewhere_opens_a_page(app: FastAPI) -> None:
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate",
            "sec-fetch-dest": "document"}  # fmt: skip
    assert local(app).get("/", headers=link).status_code == 200
    frame = link | {"sec-fetch-dest": "iframe"}
    assert local(app).get("/", headers=frame).status_code == 403


# --- the guard itself, around whatever application ---------------------------------------------
async def _asked(guard: Guard, scope: dict[str, Any]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    waiting = [{"type": f"{scope['type']}.connect"}, {"type": f"{scope['type']}.disconnect"}]

    async def receive() -> dict[str, Any]:
        return waiting.pop(0)

    async def send(message: Any) -> None:
        out.append(message)

    await guard(scope, receive, send)
    return out


@pytest.mark.parametrize(
    ("host", "origin", "key", "is_let_in"),
    [(f"{LAN_NAME}:{PORT}", ON_LAN, True, True), (f"{LAN_NAME}:{PORT}", ON_LAN, False, False),
     (f"{LAN_NAME}:{PORT}", "http://evil.example", True, False),
     (f"{LAN_NAME}:{PORT}", None, True, False), ("evil.example", ON_LAN, True, False)],
)  # fmt: skip
def test_websockets_pass_the_same_door(
    tmp_path: Path, host: str, origin: str | None, key: bool, is_let_in: bool
) -> None:
    async def inner(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "websocket.accept"})

    sessions = Sessions(tmp_path)
    guard = Guard(inner, Config(tmp_path, lan=True, hosts=(LAN_NAME,)), sessions)
    headers = [(b"host", host.encode())]
    headers += [(b"origin", origin.encode())] if origin else []
    headers += [(b"cookie", f"keyturn-{PORT}={sessions.open('x')}".encode())] if key else []
    scope = {"type": "websocket", "path": "/live", "headers": headers, "client": ("192.0.2.9", 1)}
    (said,) = run(_asked(guard, scope))
    assert said["type"] == ("websocket.accept" if is_let_in else "websocket.close")


def test_what_is_neither_http_nor_websocket_is_not_passed_on(tmp_path: Path) -> None:
    async def inner(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "reached"})

    guard = Guard(inner, Config(tmp_path), Sessions(tmp_path))
    assert run(_asked(guard, {"type": "invented", "path": "/", "headers": []})) == []


# --- sessions ------------------------------------------------------------------------------------
OPEN = {"/door", "/api/door"}


def test_on_the_network_nothing_opens_without_a_session(tmp_path: Path) -> None:
    """Every address that the application has, each method, without and with a forged key."""
    app = lan_app(tmp_path)
    paths = {(path, method.upper())
             for path, row in app.openapi()["paths"].items() for method in row}  # fmt: skip
    paths |= {
        (page, "GET")
        for page in (
            "/",
            "/car/{name}/home",
            "/nothing",
            STREAM,
            "/api/schema.json",
            "/api/car/van-roots/archive",
        )
    }
    assert len(paths) > 10
    for path, method in sorted(paths):
        asked = path.replace("{name}", "van-roots")
        if asked in OPEN:
            continue
        for cookie in ("", f"keyturn-{PORT}={'A' * 43}", f"keyturn-{PORT}=", "look=dark"):
            answer = phone(app).request(method, asked, headers={"origin": ON_LAN, "cookie": cookie})
            wanted = 401 if asked.startswith("/api/") else 303
            assert answer.status_code == wanted, (method, asked, cookie)
            assert answer.headers.get("location", "/door").startswith("/door")


def test_a_claimed_address_is_not_believed(tmp_path: Path) -> None:
    app = lan_app(tmp_path)
    for name in ("x-forwarded-for", "forwarded", "x-real-ip"):
        said = {name: "127.0.0.1"}
        assert phone(app).get("/", headers=said).status_code == 303
        # and this computer itself, when it passes on for somebody, is not this computer
        assert local(app, follow_redirects=False).get("/", headers=said).status_code == 303


def test_this_computer_needs_no_session(tmp_path: Path) -> None:
    assert local(lan_app(tmp_path)).get("/").status_code == 200


def test_without_lan_no_other_computer_is_answered(app: FastAPI) -> None:
    """Also when somebody bound the application to the network by other means."""
    asker = phone(app)
    assert asker.get("/", headers={"host": f"127.0.0.1:{PORT}"}).status_code == 403


def test_what_is_only_for_this_computer_is_not_for_a_paired_phone(tmp_path: Path) -> None:
    app = lan_app(tmp_path)
    asker = paired(app)
    said = {"origin": ON_LAN}
    assert asker.get("/").status_code == 200
    assert asker.post("/api/door/code", headers=said).status_code == 403
    assert asker.delete("/api/door/devices", headers=said).status_code == 403
    assert str(app.state.pairing.show()) not in asker.get("/door").text


# --- headers and faults -----------------------------------------------------------------------
PAGES = ["/", "/door", "/car/van-roots/home", "/car/nothing/home", "/nothing", "/broken",
         "/api/schema.json", "/api/broken", "/api/nothing", "/static/x/nothing.js"]  # fmt: skip


@pytest.mark.parametrize("path", PAGES)
def test_every_answer_carries_the_headers(app: FastAPI, path: str) -> None:
    answer = local(app, raise_server_exceptions=False).get(path)
    assert answer.headers["content-security-policy"] == POLICY
    assert "unsafe" not in POLICY
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["cross-origin-opener-policy"] == "same-origin"
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert answer.headers["cache-control"] == "no-store"
    assert "server" not in answer.headers


def test_a_route_may_state_its_own_policy(app: FastAPI) -> None:
    from starlette.responses import Response

    @app.get("/own")
    def own() -> Response:
        return Response("", headers={"content-security-policy": "default-src 'none'"})

    answer = local(app).get("/own")
    assert answer.headers["content-security-policy"] == "default-src 'none'"


@pytest.mark.parametrize("path", ["/broken", "/api/broken"])
def test_a_fault_of_ours_shows_no_inside(app: FastAPI, path: str) -> None:
    answer = local(app, raise_server_exceptions=False).get(path)
    assert answer.status_code == 500
    for word in ("Traceback", "RuntimeError", "secret", ".py", "site-packages"):
        assert word not in answer.text


# --- paths ------------------------------------------------------------------------------------
CLIMBS = ["../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/etc/passwd",
          "%252e%252e%252fetc%252fpasswd", "..%5c..%5cetc%5cpasswd", "van-roots%00",
          "van-roots%2f..", "%c0%ae%c0%ae%c0%afetc",
          "\u2025\u2215etc", "%EF%BC%8E%EF%BC%8E%EF%BC%8Fetc",
          "~root", "C%3A%5C", ".keyturn", ".", "%2e", "van-roots%0a"]  # fmt: skip


@pytest.mark.parametrize("name", CLIMBS)
def test_a_name_never_becomes_a_path(app: FastAPI, name: str) -> None:
    root = app.state.shelf.root
    (root.parent / "build.toml").write_text("version = 1\n", encoding="utf-8")
    for path in (f"/car/{name}/home", f"/api/car/{name}/archive", f"/api/car/{name}/live",
                 f"/static/{name}", f"/static/x/{name}"):  # fmt: skip
        answer = local(app).get(path)
        assert answer.status_code in (403, 404)
        assert "root:" not in answer.text


@pytest.mark.parametrize("path", ["/static", "/static/", "/static/x", "/static/x/", "/static/x/js",
                                  "/static/x/js/", "/static/x/css/"])  # fmt: skip
def test_no_folder_is_listed(app: FastAPI, path: str) -> None:
    answer = local(app).get(path)
    assert answer.status_code == 404
    assert "core.js" not in answer.text


def test_what_is_shipped_is_kept_by_the_browser_under_its_version_only(app: FastAPI) -> None:
    from keyturn.web import shipped

    here = local(app).get(shipped.address("js/core.js"))
    assert here.status_code == 200
    assert here.headers["content-type"].startswith("text/javascript")
    assert "immutable" in here.headers["cache-control"]
    assert local(app).get("/static/older/js/core.js").headers["cache-control"] == "no-store"
    with pytest.raises(LookupError):
        shipped.address("js/../../app.py")
