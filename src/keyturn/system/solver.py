"""Root of the larger of two rising functions, for many points at once. Knows no fuel, no engine.

Newton on both functions, the smaller of the two steps taken, kept inside a bracket; points that
are done are left out after the first rounds. Points are worked on in blocks that stay in cache.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

PATIENCE = 10  # rounds of Newton alone; after that three rounds in four halve the bracket
FULL_ROUNDS = 3  # rounds on the whole block before finished points are left out


class Functions(NamedTuple):
    """Values and slopes of the two functions, and a carried guess of an inner unknown."""

    first: FloatArray
    first_slope: FloatArray
    second: FloatArray
    second_slope: FloatArray
    carried: FloatArray
    inner_error: FloatArray  # in the unit of ``carried``


Evaluate = Callable[[FloatArray, FloatArray | None], Functions]
Narrow = Callable[[NDArray[np.intp]], Evaluate]


class Root(NamedTuple):
    """Root, the carried inner unknown, the number of rounds, and which points converged."""

    x: FloatArray
    carried: FloatArray
    rounds: NDArray[np.int8]
    converged: NDArray[np.bool_]


def larger_root(
    evaluate: Evaluate,
    narrow: Narrow,
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
    tolerance: float,
    inner_tolerance: float,
    most_rounds: int,
) -> Root:
    """Root of max(first, second) in [low, high] for flat arrays of points.

    ``narrow(index)`` gives the same functions for the points at ``index`` only. Converged when
    the step is below ``tolerance`` and the inner error below ``inner_tolerance``; the caller
    looks at ``converged`` after ``most_rounds``.
    """
    x = start.copy()
    carried: FloatArray = np.zeros_like(x)
    rounds = np.full(x.shape, most_rounds, dtype=np.int8)
    converged = np.zeros(x.shape, dtype=np.bool_)
    index = np.arange(x.size)
    here, lo, hi = x, low.copy(), high.copy()
    guess: FloatArray | None = None
    for number in range(1, most_rounds + 1):
        values = evaluate(here, guess)
        halve = number > PATIENCE and number % 4 != 0
        here, done = _step(values, here, lo, hi, tolerance, inner_tolerance, halve)
        # an inner unknown that swings between two sides of a kink settles in their middle
        swing = halve and guess is not None
        guess = np.broadcast_to(values.carried, here.shape)
        guess = 0.5 * (guess + last) if swing else guess
        last = guess
        if number < FULL_ROUNDS and not done.all():
            continue
        x[index], carried[index] = here, guess
        rounds[index[done]], converged[index[done]] = number, True
        if done.all():
            break
        if done.mean() > 0.3:
            left = np.flatnonzero(~done)
            index, here, lo, hi, guess = index[left], here[left], lo[left], hi[left], guess[left]
            last = guess
            evaluate = narrow(index)
    return Root(x, carried, rounds, converged)


def _step(
    values: Functions,
    x: FloatArray,
    low: FloatArray,
    high: FloatArray,
    tolerance: float,
    inner_tolerance: float,
    halve: bool,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """One safeguarded step; ``low`` and ``high`` are narrowed in place."""
    step = -np.maximum(values.first / values.first_slope, values.second / values.second_slope)
    # The inner unknown errs on one side only: both functions are then too large, so an upper
    # bound may be wrong until the inner error is gone, a lower bound never.
    above = step < 0.0
    settled = values.inner_error <= inner_tolerance
    np.copyto(high, x, where=above & settled)
    np.copyto(low, x, where=~above)
    new = x + step
    outside = (new < low) | (new > high)
    new = np.where(outside | halve, 0.5 * (low + high), new)
    done = (np.abs(new - x) <= tolerance) & settled
    return new, done
