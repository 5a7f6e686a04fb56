"""Bad input of every kind through the terminal and through the page: clear words, nothing half.

Each row is one kind. Said must be what is wrong and what to do or what would be taken; after it
the folder holds what it held before.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from asking import OURS, app_on, local
from test_make import png

from keyturn.cli.outcome import run
from keyturn.errors import KeyturnError
from keyturn.making.edit import rectangle
from keyturn.making.outline_file import to_text
from keyturn.making.shape import Hole, Outline
from keyturn.web import gaskets
from keyturn.web.faults import described

sys.path.append(str(Path(__file__).parents[1] / "making"))

LINES = {"check_long": "250 mm", "check_short": "180 mm"}
NUMBERS = {"thickness": "8 mm", **LINES}
OPTIONS = ("--thickness", "8mm", "--check-long", "250", "--check-short", "180")
SCAN = ("--dpi", "300", "--check-long", "250", "--check-short", "180")
Seen = dict[Path, bytes]


@dataclass(frozen=True)
class Bad:
    """One kind: files that are there, what is typed, what is asked of the page, what is said."""

    words: str
    files: dict[str, Callable[[], bytes]]
    typed: tuple[str, ...]
    page: tuple[str, str, Any]  # method, word of the address, body
    before: tuple[str, str, Any] | None = field(default=None)


@cache
def jpeg(kind: str = "grey") -> bytes:
    import cv2
    import numpy as np

    grey = np.random.default_rng(1).integers(90, 110, (1200, 1600)).astype(np.uint8)
    return bytes(cv2.imencode(".jpg", grey)[1].tobytes())


@cache
def rendered(kind: str) -> bytes:
    from renderer import plate, render, seeded
    from renderer.scene import around

    small = seeded(3, plate(), size=(1600, 1200), max_tilt=8.0)
    if kind == "at the frame":
        cut = replace(small, aim=(85.0, 0.0), distance=260.0, tilt=math.radians(5.0))
        return render(cut).data
    upper, lower = around(small.part, 3)
    return render(replace(small, strips=(upper, (*lower[:3], upper[3])))).data


def outline(*holes: Hole, port: bool = True) -> bytes:
    ports = (rectangle(0, 0, 80, 40, 4, name="port 1"),) if port else ()
    return to_text(Outline(rectangle(0, 0, 120, 80, 8), holes, ports, "lid", 1.5)).encode()


FOUR = tuple(Hole(x, y, 6.6, name=f"hole {n}") for n, (x, y) in
             enumerate([(-50, -30), (50, -30), (50, 30), (-50, 30)], 1))  # fmt: skip
PICTURE = ("gasket", "trace", "p.jpg", *OPTIONS)
UPLOAD = ("POST", "upload", None)
TRACE = ("JOB", "trace", {"said": NUMBERS, "scanned": False})
JOINT = {"material": "cork-nbr-70", "bolt": "M6"}
JOINT_TYPED = ("joint", "lid.toml", "--material", "cork-nbr-70", "--bolt", "M6")
THREE = [{"x": x, "y": y, "diameter": 6} for x, y in ((0, 0), (60, 0), (60, 40))]
APART = [{"start": a, "end": b, "value": far, "over": "centre"}
         for a, b, far in ((1, 2, 60), (2, 3, 40), (1, 3, 140))]  # fmt: skip


def callipers() -> bytes:
    rows = "".join(f"[[hole]]\nx = {h['x']}\ny = {h['y']}\ndiameter = 6\n" for h in THREE)
    for row in APART:
        rows += (f"[[distance]]\nfrom = {row['start']}\nto = {row['end']}\n"
                 f"value = {row['value']}\nover = \"centre\"\n")  # fmt: skip
    return rows.encode()


def picture(words: str, data: Callable[[], bytes], scan: bool = False) -> Bad:
    typed = ("gasket", "scan", "p.jpg", *SCAN) if scan else PICTURE
    return Bad(words, {"p.jpg": data}, typed, UPLOAD)


def part(words: str, data: bytes, typed: tuple[str, ...], page: tuple[str, str, Any]) -> Bad:
    return Bad(words, {"lid.toml": lambda: data}, typed, page)


KINDS = {
    "not an image": picture("not an image", lambda: b"MZ no picture at all"),
    "not an image, as a scan": picture("not an image", lambda: b"MZ no picture at all", True),
    "no bytes": picture("empty", lambda: b""),
    "over 100 megapixels": picture("megapixels", lambda: png(20_000, 20_000)),
    "over 100 megapixels, as a scan": picture("megapixels", lambda: png(20_000, 20_000), True),
    "truncated": picture("cut short", lambda: jpeg()[:-2000]),
    "another kind": picture("HEIC", lambda: b"\0\0\0\x18ftypheic" + b"\0" * 40),
    "no board": Bad("strip", {"p.jpg": jpeg}, PICTURE, TRACE, UPLOAD),
    "no strip on the glass": Bad("strip", {"p.jpg": jpeg}, ("gasket", "scan", "p.jpg", *SCAN), (
        "JOB", "trace", {"said": {"dpi": "300", **LINES}, "scanned": True}), UPLOAD),
    "two boards": Bad("two boards", {"p.jpg": lambda: rendered("two boards")}, PICTURE, TRACE,
                      UPLOAD),
    "touching the frame": Bad("picture", {"p.jpg": lambda: rendered("at the frame")}, PICTURE,
                              TRACE, UPLOAD),
    "zero thickness": Bad("thickness of 0 mm", {"p.jpg": jpeg}, (
        "gasket", "trace", "p.jpg", "--thickness", "0", *OPTIONS[2:]),
        ("POST", "trace", {"said": {"thickness": "0 mm", **LINES}}), UPLOAD),
    "zero dots per inch": Bad("dots per inch", {"p.jpg": jpeg}, (
        "gasket", "scan", "p.jpg", "--dpi", "0", *SCAN[2:]),
        ("POST", "trace", {"said": {"dpi": "0", **LINES}, "scanned": True}), UPLOAD),
    "a sheet of no thickness": part("0.05 to 20", outline(*FOUR), (
        "gasket", "edit", "lid.toml", "--set", "thickness=0"),
        ("POST", "change", {"changes": [{"do": "thickness", "thickness": 0}]})),
    "no holes to measure from": Bad("fewer than three holes", {"m.toml": lambda: b""},
                                    ("gasket", "measure", "m.toml"),
                                    ("POST", "measure", {"holes": [], "distances": []})),
    "no holes to bolt": part("0 bolt holes", outline(), JOINT_TYPED, ("POST", "joint", {
        "said": JOINT})),
    "no port to seal": part("nothing to seal", outline(*FOUR, port=False), JOINT_TYPED,
                            ("POST", "joint", {"said": JOINT})),
    "distances that cannot close": Bad("cannot close", {"m.toml": callipers}, (
        "gasket", "measure", "m.toml"), ("POST", "measure", {"holes": THREE, "distances": APART})),
    "overlapping holes": part("overlap", outline(*FOUR, Hole(52, 30, 6.6, name="hole 5")), (
        "gasket", "cut", "lid.toml", "--dxf", "l.dxf"), ("GET", "cut", None)),
    "a hole across the edge": part("across the edge", outline(*FOUR, Hole(59, 0, 6.6)), (
        "gasket", "cut", "lid.toml", "--svg", "l.svg"), ("GET", "cut", None)),
    "a hole into a port": part("overlap", outline(Hole(39, 0, 6.6)), (
        "gasket", "cut", "lid.toml", "--dxf", "l.dxf"), ("GET", "cut", None)),
    "a sheet that is too small": part("larger than the sheet", outline(*FOUR), (
        "gasket", "cut", "lid.toml", "--dxf", "l.dxf", "--sheet", "100x60"),
        ("GET", "cut?sheet=100x60", None)),
    "too many copies for the sheet": part("sheet", outline(*FOUR), (
        "gasket", "cut", "lid.toml", "--dxf", "l.dxf", "--sheet", "130x90", "--copies", "9"),
        ("GET", "cut?sheet=130x90&copies=9", None)),
    "a kerf wider than a hole": part("kerf", outline(*FOUR), (
        "gasket", "cut", "lid.toml", "--dxf", "l.dxf", "--kerf", "9mm"),
        ("GET", "cut?kerf=9mm", None)),
    "an ear that is not needed": part("needs no ear", outline(*FOUR), (
        "gasket", "edit", "lid.toml", "--ear", "hole 2"),
        ("POST", "change", {"changes": [{"do": "ear", "name": "hole 2"}]})),
}  # fmt: skip


def held(folder: Path) -> Seen:
    """Every file; databases keep a journal of their own beside them."""
    return {path: path.read_bytes() for path in folder.rglob("*")
            if path.is_file() and "journal" not in path.name}  # fmt: skip


@pytest.mark.parametrize("bad", KINDS.values(), ids=KINDS)
def test_at_the_terminal(
    bad: Bad, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, data in bad.files.items():
        (tmp_path / name).write_bytes(data())
    before = held(tmp_path)
    code = run(bad.typed)
    told = capsys.readouterr().err
    assert code in (2, 3), told
    assert told.startswith("keyturn: ") and bad.words in told
    assert any(word in told for word in ("  accepted: ", "  do: ", "  missing: ")), told
    assert held(tmp_path) == before


@pytest.mark.parametrize("bad", KINDS.values(), ids=KINDS)
def test_on_the_page(bad: Bad, tmp_path: Path) -> None:
    app = app_on(tmp_path)
    car = tmp_path / "builds" / "van-roots"
    for name, data in bad.files.items():
        if name == "lid.toml":
            (car / "gaskets").mkdir()
            (car / "gaskets" / name).write_bytes(data())
    picture = next((data for name, data in bad.files.items() if name == "p.jpg"), None)
    if bad.before:
        assert asked(app, bad.before, picture)[0] == 200
    before = held(car)
    status, row = asked(app, bad.page, picture)
    assert status == 422, row
    assert bad.words in json.dumps(row)
    rows = row.get("faults", [row])
    assert all(set(one) & {"accepted", "do", "missing"} for one in rows), rows
    made = held(car)
    typed = car / "gaskets" / "lid.callipers.toml"
    made.pop(typed, None)  # what was typed is kept: that is not half of an outline
    assert made == before


def asked(
    app: Any, page: tuple[str, str, Any], picture: Callable[[], bytes] | None
) -> tuple[int, dict[str, Any]]:
    """Status and fault; a job is done here, in the way its process does it."""
    method, word, body = page
    address = f"/api/car/van-roots/make/lid/{word}"
    asks = local(app, raise_server_exceptions=False)
    if word == "upload" and picture is not None:
        answer = asks.post(
            address, content=picture(), headers=OURS | {"content-type": "image/jpeg"}
        )
    elif method == "JOB":
        car = app.state.shelf.car("van-roots")
        try:
            gaskets.trace(lambda *now: None, str(car.folder), "lid", **body)
        except KeyturnError as fault:
            return 422, described(fault)
        return 200, {}
    elif method == "GET":
        answer = asks.get(address)
    else:
        known = asks.get("/api/car/van-roots/make/lid")
        revision = known.json().get("revision", "") if known.status_code == 200 else ""
        more = {"revision": revision} if word in ("change", "measure") else {}
        answer = asks.post(address, json={**body, **more}, headers=OURS)
    return answer.status_code, answer.json().get("error", {})
