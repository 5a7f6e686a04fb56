"""Flatbed scans drawn with known scale errors, and the flat picture of a photo."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from renderer import render, seeded
from renderer.cast import strip_texture

from keyturn.errors import ValueRefused
from keyturn.making import board, camera, photo, rectify, scan

Points = NDArray[np.float64]
DPI = 300.0
SENSOR, FEED = 1.0007, 0.9985  # true over stated scale: common faults of the two axes
DISCS = np.array([[20.0, 20.0], [90.0, 25.0], [150.0, 60.0], [30.0, 140.0], [140.0, 150.0]])


def page() -> NDArray[np.uint8]:
    """Dark discs of 10 mm on white, and a printed strip lying turned, at 300 dpi.

    Edges carry their sub-pixel place as the share of each pixel that is covered.
    """
    px, py = DPI / 25.4 / SENSOR, DPI / 25.4 / FEED
    x, y = np.meshgrid(
        (np.arange(round(275 * px)) + 0.5) / px, (np.arange(round(260 * py)) + 0.5) / py
    )
    picture = np.full(x.shape, 250.0)
    for cx, cy in DISCS:
        near = (np.abs(x - cx) < 7.0) & (np.abs(y - cy) < 7.0)
        covered = np.clip((5.0 - np.hypot(x[near] - cx, y[near] - cy)) * px + 0.5, 0.0, 1.0)
        picture[near] -= 210.0 * covered
    turn, (left, top) = 0.03, (12.0, 160.0)
    c, s = math.cos(turn), math.sin(turn)
    u, v = c * (x - left) + s * (y - top), c * (y - top) - s * (x - left)
    col, row = ((m * 24 - 0.5).astype(np.float32) for m in (u, v))
    ink = cv2.remap(strip_texture(0, 0.085), col, row, cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_CONSTANT, borderValue=250)  # fmt: skip
    return np.minimum(np.round(picture), ink).astype(np.uint8)


@cache
def sheet() -> photo.Photo:
    return photo.Photo(np.repeat(page()[:, :, None], 3, axis=2))


def discs_found(flat: rectify.Flat) -> Points:
    """Middles of the discs by weight of darkness, in the flat picture's millimetres."""
    found = []
    for cx, cy in DISCS:
        near = flat.pixel(np.array([[cx, flat.origin[1] - cy]]))[0]
        i, j = np.round(near).astype(int)
        half = int(8.0 / flat.mm_per_pixel)
        part = 0.9 - np.minimum(flat.image[j - half : j + half + 1, i - half : i + half + 1], 0.9)
        rows, columns = np.mgrid[-half : half + 1, -half : half + 1]
        weight = part.sum()
        found.append([i + (columns * part).sum() / weight, j + (rows * part).sum() / weight])
    place = np.array(found)
    return flat.xy(place[:, 0], place[:, 1])


def sigma_of(plane: rectify.Plane, points: Points) -> Points:
    """Of each point against the others, along the longer axis of its ellipse."""
    return rectify.larger_sigma(rectify.covariance([plane], points))


def distances(points: Points) -> Points:
    return np.linalg.norm(points[:, None] - points[None], axis=2)


def test_a_measured_strip_settles_both_axes() -> None:
    """Distances within 0.03 mm with the printed strip on the glass; over 0.1 mm off without."""
    true = distances(DISCS)
    plain = scan.flatten(sheet(), DPI)
    assert float(np.abs(distances(discs_found(plain)) - true).max()) > 0.1
    assert any("not verified" in note for note in plain.notes)
    strips = scan.printed_strips(sheet(), (250.0, 180.0))
    flat = scan.flatten(sheet(), DPI, strips)
    assert float(np.abs(distances(discs_found(flat)) - true).max()) < 0.03
    assert flat.notes == ()


def test_a_strip_typed_by_hand_does_the_same() -> None:
    pixels = 150.0 * DPI / 25.4
    strips = (
        scan.Strip(pixels / SENSOR, 150.0, "x", 0.05),
        scan.Strip(pixels / FEED, 150.0, "y", 0.05),
    )
    flat = scan.flatten(sheet(), DPI, strips)
    assert float(np.abs(distances(discs_found(flat)) - distances(DISCS)).max()) < 0.03
    wide = sigma_of(scan.flatten(sheet(), DPI).plane, DISCS)
    assert np.all(sigma_of(flat.plane, DISCS) < wide)


