"""A photo laid onto the plane of the part's face, in millimetres and in linear light."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import Place, ValueRefused
from keyturn.making import lens
from keyturn.making.board import SPEC, Spec
from keyturn.making.camera import Cameras
from keyturn.making.lens import Numbers
from keyturn.making.photo import Photo

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
FINE, COARSE = 0.125, 0.2  # [mm] per pixel of the flat picture
STEP = 4  # the map to the photo is computed at every 4th pixel: bent less than 0.001 px between
BESIDE = 120.0  # [mm] kept around the strips; a part reaches no farther
MARGIN = 6.0  # [mm] of white paper cut with each strip
THICKNESS_SIGMA = 0.05  # [mm] of a thickness read with callipers
MAX_HEIGHT = 100.0  # [mm]
MAX_AREA = 40_000_000  # pixels of the flat picture


class Plane(Protocol):
    """How points of the flat picture [mm] relate to the picture they came from."""

    def to_photo(self, points: Numbers) -> Numbers:
        """Pixels of the upright photo, (n, 2), under points (n, 2) [mm] of the face."""

    def from_photo(self, pixels: Numbers) -> Numbers:
        """Points (n, 2) [mm] of the face under pixels (n, 2)."""

    def onto(self, points: Numbers, height: float) -> Numbers:
        """Same lines of sight, met at ``height`` [mm] above the board instead of at the face."""

    def shifts(self, points: Numbers) -> Numbers:
        """Shift (n, 2, k) [mm] of the points for one sigma of each of k causes common to all."""

    def wall(self, points: Numbers) -> float:
        """Width [mm] of the wall that is seen below points of the rim, on average; 0: not known."""


@dataclass(frozen=True)
class Flat:
    """A flat picture; row 0 is at the top, x runs with the columns and y against the rows."""

    image: Image  # linear luma 0 to 1
    colour: Image  # log of linear red over blue, half as sharp as the luma; 0 is grey
    valid: Mask  # inside the photo
    strips: Mask  # where the strips of the board lie
    mm_per_pixel: float
    origin: tuple[float, float]  # [mm] x, y of the centre of pixel row 0, column 0
    height: float  # [mm] of the face above the board
    plane: Plane
    source_mm_per_pixel: float  # of the photo or scan itself
    source_blur: float  # [px] sigma of edges in the source
    notes: tuple[str, ...] = ()

    def xy(self, columns: Numbers, rows: Numbers) -> Numbers:
        """Millimetres (n, 2) of fractional columns and rows."""
        x = self.origin[0] + self.mm_per_pixel * columns
        return np.stack([x, self.origin[1] - self.mm_per_pixel * rows], axis=-1)

    def pixel(self, points: Numbers) -> Numbers:
        """Fractional column and row, (n, 2), of points [mm]."""
        column = (points[..., 0] - self.origin[0]) / self.mm_per_pixel
        return np.stack([column, (self.origin[1] - points[..., 1]) / self.mm_per_pixel], axis=-1)


def linear_levels() -> Image:
    """Light of the 256 levels of sRGB (IEC 61966-2-1), 0 to 1."""
    level = np.arange(256) / 255.0
    light = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)


def rigid_removed(shifts: Numbers, points: Numbers, held: slice = slice(None)) -> Numbers:
    """Shifts (n, 2, k) of points (n, 2) without what moves and turns the ``held`` ones together."""
    centred = points - points[held].mean(axis=0)
    basis = np.zeros((len(points), 2, 3))
    basis[:, 0, 0] = basis[:, 1, 1] = 1.0
    basis[:, 0, 2], basis[:, 1, 2] = -centred[:, 1], centred[:, 0]
    count = shifts.shape[2]
    move = np.linalg.lstsq(
        basis[held].reshape(-1, 3), shifts[held].reshape(-1, count), rcond=None
    )[0]  # fmt: skip
    return np.asarray(shifts - basis @ move)


def covariance(
    planes: Sequence[Plane], points: Numbers, held: slice = slice(None), own: Numbers | None = None
) -> Numbers:
    """Covariance (n, 2, 2) [mm2] of points seen in one picture or in several together.

    What moves and turns the ``held`` points as one is left out: it changes no part. ``own`` is the
    sigma [mm] that each point has for itself along both axes.
    """
    shifts = np.mean([plane.shifts(points) for plane in planes], axis=0)
    if own is not None:
        alone = np.einsum("ij,ab->iajb", np.diag(own), np.eye(2)).reshape(len(own), 2, -1)
        shifts = np.concatenate([shifts, alone], axis=2)
    left = rigid_removed(shifts, points, held)
    return np.asarray(np.einsum("nik,njk->nij", left, left))


def larger_sigma(covariance: Numbers) -> Numbers:
    """Standard deviation along the longer axis of each ellipse (n, 2, 2)."""
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(covariance)[:, -1], 0.0)))


def radius_95(covariance: Numbers) -> Numbers:
    """Radius of the circle that holds a point with 95 %, (n,) from (n, 2, 2).

    1.960 sigma when the errors lie on a line, 2.448 when they are round; in between the exact
    factor (integral of the elliptic normal density) is followed within 0.01.
    """
    spread = np.sqrt(np.maximum(np.linalg.eigvalsh(covariance), 0.0))
    ratio = spread[:, 0] / np.maximum(spread[:, 1], 1e-12)
    return np.asarray((1.960 + 0.488 * ratio**2.5) * spread[:, 1])


@dataclass(frozen=True)
class PhotoPlane:
    """The plane of a face in a solved photo."""

    cameras: Cameras
    photo: int
    height: float
    thickness_sigma: float = THICKNESS_SIGMA

    def _at(self, points: Numbers, height: float) -> Numbers:
        return np.concatenate([points, np.full((len(points), 1), height)], axis=1)

    def to_photo(self, points: Numbers) -> Numbers:
        return self.cameras.project(self._at(points, self.height), self.photo)

    def from_photo(self, pixels: Numbers) -> Numbers:
        return self.cameras.to_plane(pixels, self.height, self.photo)

    def onto(self, points: Numbers, height: float) -> Numbers:
        centre = self.cameras.centre(self.photo)
        ratio = (centre[2] - height) / (centre[2] - self.height)
        return np.asarray(centre[:2] + ratio * (points - centre[:2]))

    def shifts(self, points: Numbers) -> Numbers:
        cameras, pixels, columns = self.cameras, self.to_photo(points), []
        lens_at = cameras.layout.intrinsic(self.photo)
        pose_at = cameras.layout.pose(self.photo)
        # the causes are those of all photos solved together, in the same order for each of them
        spread, turn = np.linalg.eigh(cameras.covariance)
        steps = (turn * np.sqrt(np.maximum(spread, 0.0))).T
        for step in (*steps, *cameras.scale_steps):
            up, down = cameras.unknowns + step, cameras.unknowns - step
            moved = [lens.to_plane(u[lens_at], u[pose_at], pixels, self.height) for u in (up, down)]
            columns.append((moved[0] - moved[1]) / 2.0)
        higher = cameras.to_plane(pixels, self.height + self.thickness_sigma, self.photo)
        columns.append(higher - points)
        return np.stack(columns, axis=2)

    def wall(self, points: Numbers) -> float:
        if self.height <= 0.0 or not len(points):
            return 0.0
        return float(np.mean(np.linalg.norm(self.onto(points, 0.0) - points, axis=1)))


def _frame(plane: PhotoPlane, size: tuple[int, int], spec: Spec) -> tuple[Numbers, Numbers]:
    """Lower left and upper right [mm] of what is worth flattening."""
    edge = np.linspace(0.0, 1.0, 9)
    ring = np.concatenate(
        [np.stack([edge, edge * 0 + n], 1) for n in (0.0, 1.0)]
        + [np.stack([edge * 0 + n, edge], 1) for n in (0.0, 1.0)]
    )
    seen = plane.from_photo(ring * (np.array(size) - 1.0))
    quads = np.concatenate(strip_quads(plane, spec))
    low = np.maximum(seen.min(0), quads.min(0) - BESIDE)
    high = np.minimum(seen.max(0), quads.max(0) + BESIDE)
    return low, high


def strip_quads(plane: PhotoPlane, spec: Spec = SPEC) -> list[Numbers]:
    """Corners (4, 2) of each strip with its paper, as they appear at the face's height [mm]."""
    cameras, quads = plane.cameras, []
    sx, sy = cameras.scale
    x0, x1 = -MARGIN, sx * spec.width + MARGIN
    y0, y1 = -MARGIN, sy * spec.height + MARGIN
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    for strip in (cameras.layout.base, *cameras.layout.strips):
        lie = cameras.layout.lie(strip)
        ground = lens.laid(corners, np.zeros(3) if lie is None else cameras.unknowns[lie])
        quads.append(plane.from_photo(cameras.project(ground, plane.photo)))
    return quads


