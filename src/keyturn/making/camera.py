"""Lens and pose of one to five photos from the corners of the strips, all at once.

Own bundle adjustment: focal length, principal point and two radial terms for every size of
picture, one pose for every photo, and where the second strip lies beside the first. The lens is
always solved for: leaving it out costs a millimetre and hardly shows in the residual.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keyturn.errors import Place, ValueRefused
from keyturn.making import flatness, lens
from keyturn.making.board import SPEC, Sightings, Spec
from keyturn.making.bundle import Layout, Problem, adjust, first_guess, layout_of
from keyturn.making.lens import Numbers

MAX_PHOTOS = 5
TILT_LIMIT = np.radians(42.0)
TILT_NOTE = np.radians(30.0)
RESIDUAL_LIMIT = 0.18  # [px] at 12 megapixels: flat boards stay below 0.13, bent by 1 mm above 0.24
CHECK_SIGMA = 0.08  # [mm] of one reading of a check line with a steel rule or long callipers
UNCHECKED_SIGMA = 0.003  # [-] of a printer's scale that nobody measured
NOISE = 0.03  # [px] of a corner at the least
WIDER = 1.2  # noise over the residual: for the unknowns solved, and what the lens model leaves out
FLAT_NOISE = 0.06  # [px] of a corner when a board is to be called bent

FLAT = (
    "glue the strips to glass, a tile or stiff board, lay them on the same flat table as the part,"
    " and take the photo again"
)
GUESS_SIGMA, NO_GUESS_SIGMA, NO_GUESS = 0.03, 0.30, 0.75  # of log focal; x the longer side


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
    scale_steps: Numbers  # (2, n) change of the unknowns for one sigma of the scale along x, y
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


def _refuse_steep(seen: Sequence[Sightings], tilts: Sequence[float]) -> None:
    for photo, tilt in zip(seen, tilts, strict=True):
        if tilt > TILT_LIMIT:
            raise ValueRefused(
                f"the photo is taken at a slant of {np.degrees(tilt):.0f} degrees",
                Place(photo.name or None),
                accepted=f"at most {np.degrees(TILT_LIMIT):.0f}, better 10 to 25 degrees",
                advice="hold the camera nearly straight above the part and take it again",
            )


def _refuse_residual(seen: Sequence[Sightings], residuals: Sequence[float]) -> None:
    """What no shape of the board explains: a moved strip, a wrong print, a strange lens."""
    for photo, residual in zip(seen, residuals, strict=True):
        limit = residual_limit(photo.size)
        if residual > limit:
            raise ValueRefused(
                "the board is bent, does not lie in one plane or was moved between the photos: its"
                f" corners miss a flat board by {residual:.2f} pixels"
                f" ({residual * photo.mm_per_pixel:.3f} mm)",
                Place(photo.name or None),
                accepted=f"at most {limit:.2f} pixels",
                advice=FLAT,
            )


def _refuse_bent(problem: Problem, unknowns: Numbers) -> None:
    """Refuse strips that are clearly bent or clearly at different heights."""
    layout = problem.layout
    found = flatness.departures(
        problem.jacobian(unknowns, FLAT_NOISE),
        problem.residuals(unknowns, FLAT_NOISE),
        lambda strip, shape, size: problem.residuals(unknowns, FLAT_NOISE, (strip, shape, size)),
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
        accepted=f"bent at most {flatness.MATTERS:g} mm, {flatness.STACKED:g} mm apart in height",
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


def _scale_steps(problem: Problem, unknowns: Numbers, noise: float, answer: Numbers) -> Numbers:
    """What lens and pose become when the print is one sigma larger along x, and along y.

    A print stretched one way looks like one that leans, so its scale does more than to stretch
    the part: it moves the camera, and a face above the board with it.
    """
    steps = []
    for name, sigma in zip(flatness.PRINT, problem.scale_sigma, strict=True):
        up, down = (
            problem.residuals(unknowns, noise, (problem.layout.base, name, sign * sigma))
            for sign in (1.0, -1.0)
        )
        steps.append(answer @ (up - down) / 2.0)
    return np.stack(steps)


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
    layout = layout_of(seen, spec)
    focals, sigmas = _focals(seen, layout)
    problem = Problem(seen, layout, scale, scale_sigma, tuple(focals), tuple(sigmas), spec)
    factors = (1.0,) if max(sigmas) == GUESS_SIGMA else (0.75, 1.0, 1.3)
    noise = NOISE
    found = min(
        (adjust(problem, first_guess(problem, factor), noise) for factor in factors),
        key=lambda one: float(one.cost),
    )
    residual = float(np.sqrt(np.mean(np.concatenate(problem.misses(found.x)) ** 2)))
    if WIDER * residual > NOISE:
        # otherwise a bent board would overrule what is known of the lens, and the covariance
        # would promise more than the corners show
        noise = WIDER * residual
        found = adjust(problem, found.x, noise)
    misses = problem.misses(found.x)
    residuals = tuple(float(np.sqrt(np.mean(m**2))) for m in misses)
    poses = [found.x[layout.pose(n)] for n in range(len(seen))]
    tilts = tuple(_tilt(pose) for pose in poses)
    _refuse_steep(seen, tilts)
    _refuse_bent(problem, found.x)
    _refuse_residual(seen, residuals)
    jacobian = problem.jacobian(found.x, noise)
    covariance = np.asarray(np.linalg.inv(jacobian.T @ jacobian), np.float64)
    return Cameras(
        layout,
        np.asarray(found.x, np.float64),
        covariance,
        float(np.sqrt(np.mean(np.concatenate(misses) ** 2))),
        residuals,
        tilts,
        (float(scale[0]), float(scale[1])),
        _scale_steps(problem, found.x, noise, -covariance @ jacobian.T),
        check_lengths is not None,
        tuple(p.mm_per_pixel for p in seen),
        _notes(seen, tilts, check_lengths is not None),
    )
