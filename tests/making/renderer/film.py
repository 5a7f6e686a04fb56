"""From light on the sensor to the file a phone stores."""

from __future__ import annotations

import struct

import cv2
import numpy as np
from numpy.typing import NDArray


def optics(light: NDArray[np.float32], blur: float, motion: tuple[float, float]) -> None:
    """Soft lens and shaking hand, in place."""
    cv2.GaussianBlur(light, (0, 0), blur, light)
    length = float(np.hypot(*motion))
    if length > 0.05:
        # a streak as five points; its second moment is that of an even streak
        kernel = np.zeros((17, 17), np.float32)
        for part in np.linspace(-0.5, 0.5, 5) * 0.9:
            x, y = 8 + part * motion[0], 8 + part * motion[1]
            i, j = int(np.floor(x)), int(np.floor(y))
            a, b = x - i, y - j
            block = np.outer([1 - b, b], [1 - a, a]).astype(np.float32)
            kernel[j : j + 2, i : i + 2] += block / 5.0
        cv2.filter2D(light, -1, kernel, light)


def sensor(light: NDArray[np.float32], noise: float, seed: int) -> None:
    """Shot and read noise, in place."""
    tile = cv2.randn  # fast generator with its own seed
    cv2.setRNGSeed(seed + 11)
    grain = np.empty_like(light)
    tile(grain, 0.0, 1.0)
    light += grain * noise * np.sqrt(np.maximum(light, 0.0) * 2.0 + 0.02)


def tone(light: NDArray[np.float32], sharpen: float) -> NDArray[np.uint8]:
    """Tone curve and sharpening of the phone."""
    steps = np.linspace(0.0, 1.0, 4096)
    curve = np.where(steps <= 0.0031308, 12.92 * steps, 1.055 * steps ** (1 / 2.4) - 0.055)
    table = (255.0 * curve).astype(np.float32)
    index = np.clip(light * 4095.0, 0, 4095).astype(np.uint16)
    toned = table[index]
    if sharpen:
        soft = cv2.GaussianBlur(toned, (0, 0), 1.2)
        toned += sharpen * (toned - soft)
    return np.clip(np.round(toned), 0, 255).astype(np.uint8)


def exif(
    focal_35: int, orientation: int = 1, size: tuple[int, int] = (0, 0), gps: bool = False
) -> bytes:
    """A small EXIF segment as cameras write it, big-endian."""
    private = [(0xA405, 3, struct.pack(">HH", focal_35, 0))] if focal_35 else []
    if size[0]:
        private = [
            (0xA002, 4, struct.pack(">I", size[0])),
            (0xA003, 4, struct.pack(">I", size[1])),
            *private,
        ]
    count = 2 + (1 if gps else 0)
    inner_at = 8 + 2 + 12 * count + 4
    inner = struct.pack(">H", len(private))
    inner += b"".join(struct.pack(">HHI", t, k, 1) + v for t, k, v in private) + bytes(4)
    entries = [
        struct.pack(">HHIHH", 0x0112, 3, 1, orientation, 0),
        struct.pack(">HHII", 0x8769, 4, 1, inner_at),
    ]
    tail = b""
    if gps:
        entries.append(struct.pack(">HHII", 0x8825, 4, 1, inner_at + len(inner)))
        tail = struct.pack(">H", 1) + struct.pack(">HHI", 1, 2, 2) + b"N\x00\x00\x00" + bytes(4)
    outer = struct.pack(">H", count) + b"".join(entries) + bytes(4)
    block = b"Exif\x00\x00MM\x00*" + struct.pack(">I", 8) + outer + inner + tail
    return b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block


def stored(pixels: NDArray[np.uint8], quality: int, segment: bytes = b"") -> bytes:
    """JPEG with halved colours, as phones store it, with an EXIF segment put in."""
    options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
               cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420]  # fmt: skip
    good, data = cv2.imencode(".jpg", pixels, options)
    assert good
    raw = data.tobytes()
    return raw[:2] + segment + raw[2:]