def _map(plane: PhotoPlane, origin: Numbers, columns: int, rows: int, pixel: float) -> Image:
    """Photo pixel under every pixel of the flat picture, (rows, columns, 2) as float32."""
    import cv2

    # one node more on every side, so that none of the kept pixels is extrapolated
    nodes_x = np.arange(-1, math.ceil(columns / STEP) + 1)
    nodes_y = np.arange(-1, math.ceil(rows / STEP) + 1)
    x = origin[0] + pixel * ((nodes_x + 0.5) * STEP - 0.5)
    y = origin[1] - pixel * ((nodes_y + 0.5) * STEP - 0.5)
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    uv = plane.to_photo(grid.reshape(-1, 2)).reshape(grid.shape).astype(np.float32)
    size = (len(nodes_x) * STEP, len(nodes_y) * STEP)
    whole = cv2.resize(uv, size, interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(whole[STEP : STEP + rows, STEP : STEP + columns], np.float32)


def log_ratio(pixels: NDArray[np.uint8], u: Image, v: Image) -> Image:
    """Log of red over blue, at photo pixels ``u``, ``v``."""
    import cv2

    light = linear_levels() + np.float32(0.004)
    logs = np.log(light).astype(np.float32)
    ratio = cv2.LUT(pixels[:, :, 2], logs) - cv2.LUT(pixels[:, :, 0], logs)
    return np.asarray(cv2.remap(ratio, u, v, cv2.INTER_LINEAR), np.float32)


def luma(pixels: NDArray[np.uint8]) -> Image:
    """Linear light of the luma; the luma of a JPEG keeps full sharpness, its colours do not."""
    import cv2

    return np.asarray(cv2.LUT(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), linear_levels()))


