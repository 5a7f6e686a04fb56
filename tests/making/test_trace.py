"""The whole way from a rendered photo to an outline; the truth is the renderer's."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import suite
from renderer import Scene, Taken, plate, render, seeded, throttle
from renderer.cast import camera_of

from keyturn.errors import ValueRefused
from keyturn.making import photo, trace
from keyturn.making.trace import Traced

CHECK = (250.0, 180.0)


def taken(scene: Scene) -> photo.Photo:
    return photo.decode(render(scene).data)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return seeded(3, throttle(3), size=(2400, 1800), max_tilt=20.0)


@pytest.fixture(scope="module")
def traced(scene: Scene) -> Traced:
    said: list[tuple[int, int, str]] = []
    made = trace.trace([taken(scene)], 8.0, CHECK, lambda *now: said.append(now))
    assert [done for done, _, _ in said] == sorted(done for done, _, _ in said)
    assert said[-1][0] == said[-1][1]
    return made


def test_holes_outline_and_port_within_their_bounds(scene: Scene, traced: Traced) -> None:
    found = suite.scored(traced.outline, scene.part.outline)
    assert found["found"] == found["holes"] == 4
    assert found["extra"] == 0
    # bounds for a face 3 to 12 mm above the board
    assert found["centre_median"] <= 0.04
    assert found["centre_max"] <= 0.15
    # after one hole was read, as every trace asks for
    assert np.median(np.abs(np.array(found["diameter"]) - found["diameter"][0])) <= 0.05
    assert max([found["outer"], *found["ports"]]) <= 0.25
    assert all(found["inside"])


def test_the_overlay_falls_on_the_photo(scene: Scene, traced: Traced) -> None:
    """Where the camera of the renderer, not our own, sees the true holes."""
    fit = suite.matched(
        np.array([(h.x, h.y) for h in traced.outline.holes]),
        np.array([(h.x, h.y) for h in scene.part.outline.holes]),
    )
    assert fit is not None
    true = np.array([
        (*[(h.x, h.y) for h in scene.part.outline.holes][m], scene.face_height) for m in fit[2]
    ])  # fmt: skip
    pixels = Taken(b"", scene, camera_of(scene)).pixels_of(true)
    drawn = traced.pixels(np.array([(h.x, h.y) for h in traced.outline.holes]))
    # a tenth of a millimetre is about a third of a pixel here
    assert np.abs(drawn - pixels).max() < 0.5
    assert {d.name for d in traced.drawn} >= {"outer", "hole 1", "hole 4", "port 1"}


def test_a_hole_is_asked_for_and_its_reading_moves_every_edge(scene: Scene, traced: Traced) -> None:
    assert any("measure one hole" in said for said in traced.warnings)
    hole = traced.outline.holes[0]
    read = trace._read(traced, hole.name, hole.diameter + 0.2)
    assert read.allowance == pytest.approx(0.2)
    assert read.outline.holes[1].diameter == pytest.approx(traced.outline.holes[1].diameter + 0.2)
    with pytest.raises(ValueRefused, match="was traced with"):
        trace._read(traced, hole.name, hole.diameter + 4.0)
    with pytest.raises(ValueRefused, match="no such hole"):
        trace._read(traced, "hole 99", 6.6)


def test_a_part_without_holes_is_said(scene: Scene) -> None:
    bare = replace(scene, part=plate())
    made = trace.trace([taken(bare)], 8.0, None)
    assert not made.outline.holes
    assert not made.outline.scale_verified
    assert any("no round holes" in said for said in made.warnings)


def test_a_part_cut_off_at_the_frame_is_refused(scene: Scene) -> None:
    off = replace(scene, part=plate(), aim=(85.0, 0.0), distance=260.0, tilt=math.radians(5.0))
    with pytest.raises(ValueRefused) as refused:
        trace.trace([taken(off)], 8.0, CHECK)
    assert refused.value.advice


def test_a_missing_thickness_is_refused(scene: Scene) -> None:
    with pytest.raises(ValueRefused, match="thickness"):
        trace.trace([taken(scene)], 0.0, CHECK)
