"""How much boost is lost, told from all pulls of a log at once, and what could not be told.

The pulls give what is missing below the model at some speeds. A car that is only otherwise than
its middle values (blower, belt ratio, efficiencies, the sensor) misses it with a pattern over speed
of its own: about alike everywhere. A slipping belt takes more the faster it runs, an opening more
the slower. The size of each loss is the generalised least squares fit of its pattern (Aitken,
1935), weighed by how the cars of the build and the errors below would scatter: so what the build
does not know of its blower widens the answer, and a loss is named only when it stands three of its
own sigmas from none. Against an earlier log of the same car what that car is cancels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.build.model import Build
from keyturn.evidence.forward import GRID, LOSSES, Losing
from keyturn.logs.derive import Derived
from keyturn.logs.frame import Samples
from keyturn.logs.stretches import Stretch
from keyturn.system import operating, parts
from keyturn.system.draws import Draws
from keyturn.system.result import CheckResult

POINTS = 10  # speeds at which the line is held, evenly from a third of the redline to it
LEAST_POINTS = 3
LEAST_SECONDS = 0.3  # in pulls at a point before it counts
BUILT_UP = 0.75  # [s] of a pull before boost is judged
CARS = 300  # draws of the build
NAMED = 3.0  # sigmas from none: one healthy car in seven hundred lies beyond
FOUND = 1.645  # sigmas more: a loss that large is named in 19 cars of 20
# 1 sigma each; engineering judgement, no printed source
SENSOR, SENSOR_SHARE = 3.0e3, 0.01  # [Pa] and share of the reading, alike at every speed
# of the pressure, by which the expected curve is bent over speed: of an engine and a blower that
# are only described, and of a curve that the builder logged
SHAPE, SHAPE_LOGGED = 0.03, 0.015
ALIKE = 0.25  # of the redline, over which that bend is alike
ROW = 5.0e2  # [Pa] left of the noise at a point
AGAIN, AGAIN_SHARE = 1.0e3, 0.015  # between two logs: the sensor, and weather and warmth
AGAIN_SHAPE = 0.005
PROBE = 4  # of GRID, a loss of 10 %: the pattern is taken there
KINDS = {"belt_slip": "belt slip", "charge_leak": "boost leak"}


@dataclass(frozen=True)
class Line:
    """What is missing below the model at full load over engine speed; arrays (points,)."""

    speed: Samples  # [1/s]
    expected: Samples  # [Pa] absolute, by the middle values of the build
    missing: Samples  # [Pa]; NaN where no pull went


@dataclass(frozen=True)
class Earlier:
    """The line of an earlier log of the same car."""

    name: str
    line: Line


@dataclass(frozen=True)
class Loss:
    """One kind of loss as a log shows it."""

    kind: str
    share: float  # of the blower's speed at the redline, or of the charge at half of it
    spread: float  # 1 sigma of that
    against: str | None  # the earlier log that it was told from; None: the model

    @property
    def sigmas(self) -> float:
        return self.share / self.spread

    @property
    def least(self) -> float:
        """The smallest share that would be named in 19 cars of 20."""
        return (NAMED + FOUND) * self.spread


def shown(build: Build, log: Derived) -> bool:
    """Whether this car has boost and this log the channels that show it at full load."""
    channels = {"engine_speed", "throttle", "manifold_pressure"}
    boosted = build.blower is not None or build.boost is not None
    return boosted and channels <= log.frame.channels.keys()


def line_of(
    build: Build, check: CheckResult, log: Derived, found: tuple[Stretch, ...]
) -> Line | None:
    """The line of a log; None where it cannot be drawn."""
    if not shown(build, log):
        return None
    pulling = pulling_rows(log, found)
    speed, manifold = log.frame["engine_speed"][pulling], log.frame["manifold_pressure"][pulling]
    top = build.engine.redline.si
    at = np.linspace(top / 3.0, top, POINTS)
    full = check.full_load
    expected = np.interp(at, full.engine_speed, full.manifold_pressure[1])
    off = np.interp(speed, full.engine_speed, full.manifold_pressure[1]) - manifold
    place = np.rint((speed - at[0]) / (at[1] - at[0])).astype(int)
    missing = np.full(POINTS, np.nan)
    for point in range(POINTS):
        there = off[(place == point) & np.isfinite(off)]
        if there.size >= max(2, LEAST_SECONDS * log.rate):
            missing[point] = float(there.mean())
    return Line(at, expected, missing) if np.isfinite(missing).sum() >= LEAST_POINTS else None


def pulling_rows(log: Derived, found: tuple[Stretch, ...]) -> NDArray[np.bool_]:
    """Rows of pulls in which boost has built up."""
    mask = np.zeros(len(log.frame), dtype=bool)
    for one in found:
        if one.kind == "pull":
            mask[one.first + round(BUILT_UP * log.rate) : one.last + 1] = True
    return mask


def losses(build: Build, line: Line, earlier: Earlier | None = None) -> tuple[Loss, ...]:
    """Size of every kind of loss that this build can have: by the model, and by an earlier log."""
    patterns = _patterns(build, line)
    rows = list(_fitted(patterns, line.missing, _cars(build, line), None))
    if earlier is not None and _like(line, earlier.line):
        less = line.missing - earlier.line.missing
        again = _errors(build, line, AGAIN, AGAIN_SHARE, AGAIN_SHAPE)
        rows += _fitted(patterns, less, again, earlier.name)
    return tuple(rows)


def _like(line: Line, other: Line) -> bool:
    """Whether two lines were held against the same car as it is described."""
    same = line.speed.shape == other.speed.shape
    return same and bool(np.allclose(line.expected, other.expected, rtol=1e-6))


def _fitted(
    patterns: dict[str, Samples], missing: Samples, covariance: Samples, against: str | None
) -> Iterator[Loss]:
    there = np.isfinite(missing)
    if there.sum() < LEAST_POINTS:
        return
    weight = np.linalg.inv(covariance[np.ix_(there, there)])
    for name, pattern in patterns.items():
        part = pattern[there]
        known = float(part @ weight @ part)
        if known > 0.0:
            share = float(part @ weight @ missing[there]) / known
            yield Loss(KINDS[name], share, known**-0.5, against)


def _patterns(build: Build, line: Line) -> dict[str, Samples]:
    """Pressure missing at each point for a whole loss [Pa], from a small one."""
    liquid = parts.fluid(build, Draws(build, 0, np.random.default_rng(0)))
    found = {}
    for name, fault in LOSSES.items():
        if name == "belt_slip" and build.blower is None:
            continue
        full = operating.full_load(build, Losing(build, fault), liquid)
        shape = (GRID.size, full.engine_speed.size)
        pressure = np.broadcast_to(full.air.manifold_pressure, shape)
        gone = (pressure[0] - pressure[PROBE]) / GRID[PROBE, 0]
        found[name] = np.interp(line.speed, full.engine_speed, gone)
    return found


def _cars(build: Build, line: Line) -> Samples:
    """How the lines of healthy cars of this build scatter, with sensor and model [Pa2]."""
    draws = Draws(build, CARS, np.random.default_rng(0))
    full = operating.full_load(build, draws, parts.fluid(build, draws))
    pressure = np.broadcast_to(full.air.manifold_pressure[1:], (CARS, full.engine_speed.size))
    cars = np.array([np.interp(line.speed, full.engine_speed, row) for row in pressure])
    own = np.atleast_2d(np.cov(cars.T))
    bent = SHAPE if build.blower is not None else SHAPE_LOGGED
    return own + _errors(build, line, SENSOR, SENSOR_SHARE, bent)


def _errors(build: Build, line: Line, alike: float, share: float, bent: float) -> Samples:
    """Of sensor and curve: ``alike`` [Pa] at every speed, as a share, and as a bend [Pa2]."""
    apart = np.abs(line.speed[:, None] - line.speed) / (ALIKE * build.engine.redline.si)
    squares = np.outer(line.expected, line.expected)
    found: Samples = (
        alike**2
        + squares * (share**2 + bent**2 * np.exp(-apart))
        + np.eye(line.speed.size) * ROW**2
    )
    return found
