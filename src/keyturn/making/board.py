"""The reference board: two strips of a chequered pattern with markers, printed and found again.

A strip has 17 x 5 squares of 15 mm; every white square carries an own marker, so each corner of
the pattern is known by name even when part of the strip is hidden. Two strips lie on two sides of
the part, freely. Coordinates of a strip: millimetres, x to the right, y up, seen on the print.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import Place, ValueRefused
from keyturn.making.photo import Photo

Points = NDArray[np.float64]  # shape (n, 2)
MIN_CORNERS = 12  # of one strip, for it to count
BLUR_LIMIT = 0.6  # [mm] sigma on the board; beyond, an edge is wider than a hole's allowance
BLUR_LIMIT_PIXELS, BLUR_NOTED = 3.0, 2.0  # [px] sigma; a sharp picture has 1.0 to 1.6
BETTER = (
    "lay both strips flat beside the part, on two sides, all of both in the picture, in even light"
    " without glare, and hold the camera about 40 cm above"
)


@dataclass(frozen=True)
class Spec:
    """What is printed. Both papers carry the same strips, so nobody has to say which."""

    columns: int = 17
    rows: int = 5
    square: float = 15.0  # [mm]
    marker: float = 11.0  # [mm] six modules, the outer ones black
    strips: int = 2
    check_x: float = 250.0  # [mm] nominal length of the check line along the strips
    check_y: float = 180.0  # [mm] and across them

    @property
    def width(self) -> float:
        return self.columns * self.square

    @property
    def height(self) -> float:
        return self.rows * self.square

    @property
    def markers(self) -> int:
        """Markers of one strip: one in every white square."""
        return self.columns * self.rows // 2

    def modules(self, number: int) -> NDArray[np.bool_]:
        """The 6 x 6 modules of a marker, True where white, rows from the top."""
        return np.asarray(_dictionary().generateImageMarker(number, 6, borderBits=1) > 0)

    def corner(self, number: NDArray[np.int64]) -> Points:
        """Place of inner corners by their number, counted row by row from the top left [mm]."""
        across = self.columns - 1
        x = (number % across + 1) * self.square
        y = self.height - (number // across + 1) * self.square
        return np.stack([x, y], axis=1).astype(np.float64)


SPEC = Spec()


@dataclass(frozen=True)
class StripSeen:
    """Corners of one strip found in one photo."""

    strip: int
    numbers: NDArray[np.int64]
    nominal: Points  # [mm] on the strip as designed
    pixels: Points  # [px] the centre of the first pixel is 0, 0


@dataclass(frozen=True)
class Sightings:
    """All that one photo says about the board."""

    strips: tuple[StripSeen, ...]
    size: tuple[int, int]  # [px] width, height
    focal_guess: float | None
    blur: float  # [px] sigma of the softest direction
    mm_per_pixel: float
    notes: tuple[str, ...] = ()
    name: str = ""


def _dictionary() -> Any:
    import cv2

    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)


def _charuco(spec: Spec, strip: int) -> Any:
    import cv2

    ids = np.arange(spec.markers) + strip * spec.markers
    return cv2.aruco.CharucoBoard(
        (spec.columns, spec.rows), spec.square, spec.marker, _dictionary(), ids
    )


def _markers(grey: NDArray[np.uint8]) -> tuple[Any, Any]:
    import cv2

    ask = cv2.aruco.DetectorParameters()
    # windows of the local threshold from a marker's module to a whole marker
    ask.adaptiveThreshWinSizeMin, ask.adaptiveThreshWinSizeMax = 5, 45
    ask.adaptiveThreshWinSizeStep = 20
    ask.minMarkerPerimeterRate = 0.015
    # modules read at 8 pixels each, the outer quarter left out: small pictures keep their markers
    ask.perspectiveRemovePixelPerCell = 8
    ask.perspectiveRemoveIgnoredMarginPerCell = 0.25
    corners, ids, _ = cv2.aruco.ArucoDetector(_dictionary(), ask).detectMarkers(grey)
    return corners, ids


def _refuse_twins(corners: Any, ids: Any, name: str) -> None:
    """The same markers at two places: two prints of the board lie in the picture."""
    seen: dict[int, list[Points]] = {}
    for corner, number in zip(corners, ids.ravel(), strict=True):
        seen.setdefault(int(number), []).append(np.asarray(corner, np.float64).reshape(4, 2))
    twins = sum(
        1
        for places in seen.values()
        if len(places) > 1
        # the inner and outer rim of one marker are no twins
        and np.linalg.norm(places[0].mean(0) - places[1].mean(0)) > np.ptp(places[0])
    )
    if twins >= 3:
        raise ValueRefused(
            f"two boards are in the picture: {twins} markers are seen at two places",
            Place(name or None),
            advice="leave one print of each strip (A and B) and take the others out of view",
        )


def _refine(grey: NDArray[np.uint8], corners: Points, pitch: float) -> Points:
    import cv2

    # no wider than the 2 mm of white between a corner and the markers' corners
    window = int(np.clip(round(0.12 * pitch), 3, 20))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    start = np.ascontiguousarray(corners, np.float32).reshape(-1, 1, 2)
    better = cv2.cornerSubPix(grey, start.copy(), (window, window), (-1, -1), stop)
    better = np.asarray(better, np.float64).reshape(-1, 2)
    moved = np.linalg.norm(better - corners, axis=1) > max(0.15 * pitch, 3.0)
    better[moved] = np.nan
    return better


def _pitch(numbers: NDArray[np.int64], corners: Points, spec: Spec) -> float:
    """Distance of neighbours along the strip [px]."""
    place = {int(n): c for n, c in zip(numbers, corners, strict=True)}
    across = spec.columns - 1
    steps = [
        float(np.linalg.norm(place[n + 1] - place[n]))
        for n in place
        if n + 1 in place and (n + 1) % across
    ]
    return float(np.median(steps)) if steps else 0.0


def _blur(grey: NDArray[np.uint8], seen: StripSeen, spec: Spec) -> float:
    """Sigma [px] of the edges between squares, in the softer of the two directions.

    Across an edge of height A blurred by sigma the steepest slope is A / (sigma sqrt(2 pi)).
    """
    import cv2

    place = {int(n): c for n, c in zip(seen.numbers, seen.pixels, strict=True)}
    across, reach = spec.columns - 1, 1.8 / spec.square
    softest = 0.0
    for step, side in ((1, across), (across, 1)):
        found = []
        for n, a in place.items():
            b, c = place.get(n + step), place.get(n + side)
            if b is None or c is None or (step == 1 and (n + 1) % across == 0):
                continue
            run = np.linspace(-reach, reach, 41)
            line = (a + b) / 2.0 + run[:, None] * (c - a)
            u, v = line[:, 0].astype(np.float32), line[:, 1].astype(np.float32)
            profile = cv2.remap(grey, u[None], v[None], cv2.INTER_LINEAR)[0].astype(float)
            spacing = float(np.linalg.norm(c - a)) * (run[1] - run[0])
            slope = float(np.max(np.abs(np.gradient(profile, spacing))))
            found.append(np.ptp(profile) / max(slope, 1e-6) / np.sqrt(2.0 * np.pi))
        if found:
            softest = max(softest, float(np.median(found)))
    return softest


def _strip(grey: NDArray[np.uint8], shrink: float, strip: int, found: Any, spec: Spec) -> Any:
    """Corners of one strip, detected on the reduced picture and placed on the full one."""
    import cv2

    board = cv2.aruco.CharucoDetector(_charuco(spec, strip))
    small, corners, ids = found
    where, numbers, _, _ = board.detectBoard(small, markerCorners=corners, markerIds=ids)
    if numbers is None or len(numbers) < MIN_CORNERS:
        return None
    numbers = np.asarray(numbers, np.int64).ravel()
    # the centre of a pixel block, not its first pixel, carries the reduced coordinate
    start = (np.asarray(where, np.float64).reshape(-1, 2) + 0.5) * shrink - 0.5
    placed = _refine(grey, start, _pitch(numbers, start, spec))
    good = np.isfinite(placed[:, 0])
    if good.sum() < MIN_CORNERS:
        return None
    return StripSeen(strip, numbers[good], spec.corner(numbers[good]), placed[good])


def find(photo: Photo, spec: Spec = SPEC) -> Sightings:
    """Find the strips in a photo; refused with a reason when the photo cannot be used."""
    import cv2

    grey: NDArray[np.uint8] = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY), np.uint8)
    place = Place(photo.name or None)
    strips: list[StripSeen] = []
    # markers are recognised on a reduced picture, four times faster; the full one if that fails,
    # and a small one in which a blurred marker can still be read, so that blur is named as such
    longest = max(photo.size)
    for shrink in dict.fromkeys((max(1.0, longest / 2200.0), 1.0, longest / 1100.0)):
        size = (round(photo.size[0] / shrink), round(photo.size[1] / shrink))
        small = grey
        if shrink > 1.0:
            small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
        corners, ids = _markers(small)
        if ids is None or len(ids) == 0:
            continue
        _refuse_twins(corners, ids, photo.name)
        found = (small, corners, ids)
        seen = [_strip(grey, photo.size[0] / size[0], n, found, spec) for n in range(spec.strips)]
        strips = max(strips, [strip for strip in seen if strip is not None], key=len)
        if len(strips) == spec.strips:
            break
    if not strips:
        raise ValueRefused(
            "the reference board is not seen in the picture, or not sharp enough to be read",
            place,
            advice=BETTER,
        )
    pitch = float(np.median([_pitch(s.numbers, s.pixels, spec) for s in strips]))
    scale = spec.square / pitch
    blur = max(_blur(grey, s, spec) for s in strips)
    if blur > BLUR_LIMIT_PIXELS or blur * scale > BLUR_LIMIT:
        raise ValueRefused(
            f"the picture is blurred: an edge is {2.4 * blur:.1f} pixels"
            f" ({2.4 * blur * scale:.2f} mm) wide",
            place,
            advice="wipe the lens, tap the part to focus, rest the hands, take more light",
        )
    notes = list(photo.notes)
    if blur > BLUR_NOTED:
        notes.append(
            f"the picture is a little blurred, an edge is {2.4 * blur * scale:.2f} mm wide:"
            " rest the hands and take it again where it matters"
        )
    if len(strips) < spec.strips:
        name = "AB"[1 - strips[0].strip]
        notes.append(f"strip {name} is not seen; errors grow away from the one that is")
    return Sightings(
        tuple(strips), photo.size, photo.focal_guess, blur, scale, tuple(notes), photo.name
    )
