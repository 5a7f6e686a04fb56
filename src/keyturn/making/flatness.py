"""Are the strips flat and in one plane? Asked of the corners themselves.

Next to the unknowns of the lens and the poses, small departures from a flat board are solved for:
sag along and across each strip, twist, and for every further strip its height and its two slopes.
A departure counts when it is both larger than what matters and well above its own uncertainty,
so a photo too poor to show a bend is judged by the plain residual alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from keyturn.making.lens import Numbers

STEP = 0.05  # [mm] for differences
STRETCH = 1e-4  # [-] the same for the printer's scale
MATTERS = 0.4  # [mm] a strip bent by so much shifts holes by about 0.1 mm
STACKED = 0.8  # [mm] of height between the strips
CLEAR = 5.0  # times its own sigma
THINKABLE = 20.0  # [mm] sigma of any departure before a corner was seen
SHAPES = ("sag along", "sag across", "twist")
LIES = ("height", "slope along", "slope across")
# not a fault of the board: what is not known of the printer's scale must not look like a bend
PRINT = ("scale along", "scale across")


@dataclass(frozen=True)
class Departure:
    strip: int
    shape: str
    size: float  # [mm]
    sigma: float  # [mm]

    @property
    def clear(self) -> bool:
        limit = STACKED if self.shape in LIES else MATTERS
        return abs(self.size) > max(limit, CLEAR * self.sigma)


def shape_of(name: str, s: Numbers, t: Numbers) -> Numbers:
    """Height [-] over a strip, ``s`` and ``t`` from -1 to 1 along and across it."""
    return {
        "sag along": s**2 - 1.0 / 3.0,
        "sag across": t**2 - 1.0 / 3.0,
        "twist": s * t,
        "height": np.ones_like(s),
        "slope along": s,
        "slope across": t,
    }[name]


def departures(
    jacobian: Numbers,
    residuals: Numbers,
    moved: Callable[[int, str, float], Numbers],
    base: int,
    strips: tuple[int, ...],
    scale_sigma: Numbers,
) -> list[Departure]:
    """Departures of every strip.

    ``jacobian`` and ``residuals`` are those of the flat solution, in units of the noise; ``moved``
    gives the residuals with one departure of the given size [mm] put on one strip;
    ``scale_sigma`` is how well the printer's scale is known [-].
    """
    names = [(strip, name) for strip in (base, *strips) for name in SHAPES]
    names += [(strip, name) for strip in strips for name in LIES]
    columns = [
        (moved(strip, name, STEP) - moved(strip, name, -STEP)) / (2.0 * STEP)
        for strip, name in names
    ]
    columns += [
        (moved(base, name, STRETCH) - moved(base, name, -STRETCH)) / (2.0 * STRETCH)
        for name in PRINT
    ]
    whole = np.concatenate([jacobian, np.stack(columns, axis=1)], axis=1)
    # a departure that the corners in view cannot tell is as uncertain as anything on a table is
    sigmas = np.concatenate([np.full(len(names), THINKABLE), scale_sigma])
    first = jacobian.shape[1]
    known = np.eye(len(sigmas), whole.shape[1], first) / sigmas[:, None]
    whole = np.concatenate([whole, known])
    residuals = np.concatenate([residuals, np.zeros(len(sigmas))])
    size = np.linalg.norm(whole, axis=0)
    square = np.linalg.inv((whole / size).T @ (whole / size)) / np.outer(size, size)
    answer = -square @ (whole.T @ residuals)
    left = residuals + whole @ answer
    # never better than the noise that was assumed; worse where the corners say so
    noise = max(1.0, float(np.sqrt(np.mean(left**2))))
    return [
        Departure(strip, name, float(answer[n]), noise * float(np.sqrt(square[n, n])))
        for n, (strip, name) in enumerate(names, first)
    ]
