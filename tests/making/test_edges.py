"""Edges on drawn pictures: an anti-aliased disc of known radius, blurred, on a plain table."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from keyturn.errors import ValueRefused
from keyturn.making import circles, edges, segment
from keyturn.making.rectify import Flat
from keyturn.making.scan import ScanPlane

PIXEL, BLUR = 0.125, 1.0  # [mm], [px]
HOLES = ((20.3, 15.7, 6.6), (60.1, 30.2, 8.0))  # x, y, diameter [mm]


def drawn(face: float = 0.47, table: float = 0.1, noise: float = 0.004, shift: float = 0.0) -> Flat:
    """A plate 70 x 40 mm with two holes, its corner at 5, 5 mm; ``shift`` moves it to the left."""
    rows, columns = 400, 640
    x = np.arange(columns) * PIXEL + shift
    y = (rows - 1 - np.arange(rows)) * PIXEL
    gx, gy = np.meshgrid(x, y)
    inside = np.minimum.reduce([gx - 5.0, 75.0 - gx, gy - 5.0, 45.0 - gy])
    for cx, cy, diameter in HOLES:
        inside = np.minimum(inside, np.hypot(gx - cx, gy - cy) - diameter / 2.0)
    cover = np.clip(0.5 + inside / PIXEL, 0.0, 1.0)
    light = cv2.GaussianBlur(table + (face - table) * cover, (0, 0), BLUR)
    light += np.random.default_rng(1).normal(0.0, noise, light.shape)
    whole = np.ones(light.shape, np.bool_)
    plane = ScanPlane((PIXEL, PIXEL), (0.0, 0.0), (0.0, (rows - 1) * PIXEL))
    return Flat(
        np.clip(light, 0.0, 1.0).astype(np.float32), np.zeros(light.shape, np.float32), whole,
        ~whole, PIXEL, plane.origin, 0.0, plane, PIXEL, BLUR,
    )  # fmt: skip


@pytest.mark.parametrize(("face", "table"), [(0.47, 0.1), (0.1, 0.75)], ids=["bright", "dark"])
def test_holes_are_placed_to_a_tenth_of_a_pixel(face: float, table: float) -> None:
    flat = drawn(face, table)
    rough = segment.rough(flat)
    assert rough.bright == (face > table)
    assert len(rough.inner) == 2
    for ring in rough.inner:
        edge = edges.find(flat, ring, outward=False, bright=rough.bright, model="face")
        found = circles.fit(edge.points, edge.good, edges.softness(flat))
        assert found is not None
        x, y, diameter = min(HOLES, key=lambda h: abs(h[0] - found.x))
        assert np.hypot(found.x - x, found.y - y) < 0.1 * PIXEL
        # nothing was sharpened here, so the allowance for it is left on both sides
        assert abs(found.diameter - diameter) < 0.02


def test_the_outer_edge_lies_on_the_plate() -> None:
    flat = drawn()
    rough = segment.rough(flat)
    edge = edges.find(flat, rough.outer, outward=True, bright=True, model="face")
    assert edge.seen > 0.99
    x, y = edge.points.T
    straight = (y > 8.0) & (y < 42.0) & (x > 40.0)
    # a quarter of a pixel for single points, a twentieth for their mean
    assert np.abs(x[straight] - 75.0).max() < 0.25 * PIXEL
    assert abs(float(np.mean(x[straight])) - 75.0) < 0.05 * PIXEL


def test_a_part_that_reaches_the_frame_is_refused() -> None:
    with pytest.raises(ValueRefused, match="cut off"):
        segment.rough(drawn(shift=12.0))


@pytest.mark.parametrize(
    ("face", "table", "said", "advice"),
    [(0.11, 0.10, "both dark", "white paper"), (0.62, 0.60, "neither dark", "dark, dull sheet")],
    ids=["dark on dark", "bright on bright"],
)
def test_a_face_like_the_table_is_refused(
    face: float, table: float, said: str, advice: str
) -> None:
    with pytest.raises(ValueRefused, match=f"equally bright, {said}") as fault:
        segment.rough(drawn(face, table, noise=0.01))
    assert advice in fault.value.advice
    # the old wrong reason: the threshold falls into the noise, which reaches every border
    assert "cut off" not in str(fault.value)


@pytest.mark.parametrize("fall", [0.6, 1.0])
def test_one_shade_in_falling_light_is_not_only_said_to_be_cut_off(fall: float) -> None:
    flat = drawn(face=0.11, table=0.1, noise=0.01)
    # from the left to the right the light falls by e to the power of twice ``fall``
    light = np.exp(np.linspace(fall, -fall, flat.image.shape[1], dtype=np.float32))
    with pytest.raises(ValueRefused, match="cannot be told from the table"):
        segment.rough(replace(flat, image=flat.image * light))


@pytest.mark.parametrize("fall", [0.0, 0.3])
def test_a_cut_part_that_stands_out_is_said_to_be_cut_off(fall: float) -> None:
    flat = drawn(shift=12.0)
    light = np.exp(np.linspace(0.0, -2.0 * fall, flat.image.shape[1], dtype=np.float32))
    with pytest.raises(ValueRefused, match=r"^the part is cut off"):
        segment.rough(replace(flat, image=flat.image * light))
