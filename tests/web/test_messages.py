"""What the pages say: headers on every address, no path of the machine, no word of the terminal."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from tempfile import gettempdir
from typing import Any

import pytest
from asking import OURS, app_on, local
from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.testclient import TestClient

import keyturn
from keyturn.cli.app import app as cli
from keyturn.errors import (
    AmbiguousValue,
    BuildErrors,
    CannotAnswer,
    CannotSolve,
    DomainError,
    FileRefused,
    Place,
    UnknownKey,
    ValueRefused,
)
from keyturn.web import routes
from keyturn.web.faults import described
from keyturn.web.security import HEADERS, POLICY
from keyturn.web.words import on_a_page

# streams: test_live.py and test_drive_live.py look at them
NO_END = ("/api/car/{name}/live", "/api/car/{name}/watch/values")
OWN_CACHE = {"/api/units": "max-age=60"}  # the same for every build, and no secret
OWN_POLICY = ("/car/{name}/papers/report.html",)
# floors whose messages reach a page, as far as the pages import them
BEHIND = tuple(f"keyturn.{f}." for f in ("build", "evidence", "journal", "system", "tasks"))
WHERE = Place(str(Path.home() / "somebody" / "build.toml"), 3, "pump.flow")


def addresses() -> Iterator[tuple[str, str]]:
    """Every address that is only looked at, as written and for the van."""
    fill = {"name": "van-roots", "figure": "path", "number": "1", "id": "nothing"}
    modules = [
        import_module(f"{routes.__name__}.{row.name}") for row in iter_modules(routes.__path__)
    ]
    for route in (row for module in modules for row in module.router.routes):
        if isinstance(route, APIRoute) and "GET" in route.methods and route.path not in NO_END:
            yield route.path, re.sub(r"{(\w+)(:\w+)?}", lambda m: fill.get(m[1], "1"), route.path)


def asker(app: FastAPI) -> TestClient:
    return local(app, raise_server_exceptions=False, follow_redirects=False)


def test_every_address_carries_the_headers(tmp_path: Path) -> None:
    app = app_on(tmp_path)
    seen = set()
    for path, address in addresses():
        answer = asker(app).get(address)
        seen.add(path)
        for name, value in HEADERS.items():
            if name == "content-security-policy" and path in OWN_POLICY:
                assert "unsafe" not in answer.headers[name] and answer.headers[name] != POLICY
            elif name == "cache-control" and path in OWN_CACHE:
                assert answer.headers[name] == OWN_CACHE[path]
            else:
                assert answer.headers[name] == value, (path, name)
        assert answer.status_code < 500, (path, answer.text[:300])
    for word in ("home", "parts", "check", "find", "make", "drive", "choose", "papers"):
        assert f"/car/{{name}}/{word}" in seen


def a_folder(file: Path) -> None:
    file.unlink(missing_ok=True)
    file.mkdir()


HARMS: dict[str, Callable[[Path], object]] = {
    "not TOML": lambda car: (car / "build.toml").write_text("pump = [", encoding="utf-8"),
    "faults": lambda car: (car / "build.toml").write_text("version = 1\npump = 3\n"),
    "not text": lambda car: (car / "build.toml").write_bytes(b"\xff\xfe\0"),
    "empty": lambda car: (car / "build.toml").write_text(""),
    "too large": lambda car: (car / "build.toml").write_bytes(b"# " * 3_000_000),
    "journal is no database": lambda car: (car / "journal.db").write_bytes(b"no database" * 99),
    "journal is a folder": lambda car: a_folder(car / "journal.db"),
    "made is a file": lambda car: (car / "made").write_text("x"),
}


@pytest.mark.parametrize("harm", HARMS)
def test_no_page_tells_where_on_the_machine_it_lies(tmp_path: Path, harm: str) -> None:
    app = app_on(tmp_path)
    car = tmp_path / "builds" / "van-roots"
    shutil.rmtree(car / "made", ignore_errors=True)
    HARMS[harm](car)
    asks = asker(app)
    body = {"kind": "rail-pressure", "state": "key-on", "value": "38 psi", "token": "message-01"}
    zipped = OURS | {"content-type": "application/zip"}
    answers = [asks.get(address) for path, address in addresses() if "report.pdf" not in path]
    answers += [
        asks.post("/api/car/van-roots/read", json=body, headers=OURS),
        asks.post("/api/car/van-roots/read/upload?form=csv", content=b"kind,value\nx,y\n",
                  headers=OURS | {"content-type": "text/csv"}),
        asks.post("/api/car/van-roots/papers/import", content=b"x", headers=zipped),
        asks.post("/api/car/van-roots/parts/undo", json={"id": 1}, headers=OURS),
        asks.post("/api/archive?name=other", content=b"PK\x03\x04", headers=zipped),
        asks.post("/api/archive?name=van-roots", content=b"PK\x03\x04", headers=zipped),
        asks.post("/api/cars", json={"name": "other", "example": "none"}, headers=OURS),
    ]  # fmt: skip
    refused = [answer for answer in answers if answer.status_code >= 400]
    assert refused, "nothing failed: this looks at no message"
    for answer in answers:
        assert answer.status_code != 500 or "keyturn itself failed" not in answer.text, (
            answer.request.url, answer.text[:300]
        )  # fmt: skip
        for word in (str(tmp_path), gettempdir(), str(Path(keyturn.__file__).parent), "Traceback"):
            assert word not in answer.text, answer.request.url


@pytest.mark.parametrize(
    "fault",
    [ValueRefused("wrong", WHERE, "x"), AmbiguousValue("which?", WHERE), UnknownKey("no", WHERE),
     FileRefused("is empty", WHERE), BuildErrors([ValueRefused("a", WHERE), UnknownKey("b")]),
     CannotAnswer("not enough", ["a reading"]), CannotSolve("no answer", {"flow": 1.0}),
     DomainError("outside")],
    ids=lambda fault: type(fault).__name__,
)  # fmt: skip
def test_no_kind_of_error_tells_a_path(fault: Exception) -> None:
    assert "somebody" not in str(described(fault))
    assert described(fault)["problem"]


def test_a_page_speaks_no_command_line() -> None:
    """Every advice of the floors below that names a command has words for the pages."""
    rows = [*cli.registered_commands, *cli.registered_groups]
    verbs = "|".join(sorted(str(row.name) for row in rows))
    command = re.compile(rf"\bkeyturn ({verbs})\b|(?<!\w)--[a-z]{{3,}}")
    read = "import sys, keyturn.web.app, keyturn.web.work; print(*(m.__file__ for n, m in "
    read += f"sys.modules.items() if n.startswith({BEHIND!r}) and m.__file__), sep='\\n')"
    told = subprocess.run([sys.executable, "-c", read], capture_output=True, text=True, check=True)
    found = [
        (file.name, node.value)
        for file in map(Path, told.stdout.splitlines())
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and not is_prose(node)
        if command.search(node.value)
    ]
    # what a prior was moved by is a name in data; a page has no such option and never shows it
    left = [row for row in found if command.search(on_a_page(row[1])) and row[1] != "--prior"]
    assert len(found) >= 8
    assert left == []


def is_prose(node: Any) -> bool:
    return "\n\n" in node.value or node.value.startswith("Say ")


def test_the_tests_that_the_documents_name_are_there() -> None:
    home = Path(__file__).parent
    text = (home.parents[1] / "docs" / "web.md").read_text(encoding="utf-8")
    named = re.findall(r"`(test_\w+\.py)::(test_\w+)`", text)
    assert len(named) >= 10
    for file, test in named:
        assert f"def {test}(" in (home / file).read_text(encoding="utf-8"), (file, test)