def checked_height(height: float | None) -> float:
    """Thickness of the part [mm]; None says that the strips lie level with the traced face.

    A zero is refused: it is what an unanswered question looks like, and it costs millimetres.
    """
    if height is None:
        return 0.0
    if not math.isfinite(height) or not 0.0 < height <= MAX_HEIGHT:
        raise ValueRefused(
            f"a thickness of {height:g} mm cannot be",
            Place(key="thickness"),
            accepted=f"above 0 and at most {MAX_HEIGHT:.0f} mm: height of the traced face above"
            " the strips; or say that the strips lie level with the face",
            advice="measure from the table to the face with the callipers' depth rod",
        )
    return float(height)


def to_plane(
    photo: Photo,
    cameras: Cameras,
    n: int = 0,
    *,
    height: float | None,
    pixel: float | None = None,
    thickness_sigma: float = THICKNESS_SIGMA,
    blur: float = 1.0,
    spec: Spec = SPEC,
) -> Flat:
    """Lay photo ``n`` onto the plane ``height`` [mm] above the board; None is the board's own."""
    import cv2

    plane = PhotoPlane(cameras, n, checked_height(height), thickness_sigma)
    source = cameras.mm_per_pixel[n]
    pixel = pixel or (FINE if source < 0.22 else COARSE)
    low, high = _frame(plane, photo.size, spec)
    columns, rows = (int(v) for v in np.ceil((high - low) / pixel) + 1)
    if columns * rows > MAX_AREA:
        raise ValueRefused("the picture shows too large an area", advice="go closer to the part")
    origin = np.array([low[0], high[1]])
    uv = _map(plane, origin, columns, rows, pixel)
    u, v = uv[:, :, 0].copy(), uv[:, :, 1].copy()
    image = cv2.remap(luma(photo.pixels), u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    width, tall = photo.size
    valid = (u >= 0) & (v >= 0) & (u <= width - 1) & (v <= tall - 1)
    strips = np.zeros((rows, columns), np.uint8)
    for quad in strip_quads(plane, spec):
        place = np.stack([quad[:, 0] - origin[0], origin[1] - quad[:, 1]], 1) / pixel
        cv2.fillConvexPoly(strips, np.round(place).astype(np.int32), 1)
    return Flat(
        np.clip(image, 0.0, 1.0), log_ratio(photo.pixels, u, v), valid, strips > 0, pixel,
        (float(origin[0]), float(origin[1])), plane.height, plane, source, blur,
        (*photo.notes, *cameras.notes),
    )  # fmt: skip
