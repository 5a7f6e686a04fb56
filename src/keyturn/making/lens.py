"""Plain projection: a pin-hole with two radial terms, poses as rotation vectors [rad, mm, px]."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
INTRINSIC = 5  # log of the focal length, principal point x and y, k1, k2
POSE = 6  # rotation vector, translation


def rotation(vector: Numbers) -> Numbers:
    """Matrix of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    x, y, z = vector
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + cross)
    first, second = np.sin(angle) / angle, (1.0 - np.cos(angle)) / angle**2
    return np.asarray(np.eye(3) + first * cross + second * cross @ cross)


def project(intrinsic: Numbers, pose: Numbers, points: Numbers) -> Numbers:
    """Pixels of points (n, 3) [mm] of the board's frame: x right, y up, z towards the camera."""
    seen = points @ rotation(pose[:3]).T + pose[3:6]
    plane = seen[:, :2] / seen[:, 2:3]
    squared = np.sum(plane**2, axis=1, keepdims=True)
    bent = plane * (1.0 + squared * (intrinsic[3] + squared * intrinsic[4]))
    return np.asarray(np.exp(intrinsic[0]) * bent + intrinsic[1:3])


def rays(intrinsic: Numbers, pixels: Numbers) -> Numbers:
    """Directions (n, 3) in the camera's frame, third component 1; the radial terms undone."""
    bent = (pixels - intrinsic[1:3]) / np.exp(intrinsic[0])
    k1, k2 = intrinsic[3], intrinsic[4]
    far = np.linalg.norm(bent, axis=1, keepdims=True)
    radius = far.copy()
    for _ in range(8):  # Newton; three steps reach 1e-12 for any lens the bounds allow
        square = radius**2
        value = radius * (1.0 + square * (k1 + square * k2)) - far
        slope = np.maximum(1.0 + square * (3.0 * k1 + 5.0 * k2 * square), 0.1)
        radius = radius - value / slope
    plane = bent * np.where(far > 1e-12, radius / np.maximum(far, 1e-12), 1.0)
    return np.concatenate([plane, np.ones((len(plane), 1))], axis=1)


def camera_centre(pose: Numbers) -> Numbers:
    """Place of the camera in the board's frame [mm]."""
    return np.asarray(-rotation(pose[:3]).T @ pose[3:6])


def to_plane(intrinsic: Numbers, pose: Numbers, pixels: Numbers, height: float) -> Numbers:
    """Where the rays of pixels meet the plane z = height [mm], (n, 2)."""
    directions = rays(intrinsic, pixels) @ rotation(pose[:3])
    centre = camera_centre(pose)
    steps = (height - centre[2]) / directions[:, 2:3]
    return np.asarray(centre[:2] + steps * directions[:, :2])


def laid(points: Numbers, lie: Numbers) -> Numbers:
    """Points (n, 2) of a strip moved by (x, y, angle) into the board's plane z = 0, (n, 3)."""
    cosine, sine = np.cos(lie[2]), np.sin(lie[2])
    x = lie[0] + cosine * points[:, 0] - sine * points[:, 1]
    y = lie[1] + sine * points[:, 0] + cosine * points[:, 1]
    return np.stack([x, y, np.zeros_like(x)], axis=1)
