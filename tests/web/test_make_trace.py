"""A picture goes in at the page, is traced as a job, and comes out as a cut file: the whole way."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from browser import PHONE, Bench, downloaded, go, picture, violations

from keyturn.making import dxf
from keyturn.making.shape import Outline
from keyturn.web.jobs import Jobs

sys.path.append(str(Path(__file__).parents[1] / "making"))

Tab = Callable[..., Any]


def sent(page: Any, bench: Bench, file: Path, numbers: dict[str, str]) -> Path:
    """The numbers typed, the picture sent; where the server keeps it."""
    go(page, "/car/van-roots/make")
    assert page.locator("#choose").is_disabled()  # what no picture can tell comes first
    page.get_by_label("Name of the part").fill("throttle-plate")
    if "dpi" in numbers:
        page.locator("#from-scan").check()
    for key, value in numbers.items():
        page.locator(f"#trace-{key}").fill(value)
    page.locator("#choose").set_input_files(file)
    page.locator("#photos", has_text="with the build").wait_for()
    return (
        bench.root / "van-roots" / "made" / "gaskets" / "throttle-plate" / f"photo-1{file.suffix}"
    )


def traced(page: Any, name: str) -> Outline:
    """The job followed to its end, the drawing looked at, the cut file read back."""
    page.get_by_role("button", name="Trace", exact=True).click()
    page.get_by_role("button", name="Stop").wait_for()
    page.wait_for_url("**/make?part=throttle-plate")
    page.locator("#found").wait_for()
    assert violations(page) == []
    picture(page, name)
    for key in ("kerf", "clearance"):
        page.locator(f"#cut-{key}").fill("0")
    return dxf.to_outline(dxf.read(downloaded(page, "DXF")))


def worst(made: Outline, true: Outline) -> float:
    """Of the lengths between holes: the file has a place and a turn of its own."""
    assert len(made.holes) == len(true.holes) == 4
    far = [sorted(math.dist((a.x, a.y), (b.x, b.y)) for a, b in combinations(part.holes, 2))
           for part in (made, true)]  # fmt: skip
    return max(abs(a - b) for a, b in zip(*far, strict=True))


@pytest.mark.validate
def test_a_photo_becomes_a_cut_file_on_the_phone(tab: Tab, bench: Bench, tmp_path: Path) -> None:
    """Hole centres within 0.35 mm of the rendered truth, as asked of 3 megapixels."""
    from renderer import render, seeded, throttle

    scene = seeded(2, throttle(2), size=(2000, 1500))
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(render(scene, gps=True).data)
    page = tab(PHONE)
    long, short = scene.check_lengths
    numbers = {"thickness": f"{scene.face_height} mm", "check_long": f"{long} mm",
               "check_short": f"{short} mm"}  # fmt: skip
    kept = sent(page, bench, photo, numbers)
    assert b"GPS" not in kept.read_bytes() and len(kept.read_bytes()) < photo.stat().st_size
    assert worst(traced(page, "make-phone-traced"), scene.part.outline) < 0.35


def test_a_scan_becomes_a_cut_file_on_the_phone(tab: Tab, bench: Bench, tmp_path: Path) -> None:
    """Hole centres within 0.10 mm, as asked of 300 dots per inch: 0.20 between two of them."""
    from renderer import scan, seeded_page

    sheet = seeded_page(2)
    file = tmp_path / "scan.jpg"
    file.write_bytes(scan(sheet))
    page = tab(PHONE)
    numbers = {"dpi": "150", "check_long": "250 mm", "check_short": "180 mm"}
    sent(page, bench, file, numbers)
    page.get_by_role("button", name="Trace", exact=True).click()
    # the strip tells that the scanner was set to something else: said at its field
    page.locator(
        "#trace-dpi-fault, #trace-check_long-fault", has_text="dots per inch"
    ).first.wait_for()
    assert not (bench.root / "van-roots" / "gaskets" / "throttle-plate.toml").exists()
    page.locator("#trace-dpi").fill("300")
    assert worst(traced(page, "make-phone-scan"), sheet.part.outline) < 0.20
    assert page.locator("#by-picture summary").is_visible()
    page.locator("#by-picture summary").click()
    assert page.locator("#from-scan").is_checked()  # remembered with what was typed
    assert page.locator("#trace-dpi").input_value() == "300"


def test_a_trace_can_be_stopped_and_leaves_nothing(
    tab: Tab, bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from renderer import scan, seeded_page

    begun = Jobs.start
    monkeypatch.setattr(
        Jobs, "start",
        lambda self, car, word, _, asked: begun(self, car, word, "long_work:traces_slowly", asked),
    )  # fmt: skip
    file = tmp_path / "scan.jpg"
    file.write_bytes(scan(seeded_page(3)))
    page = tab(PHONE)
    numbers = {"dpi": "300", "check_long": "250 mm", "check_short": "180 mm"}
    kept = sent(page, bench, file, numbers)
    page.get_by_role("button", name="Trace", exact=True).click()
    page.get_by_role("button", name="Stop").wait_for()
    assert page.get_by_role("button", name="Trace", exact=True).is_disabled()  # one at a time
    page.get_by_role("button", name="Stop").click()
    page.locator("#says", has_text="Stopped").wait_for()
    page.locator("#progress").wait_for(state="hidden")
    assert sorted(path.name for path in kept.parent.iterdir()) == ["photo-1.jpg"]
    assert not (bench.root / "van-roots" / "gaskets").exists()
