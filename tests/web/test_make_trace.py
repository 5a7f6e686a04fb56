"""A photo goes in at the page, is traced as a job, and comes out as a cut file: the whole way."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from browser import PHONE, Bench, picture, violations

sys.path.insert(0, str(Path(__file__).parents[1] / "making"))

Tab = Callable[..., Any]


@pytest.mark.validate
def test_a_photo_becomes_a_cut_file_on_the_phone(tab: Tab, bench: Bench, tmp_path: Path) -> None:
    """Hole centres within 0.35 mm of the rendered truth, as asked of 3 megapixels."""
    from renderer import render, seeded, throttle

    from keyturn.making import dxf

    scene = seeded(2, throttle(2), size=(2000, 1500))
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(render(scene, gps=True).data)
    page = tab(PHONE)
    page.goto("/car/van-roots/make")
    page.wait_for_selector("body[data-ready=yes]")
    assert page.locator("#choose").is_disabled()  # what no photo can tell comes first
    page.get_by_label("Name of the part").fill("throttle-plate")
    page.locator("#thickness").fill(f"{scene.face_height} mm")
    page.locator("#check_long").fill(f"{scene.check_lengths[0]} mm")
    page.locator("#check_short").fill(f"{scene.check_lengths[1]} mm")
    page.locator("#choose").set_input_files(photo)
    page.locator("#photos", has_text="with the build").wait_for()
    kept = bench.root / "van-roots" / "made" / "gaskets" / "throttle-plate" / "photo-1.jpg"
    assert b"GPS" not in kept.read_bytes() and len(kept.read_bytes()) < photo.stat().st_size
    page.get_by_role("button", name="Trace", exact=True).click()
    page.get_by_role("button", name="Stop").wait_for()
    page.wait_for_url("**/make?part=throttle-plate", timeout=90_000)
    page.locator("#found").wait_for()
    assert violations(page) == []
    picture(page, "make-phone-traced")
    page.locator("#kerf").fill("0")
    page.locator("#clearance").fill("0")
    with page.expect_download(timeout=30_000) as coming:
        page.get_by_role("link", name="DXF").click()
    made = dxf.to_outline(dxf.read(Path(coming.value.path()).read_bytes()))
    true = scene.part.outline
    assert len(made.holes) == len(true.holes)
    # lengths between holes: the file has a place and a turn of its own
    for rows in (made.holes, true.holes):
        assert len(rows) == 4
    far = [sorted(_apart(part.holes)) for part in (made, true)]
    assert max(abs(a - b) for a, b in zip(*far, strict=True)) < 0.35


def _apart(holes: Any) -> list[float]:
    return [((a.x - b.x) ** 2 + (a.y - b.y) ** 2) ** 0.5 for a in holes for b in holes]
