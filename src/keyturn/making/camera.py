"""Lens and pose of one to five photos from the corners of the strips, all at once.

Own bundle adjustment: focal length, principal point and two radial terms for every size of
picture, one pose for every photo, and where the second strip lies beside the first. The lens is
always solved for: leaving it out costs a millimetre and hardly shows in the residual.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from keyturn.errors import Place, ValueRefused
from keyturn.making import flatness, lens
from keyturn.making.board import SPEC, Sightings, Spec, StripSeen
from keyturn.making.lens import INTRINSIC, POSE, Numbers

MAX_PHOTOS = 5
TILT_LIMIT = np.radians(42.0)
TILT_NOTE = np.radians(30.0)
RESIDUAL_LIMIT = 0.18  # [px] at 12 megapixels: flat boards stay below 0.13, curled ones above 0.24
CHECK_SIGMA = 0.08  # [mm] of one reading of a check line with a steel rule or long callipers
UNCHECKED_SIGMA = 0.003  # [-] of a printer's scale that nobody measured
NOISE = 0.06  # [px] assumed of a corner while solving; higher keeps the lens nearer to its prior

FLAT = (
    "glue the strips to glass, a tile or stiff board, lay them on the same flat table as the part,"
    " and take the photo again"
)
CENTRE_SIGMA, K1_SIGMA, K2_SIGMA = 0.006, 0.08, 0.10  # of picture length, [-], [-]
GUESS_SIGMA, NO_GUESS_SIGMA, NO_GUESS = 0.03, 0.30, 0.75  # of log focal; x the longer side

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
class Cameras:
    """The solved photos. ``unknowns`` in the order of ``layout``; ``covariance`` belongs to it."""

    layout: Layout
    unknowns: Numbers
    covariance: Numbers
    residual: float  # [px] rms over both axes, all photos
    residuals: tuple[float, ...]  # by photo
    tilts: tuple[float, ...]  # [rad] between the line of sight and the board's normal
    scale: tuple[float, float]  # measured / nominal check length along x, y
    scale_sigma: tuple[float, float]  # [-]
    scale_verified: bool
    mm_per_pixel: tuple[float, ...]
    notes: tuple[str, ...] = ()

    def intrinsic(self, photo: int = 0) -> Numbers:
        return self.unknowns[self.layout.intrinsic(photo)]

    def pose(self, photo: int = 0) -> Numbers:
        return self.unknowns[self.layout.pose(photo)]

    def focal(self, photo: int = 0) -> float:
        """Focal length [px]."""
        return float(np.exp(self.intrinsic(photo)[0]))

    def focal_sigma(self, photo: int = 0) -> float:
        """Relative standard deviation of the focal length [-]."""
        at = self.layout.intrinsic(photo).start
        return float(np.sqrt(self.covariance[at, at]))

    def project(self, points: Numbers, photo: int = 0) -> Numbers:
        """Pixels of points (n, 3) [mm]."""
        return lens.project(self.intrinsic(photo), self.pose(photo), points)

    def to_plane(self, pixels: Numbers, height: float, photo: int = 0) -> Numbers:
        """Points (n, 2) [mm] at ``height`` above the board under pixels (n, 2)."""
        return lens.to_plane(self.intrinsic(photo), self.pose(photo), pixels, height)

    def centre(self, photo: int = 0) -> Numbers:
        """Place of the camera [mm], z above the board."""
        return lens.camera_centre(self.pose(photo))


@dataclass(frozen=True)
class _Problem:
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


def _layout(seen: Sequence[Sightings], spec: Spec) -> Layout:
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


def _first_pose(problem: _Problem, photo: int, strip: StripSeen, focal: float) -> Numbers:
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


def _start(problem: _Problem, factor: float) -> Numbers:
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


def _adjust(problem: _Problem, start: Numbers, noise: float) -> Any:
    from scipy.optimize import least_squares

    return least_squares(
        lambda u: problem.residuals(u, noise), start, jac=lambda u: problem.jacobian(u, noise),
        loss="soft_l1", f_scale=3.0, x_scale="jac", max_nfev=80, xtol=1e-12, ftol=1e-10,
    )  # fmt: skip


def _scale(measured: tuple[float, float] | None, spec: Spec) -> tuple[Numbers, Numbers]:
    """Printer's scale along and across the strips with its sigma, from the two check lines."""
    nominal = np.array([spec.check_x, spec.check_y])
    if measured is None:
        return np.ones(2), np.full(2, UNCHECKED_SIGMA)
    lengths = np.array(measured, np.float64)
    if lengths.shape != (2,) or not np.all(np.isfinite(lengths)):
        raise ValueRefused(
            "two check lengths are needed, along and across the strips",
            Place(key="check"),
            typed=str(measured),
        )
    scale = lengths / nominal
    for value, length, was in zip(scale, lengths, nominal, strict=True):
        if not 0.97 < value < 1.03:
            inches = " (it looks like inches)" if abs(value * 25.4 - 1.0) < 0.03 else ""
            raise ValueRefused(
                f"a check length of {length:g} mm is far from the {was:g} mm drawn{inches}",
                Place(key="check"),
                accepted=f"{0.97 * was:.1f} to {1.03 * was:.1f} mm",
                advice="measure the printed line again, long line first, or print at 100 %",
            )
    return scale, CHECK_SIGMA / nominal


def residual_limit(size: tuple[int, int]) -> float:
    """Largest residual [px] of a flat board.

    Corners of small pictures are placed in fewer pixels and lose accuracy, so the limit grows.
    """
    megapixels = size[0] * size[1] / 1e6
    return float(RESIDUAL_LIMIT * max(1.0, np.sqrt(12.0 / megapixels)) ** 0.5)


