"""Make: an outline over its photo, corrected by finger and by keyboard; what comes out of it.

The traced part is written here as a trace would leave it, so that the page is tested and not the
tracing; `test_make_trace.py` goes the whole way.
"""

from __future__ import annotations

import json
import struct
import tomllib
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from asking import OURS, app_on, local
from browser import (
    DESK,
    PHONE,
    Bench,
    downloaded,
    go,
    narrow_targets,
    picture,
    reloaded,
    violations,
)

from keyturn.making.outline_file import from_text, to_text
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, flattened

Tab = Callable[..., Any]
MAKE = "/car/van-roots/make"
LID = f"{MAKE}?part=lid"


def lid() -> Outline:
    """An invented lid, 200 x 90 mm: six bolts, one of them near the edge, and one port."""
    spots = [(-92.0, -36.0), (0.0, -36.0), (92.0, -36.0), (92.0, 36.0), (0.0, 36.0), (-92.0, 40.2)]
    holes = tuple(
        Hole(x, y, 6.5, "bolt", f"hole {n}", 0.06, 0.09, "photo")
        for n, (x, y) in enumerate(spots, 1)
    )
    outer = ClosedPath((Corner(-100, -45), Corner(100, -45), Corner(100, 45), Corner(-100, 45)),
                       "outer", 0.12, "photo")  # fmt: skip
    port = ClosedPath((Corner(-75, -24), Corner(75, -24), Corner(75, 24), Corner(-75, 24)),
                      "port 1", 0.15, "photo")  # fmt: skip
    return Outline(outer, holes, (port,), "lid", 1.5, notes=("glare on 2 % of the face",))


def laid(car: Path) -> Path:
    """The lid as a trace leaves it: outline, flat picture, overlay."""
    import cv2
    import numpy as np

    made = car / "made" / "gaskets" / "lid"
    made.mkdir(parents=True, exist_ok=True)
    (made / "history.json").unlink(missing_ok=True)
    (car / "gaskets").mkdir(exist_ok=True)
    (car / "gaskets" / "lid.toml").write_text(to_text(lid()))
    flat = np.full((456, 896), 60, np.uint8)

    def at(x: float, y: float) -> tuple[int, int]:
        return round((x + 112) * 4), round((57 - y) * 4)

    cv2.rectangle(flat, at(-100, 45), at(100, -45), 190, -1)
    cv2.rectangle(flat, at(-75, 24), at(75, -24), 40, -1)
    for hole in lid().holes:
        cv2.circle(flat, at(hole.x, hole.y), 13, 30, -1)
    cv2.imwrite(str(made / "flat.jpg"), flat)
    names = ["outer", *(hole.name for hole in lid().holes), "port 1"]
    rows = [{"name": name, "kind": "hole", "seen": 1.0, "rms": 0.02, "points": [[95.25, -36.0]],
             "doubted": [[75.4, 10.0], [75.5, 11.0]] if name == "port 1" else []}
            for name in names]  # fmt: skip
    place = {"left": -112, "top": 57, "width": 224, "height": 114}
    (made / "seen.json").write_text(json.dumps({"place": place, "features": rows}))
    return car / "gaskets" / "lid.toml"


def opened(page: Any, bench: Bench, address: str = LID) -> Path:
    file = laid(bench.root / "van-roots")
    go(page, address)
    return file


def kept(page: Any, file: Path, was: Callable[[Outline], bool]) -> Outline:
    """The file once it says so."""
    for _ in range(100):
        part = from_text(file.read_text())
        if was(part):
            return part
        page.wait_for_timeout(50)
    raise AssertionError(file.read_text())


