"""Rays from the camera through every pixel to face, chamfer, wall, paper or table."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from keyturn.making.board import SPEC
from renderer import film
from renderer.part import CELL, distance_grid
from renderer.scene import STRIP_H, STRIP_W, Scene

Plane = NDArray[np.float32]
BAND_ROWS = 384
PER_MM = 24  # texels of the strips: a module of 11/6 mm has 44, a square 360
PAPER = 6.0  # [mm] of white round each strip
NOISE = 1024  # side of the tile of noise
MATERIALS = {"metal": (0.46, 0.47, 0.48), "gasket": (0.06, 0.10, 0.17)}  # linear blue green red


@dataclass(frozen=True)
class Camera:
    rotation: NDArray[np.float64]  # table frame to camera
    place: NDArray[np.float64]  # of the camera in the table frame [mm]
    focal: float  # [px]
    centre: tuple[float, float]  # [px]


@dataclass(frozen=True)
class Taken:
    """The file as stored and the true camera."""

    data: bytes
    scene: Scene
    camera: Camera

    def pixels_of(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points (n, 3) of the table frame fall: the forward model, written on its own."""
        seen = (points - self.camera.place) @ self.camera.rotation.T
        x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
        r2 = x * x + y * y
        grow = self.camera.focal * (1.0 + self.scene.k1 * r2 + self.scene.k2 * r2 * r2)
        return np.stack([x * grow + self.camera.centre[0], y * grow + self.camera.centre[1]], 1)


def camera_of(scene: Scene) -> Camera:
    longest = max(scene.size)
    focal = scene.focal * longest
    sin, cos = math.sin(scene.tilt), math.cos(scene.tilt)
    back = np.array([sin * math.cos(scene.azimuth), sin * math.sin(scene.azimuth), cos])
    distance = scene.distance
    if distance is None:
        lies = np.array([lie[:2] for lie in scene.lies])
        tall = max(np.ptp(lies[:, 1]) + STRIP_H + 16.0, 2 * scene.part.reach[1] + 30.0)
        wide = max(2 * scene.part.reach[0] + 16.0, STRIP_W + 30.0)
        need = max(wide / scene.size[0], tall / scene.size[1])
        distance = focal * need * (1.06 + 0.55 * sin)
    aim = np.array([*scene.aim, scene.face_height])
    z = -back
    up = np.array([math.sin(scene.roll), math.cos(scene.roll), 0.0])
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    middle = [(n - 1) / 2.0 + c * longest for n, c in zip(scene.size, scene.centre, strict=True)]
    rotation = np.stack([x, y, z])
    return Camera(rotation, aim + distance * back, focal, (middle[0], middle[1]))


@cache
def strip_texture(strip: int, footprint: float) -> NDArray[np.uint8]:
    """Black 0, white 255, paper included, averaged over a pixel; row 0 is the upper edge."""
    edge = int(PAPER * PER_MM)
    wide, high = int(STRIP_W * PER_MM), int(STRIP_H * PER_MM)
    picture = np.full((high + 2 * edge, wide + 2 * edge), 255, np.uint8)
    square, gap, module = 15 * PER_MM, 2 * PER_MM, 44
    number = strip * 42
    for row in range(5):
        for column in range(17):
            y, x = edge + row * square, edge + column * square
            if (row + column) % 2 == 0:
                picture[y : y + square, x : x + square] = 0
                continue
            bits = SPEC.modules(number).astype(np.uint8) * 255
            number += 1
            block = np.kron(bits, np.ones((module, module), np.uint8))
            picture[y + gap : y + gap + 6 * module, x + gap : x + gap + 6 * module] = block
    side = max(3, 2 * round(footprint * PER_MM / 2.0) + 1)  # a box odd in texels shifts nothing
    return cv2.blur(picture, (side, side))


def _noise(seed: int, sigma: tuple[float, float]) -> Plane:
    random = np.random.default_rng(seed)
    wide = np.pad(random.standard_normal((NOISE, NOISE)), 64, mode="wrap").astype(np.float32)
    soft = cv2.GaussianBlur(wide, (0, 0), sigmaX=sigma[0], sigmaY=sigma[1])[64:-64, 64:-64]
    return soft / float(soft.std())


def _tile(noise: Plane, x: Plane, y: Plane, per_mm: float) -> Plane:
    return cv2.remap(noise, x * np.float32(per_mm) + 5000 % NOISE, y * np.float32(per_mm),
                     cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)  # fmt: skip


