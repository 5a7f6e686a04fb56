"""A flatbed scan of a part face down on the glass: no perspective, but two scales of its own."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from renderer import film
from renderer.cast import MATERIALS, PAPER, PER_MM, strip_texture
from renderer.part import CELL, Part, distance_grid, throttle
from renderer.scene import STRIP_H, STRIP_W

Plane = NDArray[np.float32]
DPI = 300.0
GLASS = (210.0, 297.0)  # [mm]
WOBBLE_LENGTH = 15.0  # [mm] along the feed over which the carriage runs unevenly


@dataclass(frozen=True)
class Page:
    """Glass frame: x right, y up from its lower left corner, as the file shows it [mm, rad]."""

    part: Part
    seed: int
    material: str = "metal"  # on metal the lid stands open, behind a gasket it is white
    place: tuple[float, float] = (150.0, 150.0)  # of the middle of the part
    turn: float = 0.0
    scale: tuple[float, float] = (1.0, 1.0)  # true over stated, along the sensor and the feed
    wobble: float = 0.03  # [mm] sigma of the feed
    blur: float = 1.0  # [px]
    noise: float = 0.006
    sharpen: float = 0.2
    jpeg: int = 92
    shadow: float = 0.4  # of a gasket on the lid, beside it along the feed
    strip: tuple[float, float, float] = (95.0, 15.0, math.pi / 2.0)  # lower left corner, angle

    face_height = None  # what lies on the glass has no height
    check_lengths = (250.0, 180.0)  # [mm] as printed


def seeded_page(seed: int, material: str = "metal") -> Page:
    """A scan drawn from its seed; scale errors of common scanners, 0.07 and 0.15 % (one sigma)."""
    random = np.random.default_rng(seed + 3000)
    uniform = random.uniform
    return Page(
        throttle(seed), seed, material,
        place=(uniform(149.0, 153.0), uniform(70.0, 220.0)), turn=uniform(-0.08, 0.08),
        scale=(1.0 + random.normal(0.0, 7e-4), 1.0 + random.normal(0.0, 1.5e-3)),
        blur=uniform(0.8, 1.3), noise=uniform(0.003, 0.010), sharpen=uniform(0.0, 0.4),
        jpeg=int(uniform(88, 96)), shadow=uniform(0.2, 0.6),
        strip=(uniform(87.0, 91.0), uniform(12.0, 24.0), math.pi / 2.0 + random.normal(0.0, 0.01)),
    )  # fmt: skip


@cache
def _ink() -> NDArray[np.uint8]:
    return strip_texture(0, 0.085)


def _places(page: Page) -> tuple[Plane, Plane]:
    """Where on the glass every pixel looks."""
    pixel = 25.4 / DPI
    columns, rows = (round(side / pixel) for side in GLASS)
    random = np.random.default_rng(page.seed + 9)
    rough = cv2.GaussianBlur(random.standard_normal((rows, 1)), (1, 0), 1e-9,
                             sigmaY=WOBBLE_LENGTH / pixel)  # fmt: skip
    wobble = page.wobble * rough / rough.std()
    x = (np.arange(columns)[None, :] + 0.5) * pixel * page.scale[0]
    y = GLASS[1] - (np.arange(rows)[:, None] + 0.5) * pixel * page.scale[1] + wobble
    whole = np.zeros((rows, columns))
    return (x + whole).astype(np.float32), (y + whole).astype(np.float32)


def _turned(x: Plane, y: Plane, place: tuple[float, float], turn: float) -> tuple[Plane, Plane]:
    c, s = np.float32(math.cos(turn)), np.float32(math.sin(turn))
    dx, dy = x - np.float32(place[0]), y - np.float32(place[1])
    return c * dx + s * dy, c * dy - s * dx


def scan(page: Page) -> bytes:
    """The file a scanner stores."""
    x, y = _places(page)
    grid, x0, y0 = distance_grid(page.part)

    def distance(shift: float) -> Plane:
        u, v = _turned(x, y + np.float32(shift), page.place, page.turn)
        return cv2.remap(grid, (u - np.float32(x0)) / CELL, (v - np.float32(y0)) / CELL,
                         cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # fmt: skip

    cover = np.clip(0.5 - distance(0.0) * np.float32(DPI / 25.4), 0.0, 1.0)
    metal = page.material == "metal"
    ground = np.full_like(cover, 0.02 if metal else 0.80)
    if not metal:
        ground *= 1.0 - np.float32(page.shadow) * np.clip(0.5 - distance(0.8) / 1.6, 0.0, 1.0)
    u, v = _turned(x, y, page.strip[:2], page.strip[2])
    on_paper = (np.abs(u - STRIP_W / 2) < STRIP_W / 2 + PAPER) & (
        np.abs(v - STRIP_H / 2) < STRIP_H / 2 + PAPER
    )
    ink = cv2.remap(_ink(), (u + PAPER) * PER_MM - 0.5, (STRIP_H - v + PAPER) * PER_MM - 0.5,
                    cv2.INTER_LINEAR).astype(np.float32)  # fmt: skip
    ground = np.where(on_paper, 0.03 + ink * np.float32(0.77 / 255.0), ground)
    random = np.random.default_rng(page.seed + 5)
    skin = cv2.GaussianBlur(random.standard_normal(x.shape).astype(np.float32), (0, 0), 1.5)
    skin = 1.0 + skin / float(skin.std()) * np.float32(0.04 if metal else 0.12)
    light = np.empty((*x.shape, 3), np.float32)
    for n, colour in enumerate(MATERIALS[page.material]):
        light[:, :, n] = ground * (1.0 - cover) + np.float32(colour) * skin * cover
    film.optics(light, page.blur, (0.0, 0.0))
    film.sensor(light, page.noise, page.seed)
    return film.stored(film.tone(light, page.sharpen), page.jpeg)