def test_scan_refusals(tmp_path: Path) -> None:
    with pytest.raises(ValueRefused, match="dots per inch"):
        scan.flatten(sheet(), 30.0)
    with pytest.raises(ValueRefused, match="286 dots per inch"):
        # 150 mm typed as the length of a strip that is 157.5 mm long
        scan.flatten(sheet(), DPI, (scan.Strip(1690.0, 150.0, "x"),))
    with pytest.raises(ValueRefused, match="no length"):
        scan.flatten(sheet(), DPI, (scan.Strip(1690.0, 0.0, "x"),))
    (tmp_path / "a.png").write_bytes(cv2.imencode(".png", sheet().pixels)[1].tobytes())
    flat = scan.to_plane(tmp_path / "a.png", DPI, check_lengths=(250.0, 180.0))
    assert flat.mm_per_pixel == pytest.approx(25.4 / DPI, rel=0.002)


@cache
def laid_flat() -> tuple[rectify.Flat, camera.Cameras]:
    scene = seeded(3, size=(1600, 1200))
    shot = photo.decode(render(scene).data)
    cameras = camera.solve([board.find(shot)], scene.check_lengths)
    return rectify.to_plane(shot, cameras, height=None), cameras


def test_the_board_laid_flat_is_the_board_as_designed() -> None:
    """Corners of strip A in the flat picture stand 15 mm apart, within a tenth of a pixel."""
    flat, cameras = laid_flat()
    spec = board.SPEC
    if cameras.layout.base != 0:
        pytest.fail("strip A is expected to make the frame")
    true = spec.corner(np.arange(64))
    start = flat.pixel(true).astype(np.float32).reshape(-1, 1, 2)
    grey = np.round(255 * np.sqrt(flat.image)).astype(np.uint8)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    found = cv2.cornerSubPix(grey, start.copy(), (8, 8), (-1, -1), stop).reshape(-1, 2)
    miss = flat.xy(found[:, 0].astype(float), found[:, 1].astype(float)) - true
    assert float(np.sqrt(np.mean(miss**2))) < 0.02
    assert flat.strips[tuple(np.round(start[20, 0, ::-1]).astype(int))]
    assert flat.valid.mean() > 0.5


def test_there_and_back() -> None:
    flat, cameras = laid_flat()
    points = np.array([[0.0, 0.0], [200.0, -90.0], [-30.0, 60.0]])
    assert flat.plane.from_photo(flat.plane.to_photo(points)) == pytest.approx(points, abs=1e-6)
    pixels = flat.pixel(points)
    assert flat.xy(pixels[:, 0], pixels[:, 1]) == pytest.approx(points, abs=1e-9)
    # the same line of sight at two heights falls on one pixel of the photo
    low = flat.plane.onto(points, -8.0)
    seen = cameras.project(np.column_stack([low, np.full(3, -8.0)]))
    assert seen == pytest.approx(flat.plane.to_photo(points), abs=1e-6)


def test_bounds_grow_away_from_the_middle_and_with_an_unknown_scale() -> None:
    flat, cameras = laid_flat()
    row = np.array([[x, -90.0] for x in np.linspace(0.0, 250.0, 11)])
    sigma = sigma_of(flat.plane, row)
    assert sigma[0] > sigma[5] < sigma[-1]
    loose = sigma_of(rectify.PhotoPlane(cameras, 0, 8.0, thickness_sigma=0.5), row)
    firm = sigma_of(rectify.PhotoPlane(cameras, 0, 8.0), row)
    assert np.all(loose[[0, -1]] > firm[[0, -1]])


@pytest.mark.parametrize("ratio", [0.0, 0.3, 0.6, 1.0])
def test_radius_holds_95_percent(ratio: float) -> None:
    """Against one million drawn errors; their own scatter is 0.02 %."""
    turn = np.array([[0.8, -0.6], [0.6, 0.8]])
    covariance = turn @ np.diag([1.0, ratio**2]) @ turn.T
    drawn = np.random.default_rng(1).standard_normal((1_000_000, 2)) * [1.0, ratio]
    radius = rectify.radius_95(covariance[None])[0]
    inside = float(np.mean(np.linalg.norm(drawn, axis=1) < radius))
    assert inside == pytest.approx(0.95, abs=0.003)


@pytest.mark.parametrize("height", [0.0, -3.0, math.nan, math.inf, 400.0])
def test_thickness_that_cannot_be(height: float) -> None:
    with pytest.raises(ValueRefused, match="thickness"):
        rectify.checked_height(height)


def test_srgb_levels() -> None:
    """IEC 61966-2-1: 8-bit 188 is half the light of white (0.5029), 10 is on the straight part."""
    levels = rectify.linear_levels()
    assert levels[255] == pytest.approx(1.0, abs=1e-6)
    assert levels[188] == pytest.approx(0.5029, abs=5e-5)
    assert levels[10] == pytest.approx(10 / 255 / 12.92, abs=1e-7)