def _grown(scene: Scene) -> tuple[Plane, float]:
    """Table from distorted to plain radius (as a factor), the camera's bending undone."""
    plain = np.linspace(0.0, 1.6, 16001)
    bent = plain * (1.0 + scene.k1 * plain**2 + scene.k2 * plain**4)
    turn = int(np.argmax(np.diff(bent) <= 0)) or len(bent)
    bent, plain = bent[:turn], plain[:turn]
    limit = 1.2
    asked = np.linspace(0.0, limit, 8192)
    factor = np.interp(asked, bent, plain) / np.maximum(asked, 1e-9)
    factor[0] = 1.0
    return factor.astype(np.float32), 8191 / limit


class Stage:
    """Textures and distances of a scene, made once."""

    def __init__(self, scene: Scene) -> None:
        self.scene, self.camera = scene, camera_of(scene)
        self.grid, self.x0, self.y0 = distance_grid(scene.part)
        self.factor, self.per = _grown(scene)
        # rounded, so that photos from about the same distance share the drawing
        foot = round(float(np.linalg.norm(self.camera.place) / self.camera.focal), 2)
        self.strips = {n: strip_texture(n, foot) for n in {lie[3] for lie in scene.lies}}
        self.streak = _noise(scene.seed + 1, (30.0, 0.8))
        self.cloud = _noise(scene.seed + 2, (25.0, 25.0))
        self.grain = _noise(scene.seed + 3, (1.2, 1.2))

    def distance(self, x: Plane, y: Plane) -> Plane:
        u, v = (x - np.float32(self.x0)) / CELL, (y - np.float32(self.y0)) / CELL
        return cv2.remap(self.grid, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    def rays(self, first: int, last: int) -> tuple[Plane, Plane, Plane]:
        """Points on the plane z = 0 and the footprint [mm] of a pixel there."""
        c = self.camera
        u = ((np.arange(self.scene.size[0]) - c.centre[0]) / c.focal).astype(np.float32)
        v = ((np.arange(first, last) - c.centre[1]) / c.focal).astype(np.float32)
        radius = np.sqrt(u[None, :] ** 2 + v[:, None] ** 2)
        at = radius * np.float32(self.per)
        factor = cv2.remap(self.factor[None, :], at, np.zeros_like(at), cv2.INTER_LINEAR)
        x, y = u[None, :] * factor, v[:, None] * factor
        r = c.rotation.astype(np.float32)
        down = r[0, 2] * x + r[1, 2] * y + r[2, 2]
        step = np.float32(-c.place[2]) / down
        px = np.float32(c.place[0]) + step * (r[0, 0] * x + r[1, 0] * y + r[2, 0])
        py = np.float32(c.place[1]) + step * (r[0, 1] * x + r[1, 1] * y + r[2, 1])
        # a pixel covers step/focal across and, leaning, that over the cosine along
        lean = np.sqrt(np.abs(down))
        return px, py, step / np.float32(c.focal) / np.maximum(lean, 0.4)

    def at(self, px: Plane, py: Plane, height: float) -> tuple[Plane, Plane]:
        """The same rays at another height."""
        c = self.camera.place
        ratio = np.float32((c[2] - height) / c[2])
        x, y = np.float32(c[0]), np.float32(c[1])
        return x + ratio * (px - x), y + ratio * (py - y)

    def paper(self, px: Plane, py: Plane) -> tuple[Plane, Plane]:
        """Reflectance of the strips and how much of a pixel they cover."""
        shade, cover = np.zeros_like(px), np.zeros_like(px)
        scene = self.scene
        for n, (x0, y0, angle, strip) in enumerate(scene.lies):
            c, s = math.cos(angle), math.sin(angle)
            height = scene.lift[n] if n < 2 else 0.0
            x, y = self.at(px, py, height)
            for _ in range(3 if scene.curl else 1):
                u = (c * (x - x0) + s * (y - y0)) / scene.printer[0]
                v = (c * (y - y0) - s * (x - x0)) / scene.printer[1]
                if scene.curl:
                    up = height + scene.curl * np.clip(2.0 * u / STRIP_W - 1.0, -1.1, 1.1) ** 2
                    place = self.camera.place
                    ratio = ((place[2] - up) / place[2]).astype(np.float32)
                    x = np.float32(place[0]) + ratio * (px - np.float32(place[0]))
                    y = np.float32(place[1]) + ratio * (py - np.float32(place[1]))
            col = (u + PAPER) * PER_MM - 0.5
            row = (STRIP_H - v + PAPER) * PER_MM - 0.5
            inside = (u > -PAPER) & (u < STRIP_W + PAPER) & (v > -PAPER) & (v < STRIP_H + PAPER)
            if not inside.any():
                continue
            ink = cv2.remap(self.strips[strip], col.astype(np.float32), row.astype(np.float32),
                            cv2.INTER_LINEAR).astype(np.float32)  # fmt: skip
            shade = np.where(inside, 0.03 + ink * np.float32(0.77 / 255.0), shade)
            cover = np.where(inside, np.float32(1.0), cover)
        return shade, cover


def _soft(distance: Plane, width: float) -> Plane:
    return np.clip(0.5 - distance / np.float32(2.0 * width), 0.0, 1.0)


def _band(stage: Stage, first: int, last: int) -> NDArray[np.float32]:
    """Linear light of some rows."""
    scene = stage.scene
    px, py, foot = stage.rays(first, last)
    fx, fy = stage.at(px, py, scene.face_height)
    ground = scene.face_height - scene.thickness
    gx, gy = stage.at(px, py, ground) if ground else (px, py)
    top = stage.distance(fx, fy)
    face = np.clip(0.5 - (top + scene.chamfer) / foot, 0.0, 1.0)
    # material met first on the way down; where nearest material was decides wall or ground
    nearest, depth = top.copy(), np.zeros_like(top)
    rim = np.zeros_like(face)
    if scene.chamfer:
        cx, cy = stage.at(px, py, scene.face_height - scene.chamfer)
        rim = np.clip(0.5 - stage.distance(cx, cy) / foot, 0.0, 1.0)
    for part in (0.25, 0.5, 0.75, 1.0):
        x, y = fx + (gx - fx) * np.float32(part), fy + (gy - fy) * np.float32(part)
        here = stage.distance(x, y)
        depth += (nearest > 0) * np.float32(0.25)
        nearest = np.minimum(nearest, here)
    solid = np.maximum(np.clip(0.5 - nearest / foot, 0.0, 1.0), face)
    shade, cover = stage.paper(px, py)
    lx, ly = (np.float32(v * scene.thickness) for v in scene.light)
    dark = np.maximum(_soft(stage.distance(gx + lx * 0.5, gy + ly * 0.5), 1.0),
                      _soft(stage.distance(gx + lx, gy + ly), 1.5))  # fmt: skip
    contact = np.float32(0.35) * np.clip(1.0 - np.maximum(nearest, 0) / 3.0, 0.0, 1.0)
    lit = (1.0 - np.float32(scene.shadow) * dark) * (1.0 - contact)
    table = (1.0 + 0.10 * _tile(stage.grain, gx, gy, 3.0)) * (1.0 - cover) * lit
    metal = scene.material == "metal"
    streak = _tile(stage.streak, fx, fy, 4.0) * np.float32(0.05 if metal else 0.0)
    skin = 1.0 + streak + 0.06 * _tile(stage.cloud, fx, fy, 4.0)
    if not metal:
        skin += 0.12 * _tile(stage.grain, fx, fy, 3.0)
    if scene.glare:
        skin += np.float32(scene.glare) * np.exp(-((fx - 60) ** 2 + (fy - 45) ** 2) / 800.0)
    wall = np.float32(0.55) - 0.35 * depth
    colour, out = MATERIALS[scene.material], np.empty((*px.shape, 3), np.float32)
    part = skin * face + np.float32(1.25) * np.maximum(rim - face, 0.0)
    part += wall * np.maximum(solid - np.maximum(face, rim), 0.0)
    bare = 1.0 - np.maximum(solid, rim)
    strip = shade * cover * bare * np.minimum(lit + 0.15, 1.0)
    for n in range(3):
        light = np.float32(colour[n]) * part + np.float32(scene.ground[n]) * table * bare
        out[:, :, n] = light + strip
    slope = np.float32(0.12) * (px - py) / np.float32(300.0)
    return out * (1.0 + slope)[:, :, None]


def render(scene: Scene, orientation: int = 1, gps: bool = False) -> Taken:
    """The photo as a phone would store it."""
    stage = Stage(scene)
    width, height = scene.size
    light = np.empty((height, width, 3), np.float32)
    for first in range(0, height, BAND_ROWS):
        last = min(first + BAND_ROWS, height)
        light[first:last] = _band(stage, first, last)
    film.optics(light, scene.blur, scene.motion)
    film.sensor(light, scene.noise, scene.seed)
    pixels = film.tone(light, scene.sharpen)
    told = round(
        scene.told_focal
        * scene.focal
        * max(width, height)
        / math.hypot(width, height)
        * 43.2666
        * 1
    )
    # whole millimetres are all the tag holds: the guess carries their rounding too
    segment = film.exif(told, orientation, scene.size, gps)
    if orientation == 6:  # stored turned: the first row is the right-hand side
        pixels = np.ascontiguousarray(np.rot90(pixels))
        segment = film.exif(told, orientation, (height, width), gps)
    return Taken(film.stored(pixels, scene.jpeg, segment), scene, stage.camera)
