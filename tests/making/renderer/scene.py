"""What is photographed and how: one frozen record, made by hand or drawn from a seed."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from renderer.part import Part, flange

STRIP_W, STRIP_H = 255.0, 75.0  # [mm] of the chequered area as designed


@dataclass(frozen=True)
class Scene:
    """Table frame: origin in the middle of the part, x right, y up, strips at z = 0 [mm, rad]."""

    part: Part
    seed: int = 0
    size: tuple[int, int] = (4000, 3000)
    face_height: float = 8.0  # of the traced face above the strips
    thickness: float = 8.0  # of the part: the table lies at face_height - thickness
    chamfer: float = 0.0
    material: str = "metal"  # or "gasket"
    ground: tuple[float, float, float] = (0.10, 0.11, 0.12)  # linear blue, green, red
    tilt: float = math.radians(12.0)
    azimuth: float = 0.6
    roll: float = 0.02
    distance: float | None = None  # from the camera to the aim; None: the scene fills the frame
    aim: tuple[float, float] = (0.0, 0.0)
    focal: float = 0.76  # of the longer side
    centre: tuple[float, float] = (0.001, -0.002)  # principal point, of the longer side
    k1: float = 0.03
    k2: float = -0.02
    blur: float = 0.9  # [px] sigma
    motion: tuple[float, float] = (0.0, 0.0)  # [px]
    noise: float = 0.006  # of a half-bright pixel
    sharpen: float = 0.35
    jpeg: int = 90
    shadow: float = 0.5
    light: tuple[float, float] = (0.5, 0.4)  # shift of a shadow per height
    glare: float = 0.0  # strength of a burnt-out spot on the face
    curl: float = 0.0  # [mm] the ends of the strips stand up
    lift: tuple[float, float] = (0.0, 0.0)  # [mm] height of strip A and B above z = 0
    printer: tuple[float, float] = (1.0, 1.0)  # true over nominal size, along and across
    strips: tuple[tuple[float, float, float, int], ...] = ()  # x, y, angle, id; () as "around"
    told_focal: float = 1.0  # focal length in the file's data over the true one; 0: none
    textures: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def lies(self) -> tuple[tuple[float, float, float, int], ...]:
        """Lower left corner and angle of every strip, with its id."""
        return self.strips or around(self.part, self.seed)

    def board_from_part(self, points: NDArray[np.float64], strip: int = 0) -> NDArray[np.float64]:
        """Points of the part in the frame of a strip, where the solver works."""
        x, y, angle, _ = next(lie for lie in self.lies if lie[3] == strip)
        moved = np.asarray(points, np.float64) - [x, y]
        c, s = math.cos(angle), math.sin(angle)
        return np.stack([c * moved[:, 0] + s * moved[:, 1], c * moved[:, 1] - s * moved[:, 0]], 1)

    @property
    def check_lengths(self) -> tuple[float, float]:
        """What an exact rule reads on the two check lines."""
        return 250.0 * self.printer[0], 180.0 * self.printer[1]

    def readings(
        self, sigma: float = 0.08, depth: float = 0.05
    ) -> tuple[tuple[float, float], float]:
        """What a builder reads on the two check lines and as the face's height, with errors."""
        random = np.random.default_rng(self.seed + 4000)
        along, across = self.check_lengths
        lengths = (along + random.normal(0.0, sigma), across + random.normal(0.0, sigma))
        height = self.face_height + (random.normal(0.0, depth) if self.face_height else 0.0)
        return lengths, float(height)


def _lie(x: float, y: float, angle: float, strip: int) -> tuple[float, float, float, int]:
    """From the middle of a strip to its lower left corner."""
    c, s = math.cos(angle), math.sin(angle)
    dx, dy = -STRIP_W / 2.0, -STRIP_H / 2.0
    return x + c * dx - s * dy, y + s * dx + c * dy, angle, strip


def around(part: Part, seed: int) -> tuple[tuple[float, float, float, int], ...]:
    """One strip above the part and one below, laid by hand."""
    random = np.random.default_rng(seed + 7000)
    away = part.reach[1] + STRIP_H / 2.0 + 20.0
    return tuple(
        _lie(random.uniform(-8, 8), sign * (away + random.uniform(0, 4)),
             random.normal(0.0, 0.02), n)
        for n, sign in enumerate((1.0, -1.0))
    )  # fmt: skip


def beside(part: Part, seed: int) -> tuple[tuple[float, float, float, int], ...]:
    """The uncut print on one side of the part."""
    random = np.random.default_rng(seed + 7000)
    angle = random.normal(0.0, 0.02)
    y = part.reach[1] + 16.0 + STRIP_H / 2.0
    gap = STRIP_H + 8.0
    return (
        _lie(-gap * math.sin(angle), y + gap * math.cos(angle), angle, 0),
        _lie(0.0, y, angle, 1),
    )


def seeded(seed: int, part: Part | None = None, max_tilt: float = 25.0, **options: Any) -> Scene:
    """A scene drawn from its seed; ``options`` overrule what was drawn."""
    random = np.random.default_rng(seed + 1000)
    uniform = random.uniform
    drawn = Scene(
        part if part is not None else flange(seed),
        seed=seed,
        tilt=math.radians(uniform(5.0, max_tilt)),
        azimuth=uniform(0.0, 2.0 * math.pi),
        roll=uniform(-0.1, 0.1),
        focal=uniform(0.70, 0.85),
        centre=(uniform(-0.004, 0.004), uniform(-0.004, 0.004)),
        k1=uniform(-0.06, 0.10),
        k2=uniform(-0.10, 0.04),
        blur=uniform(0.7, 1.25),
        motion=(uniform(-0.7, 0.7), uniform(-0.7, 0.7)),
        noise=uniform(0.003, 0.010),
        sharpen=uniform(0.2, 0.6),
        jpeg=int(uniform(86, 95)),
        shadow=uniform(0.3, 0.7),
        light=(uniform(-0.8, 0.8), uniform(-0.8, 0.8)),
        told_focal=math.exp(random.normal(0.0, 0.03)),
        ground=tuple(uniform(0.05, 0.16) * np.array([0.9, 1.0, 1.15])),
    )
    if options.get("material") == "gasket":
        options = {"ground": (0.75, 0.78, 0.80), "face_height": 1.6, "thickness": 1.6} | options
    return replace(drawn, **options)