def _tilt(pose: Numbers) -> float:
    return float(np.arccos(np.clip(abs(lens.rotation(pose[:3])[2, 2]), 0.0, 1.0)))


def _refusals(
    seen: Sequence[Sightings], residuals: Sequence[float], tilts: Sequence[float]
) -> None:
    for photo, residual, tilt in zip(seen, residuals, tilts, strict=True):
        place = Place(photo.name or None)
        if tilt > TILT_LIMIT:
            raise ValueRefused(
                f"the photo is taken at a slant of {np.degrees(tilt):.0f} degrees",
                place,
                accepted=f"at most {np.degrees(TILT_LIMIT):.0f}, better 10 to 25 degrees",
                advice="hold the camera nearly straight above the part and take it again",
            )
        limit = residual_limit(photo.size)
        if residual > limit:
            raise ValueRefused(
                f"the board is bent or does not lie in one plane: its corners miss a flat board by"
                f" {residual:.2f} pixels ({residual * photo.mm_per_pixel:.3f} mm)",
                place,
                accepted=f"at most {limit:.2f} pixels",
                advice=FLAT,
            )


def _refuse_bent(problem: _Problem, unknowns: Numbers) -> None:
    """Refuse strips that are clearly bent or clearly at different heights."""
    layout = problem.layout
    found = flatness.departures(
        problem.jacobian(unknowns, NOISE),
        problem.residuals(unknowns, NOISE),
        lambda strip, shape, size: problem.residuals(unknowns, NOISE, (strip, shape, size)),
        layout.base,
        layout.strips,
        problem.scale_sigma,
    )
    clear = [d for d in found if d.clear]
    if not clear:
        return
    worst = max(clear, key=lambda d: abs(d.size) / d.sigma)
    name = "AB"[worst.strip] if worst.strip < 2 else str(worst.strip)
    what = "is not in the plane of the other" if worst.shape in flatness.LIES else "is bent"
    raise ValueRefused(
        f"strip {name} {what}: {worst.shape} {abs(worst.size):.1f} mm"
        f" (+-{2.0 * worst.sigma:.1f}), which would shift holes by 0.1 to 3 mm",
        Place(next((p.name for p in problem.seen if p.name), None)),
        accepted=f"bent by at most {flatness.MATTERS:g} mm, {flatness.STACKED:g} mm apart in height",
        advice=FLAT,
    )


def _notes(seen: Sequence[Sightings], tilts: Sequence[float], verified: bool) -> tuple[str, ...]:
    notes = [f"{p.name}: {note}" if p.name else note for p in seen for note in p.notes]
    if not verified:
        notes.append("scale not verified: the two check lengths of the print were not measured")
    steep = max(tilts)
    if steep > TILT_NOTE:
        notes.append(f"slant of {np.degrees(steep):.0f} degrees: 10 to 25 measure better")
    if len(seen) == 1 and seen[0].focal_guess is None:
        notes.append("the picture does not tell its focal length: add two photos at other slants")
    return tuple(notes)


def _focals(seen: Sequence[Sightings], layout: Layout) -> tuple[list[float], list[float]]:
    focals, sigmas = [], []
    for n, size in enumerate(layout.sizes):
        told = [
            p.focal_guess
            for p, at in zip(seen, layout.lens_of, strict=True)
            if at == n and p.focal_guess is not None
        ]
        focals.append(float(np.median(told)) if told else NO_GUESS * max(size))
        sigmas.append(GUESS_SIGMA if told else NO_GUESS_SIGMA)
    return focals, sigmas


def solve(
    seen: Sequence[Sightings],
    check_lengths: tuple[float, float] | None,
    spec: Spec = SPEC,
) -> Cameras:
    """Solve lens and poses; refused with the reason when the photos cannot be trusted.

    ``check_lengths``: the two printed lines as measured [mm], along and across the strips.
    """
    if not 1 <= len(seen) <= MAX_PHOTOS:
        raise ValueRefused(f"{len(seen)} photos given", accepted=f"1 to {MAX_PHOTOS}")
    scale, scale_sigma = _scale(check_lengths, spec)
    layout = _layout(seen, spec)
    focals, sigmas = _focals(seen, layout)
    problem = _Problem(seen, layout, scale, scale_sigma, tuple(focals), tuple(sigmas), spec)
    factors = (1.0,) if max(sigmas) == GUESS_SIGMA else (0.75, 1.0, 1.3)
    noise = NOISE
    found = min(
        (_adjust(problem, _start(problem, factor), noise) for factor in factors),
        key=lambda one: float(one.cost),
    )
    residual = float(np.sqrt(np.mean(np.concatenate(problem.misses(found.x)) ** 2)))
    if residual > 0.12:
        # otherwise a bent board would overrule what is known of the lens
        noise = 1.5 * residual
        found = _adjust(problem, found.x, noise)
    misses = problem.misses(found.x)
    residuals = tuple(float(np.sqrt(np.mean(m**2))) for m in misses)
    poses = [found.x[layout.pose(n)] for n in range(len(seen))]
    tilts = tuple(_tilt(pose) for pose in poses)
    _refusals(seen, residuals, tilts)
    _refuse_bent(problem, found.x)
    jacobian = problem.jacobian(found.x, noise)
    return Cameras(
        layout,
        np.asarray(found.x, np.float64),
        np.asarray(np.linalg.inv(jacobian.T @ jacobian), np.float64),
        float(np.sqrt(np.mean(np.concatenate(misses) ** 2))),
        residuals,
        tilts,
        (float(scale[0]), float(scale[1])),
        (float(scale_sigma[0]), float(scale_sigma[1])),
        check_lengths is not None,
        tuple(p.mm_per_pixel for p in seen),
        _notes(seen, tilts, check_lengths is not None),
    )
