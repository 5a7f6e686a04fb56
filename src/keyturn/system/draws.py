"""Samples of everything that is uncertain in a build, and where each came from."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from keyturn.build.model import Build, Curve, Value
from keyturn.system.circuit import FloatArray

# Faults that no key of the build file states; readings can find them, see `Draws.fault`.
TANK_LEAK = "leak in the tank"  # [m3/s/Pa^0.5] from the pump outlet back into the tank
BELT_SLIP = "belt slip"  # share of the blower's speed lost at the redline
CHARGE_LEAK = "charge leak"  # share of the charge lost at half the redline
AIR_DRAWN = "air drawn"  # share of the pump's flow that is air or vapour


class Draws:
    """Latin hypercube of all values of a build; row 0 is the nominal car (no deviation).

    ``of(value)`` gives shape (samples + 1, 1) in SI; ``scale(curve)`` the same for a factor on y.
    """

    def __init__(self, build: Build, samples: int, rng: np.random.Generator) -> None:
        self.samples = samples
        unique = {item.key: item for item in build.known()}.values()
        known: list[Value | Curve] = [item for item in unique if item.spread > 0.0]
        self.set_known(known, _hypercube(len(known), samples, rng))

    def set_known(self, known: list[Value | Curve], deviation: FloatArray) -> None:
        """What is uncertain, and its standard normal deviates, a column each."""
        self.known, self.deviation = known, deviation
        self._column = {item.key: number for number, item in enumerate(known)}

    def deviate(self, key: str) -> FloatArray:
        """Standard normal deviates of a key, shape (samples + 1, 1); zero where it is certain."""
        column = self._column.get(key)
        if column is None:
            return np.zeros((self.samples + 1, 1))
        return self.deviation[:, column : column + 1]

    def of(self, value: Value) -> FloatArray:
        """Samples of one value [its SI unit], shape (samples + 1, 1)."""
        z = self.deviate(value.key)
        if value.law == "scale":
            return value.si * np.exp(value.spread * z)
        return value.si + value.spread * z

    def scale(self, curve: Curve) -> FloatArray:
        """Samples of the common factor of a curve [-], shape (samples + 1, 1)."""
        return np.exp(curve.spread * self.deviate(curve.key))

    def fault(self, name: str) -> FloatArray | None:
        """Samples of a fault, shape (samples + 1, 1); None in a car as described."""
        return None


def _hypercube(columns: int, samples: int, rng: np.random.Generator) -> FloatArray:
    """Standard normal Latin hypercube, shape (samples + 1, columns), first row zero.

    McKay, Beckman and Conover 1979: one draw in each of ``samples`` equally likely strata.
    """
    strata = np.argsort(rng.random((samples, columns)), axis=0)
    inside = (strata + rng.random((samples, columns))) / samples
    return np.vstack([np.zeros((1, columns)), ndtri(inside)])
