"""The bundle adjustment behind ``camera``: unknowns, residuals, first guess, solution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from keyturn.errors import Place, ValueRefused
from keyturn.making import flatness, lens
from keyturn.making.board import Sightings, Spec, StripSeen
from keyturn.making.lens import INTRINSIC, POSE, Numbers

CENTRE_SIGMA, K1_SIGMA, K2_SIGMA = 0.006, 0.08, 0.10  # of picture length, [-], [-]
Bent = tuple[int, str, float] | None  # strip, shape, size [mm] of a departure from flat


@dataclass(frozen=True)
class Layout:
    """Where each number stands in the vector of unknowns."""

    sizes: tuple[tuple[int, int], ...]  # one lens for every size of picture
    lens_of: tuple[int, ...]  # by photo
    base: int  # the strip that makes the frame
    strips: tuple[int, ...]  # the others that lie somewhere beside it

    def intrinsic(self, photo: int) -> slice:
        return slice(INTRINSIC * self.lens_of[photo], INTRINSIC * (self.lens_of[photo] + 1))

    def lie(self, strip: int) -> slice | None:
        if strip == self.base:
            return None
        start = INTRINSIC * len(self.sizes) + 3 * self.strips.index(strip)
        return slice(start, start + 3)

    def pose(self, photo: int) -> slice:
        start = INTRINSIC * len(self.sizes) + 3 * len(self.strips) + POSE * photo
        return slice(start, start + POSE)

    @property
    def count(self) -> int:
        return int(self.pose(len(self.lens_of)).start)


@dataclass(frozen=True)
class Problem:
    """Everything the residuals need."""

    seen: Sequence[Sightings]
    layout: Layout
    scale: Numbers
    scale_sigma: Numbers
    start_focal: tuple[float, ...]  # by size of picture
    focal_sigma: tuple[float, ...]
    spec: Spec

    def pixels(self, unknowns: Numbers, photo: int, strip: StripSeen, bent: Bent) -> Numbers:
        lie = self.layout.lie(strip.strip)
        where = np.zeros(3) if lie is None else unknowns[lie]
        scale = self.scale
        if bent is not None and bent[1] in flatness.PRINT:
            scale = scale * (1.0 + bent[2] * np.array([name == bent[1] for name in flatness.PRINT]))
        points = lens.laid(strip.nominal * scale, where)
        if bent is not None and bent[0] == strip.strip and bent[1] not in flatness.PRINT:
            s, t = (2.0 * strip.nominal / [self.spec.width, self.spec.height] - 1.0).T
            points[:, 2] += bent[2] * flatness.shape_of(bent[1], s, t)
        intrinsic, pose = unknowns[self.layout.intrinsic(photo)], unknowns[self.layout.pose(photo)]
        return lens.project(intrinsic, pose, points)

    def misses_of(self, unknowns: Numbers, photo: int, bent: Bent) -> Numbers:
        """Pixel differences of one photo, flat."""
        strips = self.seen[photo].strips
        rows = [(self.pixels(unknowns, photo, s, bent) - s.pixels).ravel() for s in strips]
        return np.concatenate(rows)

    def misses(self, unknowns: Numbers, bent: Bent = None) -> list[Numbers]:
        """Pixel differences by photo."""
        return [self.misses_of(unknowns, n, bent) for n in range(len(self.seen))]

    def priors(self, unknowns: Numbers) -> Numbers:
        rows = []
        for n, (width, height) in enumerate(self.layout.sizes):
            f, cx, cy, k1, k2 = unknowns[INTRINSIC * n : INTRINSIC * (n + 1)]
            loose = CENTRE_SIGMA * max(width, height)
            rows += [
                (f - np.log(self.start_focal[n])) / self.focal_sigma[n],
                (cx - (width - 1) / 2.0) / loose, (cy - (height - 1) / 2.0) / loose,
                k1 / K1_SIGMA, k2 / K2_SIGMA,
            ]  # fmt: skip
        return np.array(rows)

    def residuals(self, unknowns: Numbers, noise: float, bent: Bent = None) -> Numbers:
        misses = self.misses(unknowns, bent)
        return np.concatenate([*(m / noise for m in misses), self.priors(unknowns)])

    def steps(self) -> Numbers:
        """Step of each unknown for differences: about 0.05 px of shift."""
        steps = np.full(self.layout.count, 1e-5)
        for n in range(len(self.layout.sizes)):
            steps[INTRINSIC * n + 1 : INTRINSIC * n + 3] = 0.05
        for strip in self.layout.strips:
            start = self.layout.lie(strip)
            steps[start.start : start.start + 2] = 1e-2  # type: ignore[union-attr]
        for n in range(len(self.seen)):
            start = self.layout.pose(n)
            steps[start.start + 3 : start.stop] = 1e-2
        return steps

    def jacobian(self, unknowns: Numbers, noise: float) -> Numbers:
        counts = [2 * sum(len(s.numbers) for s in photo.strips) for photo in self.seen]
        ends = np.cumsum([0, *counts])
        whole = np.zeros((int(ends[-1]) + INTRINSIC * len(self.layout.sizes), len(unknowns)))
        poses = [self.layout.pose(n) for n in range(len(self.seen))]
        for n, step in enumerate(self.steps()):
            up, down = unknowns.copy(), unknowns.copy()
            up[n] += step
            down[n] -= step
            for k, pose in enumerate(poses):
                if n >= poses[0].start and not pose.start <= n < pose.stop:
                    continue  # a pose moves the corners of its own photo only
                shift = self.misses_of(up, k, None) - self.misses_of(down, k, None)
                whole[ends[k] : ends[k + 1], n] = shift / (2.0 * step * noise)
            if n < poses[0].start:
                whole[ends[-1] :, n] = (self.priors(up) - self.priors(down)) / (2.0 * step)
        return whole


def layout_of(seen: Sequence[Sightings], spec: Spec) -> Layout:
    sizes = tuple(dict.fromkeys(photo.size for photo in seen))
    votes = {n: sum(n in {s.strip for s in p.strips} for p in seen) for n in range(spec.strips)}
    base = max(votes, key=lambda n: (votes[n], -n))
    joined = {base}
    for _ in range(spec.strips):  # strips are placed through photos that show two of them
        for photo in seen:
            here = {s.strip for s in photo.strips}
            joined |= here if here & joined else set()
    for photo in seen:
        if not {s.strip for s in photo.strips} & joined:
            raise ValueRefused(
                "no photo shows both strips, so their places cannot be joined",
                Place(photo.name or None),
                advice="take one photo with all of strip A and strip B in it",
            )
    return Layout(sizes, tuple(sizes.index(p.size) for p in seen), base, tuple(joined - {base}))


def _first_pose(problem: Problem, photo: int, strip: StripSeen, focal: float) -> Numbers:
    """Pose of one strip on its own, the lens taken as plain."""
    import cv2

    width, height = problem.seen[photo].size
    inner = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    points = lens.laid(strip.nominal * problem.scale, np.zeros(3))
    _, turns, shifts, faults = cv2.solvePnPGeneric(
        points, strip.pixels.reshape(-1, 1, 2), inner, np.zeros(4), flags=cv2.SOLVEPNP_IPPE
    )
    best = int(np.argmin(np.ravel(faults)))
    return np.concatenate([np.ravel(turns[best]), np.ravel(shifts[best])]).astype(np.float64)


def _vector(matrix: Numbers) -> Numbers:
    import cv2

    return np.asarray(cv2.Rodrigues(matrix)[0], np.float64).ravel()


def first_guess(problem: Problem, factor: float) -> Numbers:
    """First guess: each strip's own pose, joined through photos that show two."""
    layout = problem.layout
    unknowns = np.zeros(layout.count)
    for n, (width, height) in enumerate(layout.sizes):
        focal = problem.start_focal[n] * factor
        unknowns[INTRINSIC * n : INTRINSIC * n + 3] = (
            np.log(focal),
            (width - 1) / 2,
            (height - 1) / 2,
        )
    alone = [
        {
            s.strip: _first_pose(problem, n, s, np.exp(unknowns[layout.intrinsic(n)][0]))
            for s in photo.strips
        }
        for n, photo in enumerate(problem.seen)
    ]
    lies: dict[int, Numbers] = {layout.base: np.zeros(3)}
    for _ in layout.strips:
        for poses in alone:
            known = next((s for s in poses if s in lies), None)
            for strip in poses.keys() - lies.keys() if known is not None else ():
                a, b = poses[known], poses[strip]  # type: ignore[index]
                turn = lens.rotation(a[:3]).T @ lens.rotation(b[:3])
                shift = lens.rotation(a[:3]).T @ (b[3:] - a[3:])
                angle = np.arctan2(turn[1, 0] - turn[0, 1], turn[0, 0] + turn[1, 1])
                here = np.array([[shift[0], shift[1]]])
                moved = lens.laid(here, lies[known])[0]  # type: ignore[index]
                lies[strip] = np.array([*moved[:2], angle + lies[known][2]])  # type: ignore[index]
    for strip in layout.strips:
        unknowns[layout.lie(strip)] = lies[strip]
    for n, (photo, poses) in enumerate(zip(problem.seen, alone, strict=True)):
        strip = max(photo.strips, key=lambda s: len(s.numbers)).strip
        x, y, angle = lies[strip]
        turn = lens.rotation(poses[strip][:3]) @ lens.rotation(np.array([0.0, 0.0, -angle]))
        shift = poses[strip][3:] - turn @ np.array([x, y, 0.0])
        unknowns[layout.pose(n)] = np.concatenate([_vector(turn), shift])
    return unknowns


def adjust(problem: Problem, start: Numbers, noise: float) -> Any:
    from scipy.optimize import least_squares

    return least_squares(
        lambda u: problem.residuals(u, noise), start, jac=lambda u: problem.jacobian(u, noise),
        loss="soft_l1", f_scale=3.0, x_scale="jac", max_nfev=80, xtol=1e-12, ftol=1e-10,
    )  # fmt: skip