def looks(page: Any, name: str) -> None:
    for look in ("light", "dark", "sun"):
        page.evaluate("look => { document.documentElement.dataset.look = look }", look)
        assert violations(page) == []
    page.evaluate("document.documentElement.dataset.look = 'light'")
    assert narrow_targets(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    picture(page, name)


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_make_is_fit_for_hands_and_screen_readers(
    one_tab: Tab, one_bench: Bench, size: dict[str, int]
) -> None:
    page = one_tab(size)
    opened(page, one_bench)
    page.locator("#features button", has_text="hole 3").click()
    page.locator("#feature").wait_for()
    page.locator("#source summary").first.click()
    page.locator("#from-scan").check()
    page.locator("#by-callipers summary").click()
    word = "desk" if size is DESK else "phone"
    looks(page, f"make-{word}")
    if size is PHONE:
        go(page, MAKE)
        assert violations(page) == []
        assert narrow_targets(page) == []
        picture(page, "make-phone-new")


def finger(page: Any, *spots: tuple[float, float]) -> None:
    """One finger on the glass, along these points of the window."""
    glass = page.context.new_cdp_session(page)
    for n, (x, y) in enumerate(spots):
        kind = "touchMove" if n else "touchStart"
        glass.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    glass.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_a_hole_is_moved_by_finger_and_taken_back(one_tab: Tab, one_bench: Bench) -> None:
    page = one_tab(PHONE)
    file = opened(page, one_bench)
    page.locator("#features button", has_text="hole 3").click()
    handle = page.locator('[data-spot="centre"]')
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    assert box["width"] >= 43.5 and box["height"] >= 43.5
    assert page.locator("#loupe-box").is_visible()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    finger(page, *((x - 5 * step, y) for step in range(5)))
    # 20 px under a loupe of 12 mm across: fine enough for a finger to place a tenth
    wide = page.locator("#loupe-box").evaluate("box => box.clientWidth")
    moved = kept(page, file, lambda part: part.holes[2].x != 92.0).holes[2]
    assert moved.x == pytest.approx(92.0 - 20 * 12 / wide, abs=0.02)
    assert moved.y == pytest.approx(-36.0, abs=0.02)
    assert moved.centre_uncertainty is None and moved.source == "typed"
    page.locator("#kept", has_text="in the build").wait_for()
    # the loupe itself is a handle that no finger covers
    loupe = page.locator("#loupe-box").bounding_box()
    x, y = loupe["x"] + loupe["width"] / 2, loupe["y"] + loupe["height"] / 2
    scrolled = page.evaluate("scrollY")
    finger(page, *((x, y - 5 * step) for step in range(5)))
    again = kept(page, file, lambda part: part.holes[2].y != -36.0).holes[2]
    assert again.y == pytest.approx(-36.0 + 20 * 12 / wide, abs=0.02)
    assert page.evaluate("scrollY") == scrolled  # a drag on it never moves the page
    reloaded(page)
    for _ in range(2):
        page.get_by_role("button", name="Undo").click()
        page.locator("#says", has_text="Taken back").first.wait_for()
    assert kept(page, file, lambda part: part.holes[2].x == 92.0).holes[2].source == "photo"


def test_everything_goes_by_the_keyboard(one_tab: Tab, one_bench: Bench) -> None:
    page = one_tab(DESK)
    file = opened(page, one_bench)
    page.locator("#features button", has_text="hole 1").focus()
    page.keyboard.press("Enter")
    page.locator('[data-spot="size"]').focus()
    page.keyboard.press("Shift+ArrowRight")
    part = kept(page, file, lambda part: part.holes[0].diameter != 6.5)
    assert part.holes[0].diameter == pytest.approx(7.5)  # half a millimetre on each side
    page.locator('[data-spot="centre"]').focus()
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    # each press is stored by itself
    kept(page, file, lambda part: part.holes[0].y == pytest.approx(-35.9))
    page.get_by_label("X", exact=True).fill("-91,5")
    page.keyboard.press("Tab")
    kept(page, file, lambda part: part.holes[0].x == -91.5)
    page.get_by_label("Diameter", exact=True).fill("a lot")
    page.keyboard.press("Tab")
    page.locator("#feature-fault", has_text="number of millimetres").wait_for()
    assert page.get_by_label("Diameter", exact=True).input_value() == "a lot"  # to be mended
    page.get_by_label("What it is for").select_option("dowel")
    kept(page, file, lambda part: part.holes[0].role == "dowel")
    page.locator("#features button", has_text="port 1").focus()
    page.keyboard.press("Enter")
    page.get_by_label("All round, mm outwards").fill("1")
    page.keyboard.press("Tab")
    grown = kept(page, file, lambda part: len(part.ports[0].corners) != 4 or
                 part.ports[0].corners[0].x != -75.0)  # fmt: skip
    assert min(corner.x for corner in grown.ports[0].corners) == pytest.approx(-76.0)


def test_a_narrow_land_has_a_proposal_that_works(one_tab: Tab, one_bench: Bench) -> None:
    page = one_tab(DESK)
    file = opened(page, one_bench)
    row = page.locator("#narrow li", has_text="hole 6")
    # 45 - 40.2 - (6.5 + 0.6) / 2 = 1.25 mm, of the 3 mm wanted
    assert "1.2 mm to the edge" in row.inner_text() or "1.3 mm to the edge" in row.inner_text()
    assert page.locator("#overlay .ear").count() == 1  # what it would be is drawn
    row.get_by_role("button", name="Cut hole 6 as a slot").click()
    assert kept(page, file, lambda part: part.holes[5].open_to_edge)
    page.locator("#narrow", has_text="None").wait_for()
    page.get_by_role("button", name="Undo").click()
    kept(page, file, lambda part: not part.holes[5].open_to_edge)
    row.get_by_role("button", name="Give hole 6 an ear").click()
    eared = kept(page, file, lambda part: len(part.outer.corners) > 4)
    # a radius of (6.5 + 0.6) / 2 and 3 mm about the hole
    assert max(y for _, y in flattened(eared.outer, 0.001)) == pytest.approx(46.75, abs=0.01)
    page.locator("#narrow", has_text="None").wait_for()
    assert page.locator("#overlay .ear").count() == 0


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_an_ear_leaves_the_sheet_that_is_typed(
    one_tab: Tab, one_bench: Bench, size: dict[str, int]
) -> None:
    page = one_tab(size)
    file = opened(page, one_bench)
    land, fault = page.get_by_label("Sheet that an ear leaves"), page.locator("#ear-land-fault")
    give = page.get_by_role("button", name="Give hole 6 an ear")
    for typed, words in (
        ("wide", "number of millimetres"), ("60", "0.5 to 50 mm"), ("0,2", "0.5 to 50 mm"),
        ("9000", "0.5 to 50 mm"), ("1", "needs no ear"),
    ):  # fmt: skip
        land.fill(typed)
        give.click()
        page.locator("#ear-land-fault", has_text=words).wait_for()
        assert fault.is_visible() and land.get_attribute("aria-invalid") == "true"
        assert len(from_text(file.read_text()).outer.corners) == 4  # nothing was written
    looks(page, f"make-ear-{'desk' if size is DESK else 'phone'}")
    land.fill("4,5")
    give.click()
    eared = kept(page, file, lambda part: len(part.outer.corners) > 4)
    # hole 6 has its middle at y = 40.2; a radius of (6.5 + 0.6) / 2 and 4.5 mm about it
    assert max(y for _, y in flattened(eared.outer, 0.001)) == pytest.approx(48.25, abs=0.01)
    assert fault.is_hidden() and land.get_attribute("aria-invalid") == "false"


def test_the_proof_confirms_or_corrects(one_tab: Tab, one_bench: Bench) -> None:
    page = one_tab(DESK)
    file = opened(page, one_bench)
    assert downloaded(page, "Proof, A4").startswith(b"%PDF-")
    drawn = [float(text.split("drawn ")[1].split(" mm")[0])
             for text in page.locator("#wanted label").all_inner_texts()]  # fmt: skip
    assert len(drawn) == 3
    for n, value in enumerate(drawn, 1):
        page.locator(f"#m-{n}").fill(f"{value * 1.004:.2f} mm")
    page.get_by_role("button", name="Hold them against the outline").click()
    page.locator("#proof-says", has_text="+0.40 % along x").wait_for()
    part = kept(page, file, lambda part: part.scale_verified)
    assert part.holes[2].x == pytest.approx(92.0 * 1.004, abs=0.01)


def test_the_joint_and_its_card(one_tab: Tab, one_bench: Bench) -> None:
    page = one_tab(PHONE)
    file = opened(page, one_bench)
    page.locator("#joint-boost").fill("a lot")
    page.get_by_role("button", name="Will it seal").click()
    # every fault at its field, the first of them at hand
    for key, words in (("boost", "accepted"), ("material", "is missing"), ("bolt", "is missing")):
        page.locator(f"#joint-{key}-fault", has_text=words).wait_for()
    assert page.evaluate("document.activeElement.id") == "joint-boost"
    assert violations(page) == []
    page.locator("#joint-boost").fill("8 psi")
    page.locator("#joint-bolt").select_option("M6")
    page.locator("#joint-engagement").fill("90 mm")
    page.locator("#joint-material").select_option("vmq-60")
    page.get_by_role("button", name="Will it seal").click()
    page.locator("#joint-material-fault", has_text="wrong sheet for petrol").wait_for()
    page.locator("#joint-engagement-fault", has_text="1 to 60 mm").wait_for()
    assert page.locator("#joint-boost-fault").is_hidden()
    page.locator("#joint-engagement").fill("")
    page.locator("#joint-washer").uncheck()
    page.locator("#joint-preload").fill("3 kN")
    page.locator("#joint-material").select_option("cork-nbr-70")
    page.get_by_role("button", name="Will it seal").click()
    page.locator("#joint-says .stamp").wait_for()
    assert page.locator("#joint-says .narrow svg").first.is_visible()
    assert violations(page) == []
    assert narrow_targets(page) == []
    page.locator("#joint").scroll_into_view_if_needed()
    picture(page, "make-phone-joint")
    typed = tomllib.loads(file.with_suffix(".joint.toml").read_text())
    assert (typed["boost"], typed["preload"], typed["washer"]) == ("8 psi", "3 kN", False)
    reloaded(page)
    assert page.locator("#joint-preload").input_value() == "3 kN"
    assert not page.locator("#joint-washer").is_checked()
    page.get_by_role("button", name="Will it seal").click()
    page.locator("#joint-says .stamp").wait_for()
    assert downloaded(page, "Torque card to print").startswith(b"%PDF-")


def test_a_cut_is_laid_out_on_a_sheet(one_tab: Tab, one_bench: Bench) -> None:
    from keyturn.making import dxf

    page = one_tab(DESK)
    opened(page, one_bench)
    page.locator("#cut-sheet").fill("150x80")
    page.get_by_role("button", name="Lay it out").click()
    page.locator("#cut-sheet-fault", has_text="larger than the sheet").wait_for()
    page.locator("#cut-sheet").fill("450x250")
    page.locator("#cut-copies").fill("2")
    page.get_by_role("button", name="Lay it out").click()
    page.locator("#cut-says", has_text="2 parts").wait_for()
    circles = page.locator("#cut-picture svg circle")
    circles.nth(11).wait_for()  # the picture follows the words
    assert circles.count() == 12
    found = dxf.read(downloaded(page, "DXF"))
    assert sum(row.layer == "CUT_OUTER" for row in found.contours) == 2
    picture(page, "make-desk-cut")


def test_callipers_ask_for_the_distance_that_helps_most(one_tab: Tab, one_bench: Bench) -> None:
    """A rectangle of 60 x 40 mm, so that every distance is known by Pythagoras."""
    page = one_tab(PHONE)
    go(page, MAKE)
    page.get_by_label("Name of the part").fill("cover")
    page.locator("#by-callipers summary").click()
    page.get_by_role("button", name="Another hole").click()
    for n, (x, y) in enumerate([(0, 0), (61, 1), (59, 41), (-1, 40)], 1):
        for key, value in (("x", x), ("y", y), ("diameter", 6.6)):
            page.locator(f"#c-Hole-{n}-{key}").fill(str(value))
    rows = [(1, 2, 66.6), (2, 3, 46.6), (3, 4, 66.6), (4, 1, 46.6), (1, 3, 6.6 + 5200**0.5),
            (2, 4, 6.6 + 5200**0.5)]  # fmt: skip
    for n, row in enumerate(rows, 1):
        if n > 3:
            page.get_by_role("button", name="Another distance").click()
        if n == 5:
            page.locator("#c-Distance-5-start").fill("1")
            page.get_by_role("button", name="Work it out").click()
            page.locator("#callipers-fault", has_text="Distance 5 is not whole").wait_for()
        for key, value in zip(("start", "end", "value"), row, strict=True):
            page.locator(f"#c-Distance-{n}-{key}").fill(
                f"{value:g}" if key != "value" else f"{value:.2f}"
            )
        if n == 3:
            page.get_by_role("button", name="Work it out").click()
            page.locator("#callipers-fault", has_text="measure from hole").wait_for()
    page.get_by_role("button", name="Work it out").click()
    page.wait_for_url("**/make?part=cover")
    page.locator("#found").wait_for()
    part = from_text((one_bench.root / "van-roots" / "gaskets" / "cover.toml").read_text())
    far = (
        (part.holes[0].x - part.holes[2].x) ** 2 + (part.holes[0].y - part.holes[2].y) ** 2
    ) ** 0.5
    assert far == pytest.approx(5200**0.5, abs=0.05)
    page.locator("#by-callipers summary").click()
    assert page.locator("#c-Distance-6-value").input_value() == f"{rows[5][2]:.2f}"


def test_a_change_without_connection_waits_on_the_device(one_tab: Tab, one_bench: Bench) -> None:
    page = one_tab(DESK)
    file = opened(page, one_bench)
    page.locator("#features button", has_text="hole 2").click()
    page.context.set_offline(True)
    page.get_by_label("X", exact=True).fill("0.7")
    page.keyboard.press("Tab")
    page.locator("#pending", has_text="on this device").wait_for()
    page.context.set_offline(False)
    reloaded(page)
    assert from_text(file.read_text()).holes[1].x == 0.0  # never sent by itself
    page.locator("#pending").get_by_role("button", name="Send").click()
    kept(page, file, lambda part: part.holes[1].x == 0.7)


# --- the doors --------------------------------------------------------------------------------
def png(width: int, height: int, *, whole: bool = True) -> bytes:
    """A picture that says how large it is; its pixels are never looked at."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    place = chunk(b"tEXt", b"Comment\0GPS 0.0")
    return b"\x89PNG\r\n\x1a\n" + head + place + (chunk(b"IEND", b"") if whole else b"")


def sent(app: Any, data: bytes, part: str = "lid", number: int = 1) -> Any:
    asks = local(app, raise_server_exceptions=False)
    return asks.post(f"/api/car/van-roots/make/{part}/upload?number={number}", content=data,
                     headers=OURS | {"content-type": "image/jpeg"})  # fmt: skip


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"", "empty"), (b"MZ not a picture at all", "not an image"),
     (b"\0\0\0\x18ftypheic" + b"\0" * 40, "HEIC"), (b"GIF89a" + b"\0" * 60, "GIF"),
     (png(20_000, 20_000), "megapixels"), (png(200, 200), "too few"),
     (png(2000, 1500, whole=False), "cut short"), (b"\xff\xd8\xff\xe0\0\x10JFIF\0", "cut short")],
    ids=["empty", "program", "heic", "gif", "huge", "tiny", "truncated png", "truncated jpeg"],
)  # fmt: skip
def test_what_is_no_photo_is_refused_and_nothing_kept(
    tmp_path: Path, data: bytes, words: str
) -> None:
    app = app_on(tmp_path)
    answer = sent(app, data)
    assert answer.status_code == 422
    assert words in json.dumps(answer.json())
    assert not (tmp_path / "builds" / "van-roots" / "made" / "gaskets").exists()


def test_a_name_cannot_climb(tmp_path: Path) -> None:
    app = app_on(tmp_path)
    for part in ("..%2f..%2fevil", "UP", "a b", "-x", "x" * 41):
        assert sent(app, png(2000, 1500), part).status_code in (404, 422)
    assert sent(app, png(2000, 1500), "fine").json() == {"part": "fine", "photos": 1}
    (kept,) = (tmp_path / "builds" / "van-roots" / "made" / "gaskets").rglob("photo-*")
    assert kept.name == "photo-1.png" and b"GPS" not in kept.read_bytes()


def test_a_trace_needs_its_numbers(tmp_path: Path) -> None:
    app = app_on(tmp_path)
    asks = local(app)
    address = "/api/car/van-roots/make/lid/trace"
    assert asks.post(address, json={"said": {}}, headers=OURS).status_code == 404
    sent(app, png(2000, 1500))
    lines = {"check_long": "250", "check_short": "180"}
    for said, scanned, key in (
        ({}, False, "check_long"), (lines, False, "thickness"),
        ({"thickness": "8 mm", "level": True} | lines, False, "thickness"),
        ({"thickness": "8 mm", "check_long": "250"}, False, "check_short"),
        ({"thickness": "8 kg"} | lines, False, "thickness"), (lines, True, "dpi"),
        ({"dpi": "fine"} | lines, True, "dpi"), ({"dpi": "300", "level": True}, True, "level"),
    ):  # fmt: skip
        answer = asks.post(address, json={"said": said, "scanned": scanned}, headers=OURS)
        assert answer.status_code == 422
        error = answer.json()["error"]
        assert error.get("faults", [error])[0]["where"]["key"] == key
    sent(app, png(2000, 1500), number=2)
    said = {"dpi": "300"} | lines
    answer = asks.post(address, json={"said": said, "scanned": True}, headers=OURS)
    assert answer.status_code == 422 and answer.json()["error"]["accepted"] == "one scan"


def test_a_stale_change_is_not_written(tmp_path: Path) -> None:
    app = app_on(tmp_path)
    file = laid(tmp_path / "builds" / "van-roots")
    asks = local(app)
    address = "/api/car/van-roots/make/lid"
    seen = asks.get(address).json()["revision"]
    file.write_text(file.read_text().replace("diameter = 6.5", "diameter = 6.6"))
    body = {"revision": seen, "changes": [{"do": "hole", "index": 0, "x": 1.0}]}
    before = file.read_bytes()
    assert asks.post(f"{address}/change", json=body, headers=OURS).status_code == 409
    assert file.read_bytes() == before
    file.write_text("version = 1\n[outer]\ncorners = 3\n")  # somebody's editor was at it
    shown = asks.get(address)
    assert shown.status_code == 200 and shown.json()["fault"]["faults"]
    assert asks.get("/car/van-roots/make?part=lid").status_code == 200


def test_what_somebody_wrote_into_the_file_stays(one_bench: Bench) -> None:
    file = laid(one_bench.root / "van-roots")
    file.write_text(file.read_text().replace("[outer]", "# ask for the steel ruler\n[outer]", 1))
    before = file.read_text()
    address = f"{one_bench.url}/api/car/van-roots/make/lid"
    ours = {"headers": {"origin": one_bench.url}, "timeout": 60}
    for word, more in (("change", {"changes": [{"do": "hole", "index": 0, "x": 1.0}]}),
                       ("change", {"changes": [{"do": "remove-hole", "index": 5}]})):  # fmt: skip
        seen = httpx.get(address, timeout=60).json()["revision"]
        answer = httpx.post(f"{address}/{word}", json={"revision": seen, **more}, **ours)
        assert answer.status_code == 200
        assert "# ask for the steel ruler\n[outer]" in file.read_text()
    for _ in range(2):
        seen = httpx.get(address, timeout=60).json()["revision"]
        httpx.post(f"{address}/undo", json={"revision": seen}, **ours)
    assert file.read_text() == before


def test_half_of_the_changes_is_none(one_bench: Bench) -> None:
    file = laid(one_bench.root / "van-roots")
    address = f"{one_bench.url}/api/car/van-roots/make/lid"
    seen = httpx.get(address, timeout=60).json()["revision"]
    body = {"revision": seen, "changes": [{"do": "hole", "index": 0, "x": 1.0},
                                          {"do": "hole", "index": 99, "x": 1.0}]}  # fmt: skip
    answer = httpx.post(
        f"{address}/change", json=body, headers={"origin": one_bench.url}, timeout=60
    )
    assert answer.status_code == 422
    assert from_text(file.read_text()).holes[0].x == -92.0
