"""Root of the larger of two rising functions, for many points at once. Knows no fuel, no engine.

Newton on both functions, the smaller of the two steps taken, kept inside a bracket; points that
are done are left out of the next round.
"""

from __future__ import annotations

from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

PATIENCE = 10  # rounds of Newton alone; after that three rounds in four halve the bracket
LEAST_CARRIED = 0.3  # share of the inner unknown, never negative, that one step must leave
WORTH_LEAVING = 0.2  # share of finished points that pays for copying the others together


class Steps(NamedTuple):
    """Newton's step from ``x`` to the root of each function, and an inner unknown."""

    first: FloatArray
    second: FloatArray
    carried: FloatArray
    carried_slope: FloatArray
    inner_error: FloatArray  # in the unit of ``carried``
    miss: FloatArray  # value of the first function
    payload: Any  # handed to ``keep`` as it is


class Problem(Protocol):
    """What the solver is told about the points it works on."""

    def evaluate(self, x: FloatArray, guess: FloatArray | None) -> Steps:
        """Steps of both functions at ``x``."""

    def narrow(self, index: NDArray[np.intp]) -> Problem:
        """The same for the points at ``index`` only."""

    def keep(
        self,
        values: Steps,
        x: FloatArray,
        step: FloatArray,
        done: NDArray[np.bool_],
        rounds: int,
    ) -> None:
        """Take the points that are done: the last evaluation at ``x``, and the step left to go.

        The step is small enough for everything else to follow linearly.
        """


class Tolerance(NamedTuple):
    """When a point is done: last step of the unknown, of the inner one, and miss before it.

    Where the first function is steep a short step may still come from far off.
    """

    step: float
    inner: float
    miss: float


def larger_root(
    problem: Problem,
    start: FloatArray,
    guess: FloatArray | None,
    low: FloatArray,
    high: FloatArray,
    tolerance: Tolerance,
    most_rounds: int,
) -> NDArray[np.bool_]:
    """Root of max(first, second) in [low, high] for flat arrays of points; says which were found.

    Points that are not done after the last round are given to ``keep`` as they are.
    """
    found = np.ones(start.shape, dtype=np.bool_)
    index = np.arange(start.size)
    x, lo, hi = start, low, high
    last: FloatArray | None = None
    for number in range(1, most_rounds + 1):
        values = problem.evaluate(x, guess)
        halve = number > PATIENCE and number % 4 != 0
        step, lo, hi, done = _step(values, x, lo, hi, tolerance, halve)
        share = np.count_nonzero(done) / done.size
        if share == 1.0 or number == most_rounds:
            problem.keep(values, x, step, np.ones_like(done), number)
            found[index[~done]] = False
            break
        guess = _next_guess(values, step)
        # an inner unknown that swings between two sides of a kink settles in their middle
        if halve and last is not None:
            guess = 0.5 * (guess + last)
        x = x + step
        if share > WORTH_LEAVING:
            problem.keep(values, x - step, step, done, number)
            left = np.flatnonzero(~done)
            index, x, guess = index[left], x.take(left), guess.take(left)
            lo, hi = lo.take(left), hi.take(left)
            problem = problem.narrow(left)
        last = guess
    return found


def approach(
    problem: Problem, x: FloatArray, low: FloatArray, high: FloatArray, rounds: int
) -> tuple[FloatArray, FloatArray]:
    """A few plain rounds towards the root, with the inner unknown; nothing is kept or promised."""
    guess: FloatArray | None = None
    for _ in range(rounds):
        values = problem.evaluate(x, guess)
        new = np.clip(x + np.minimum(values.first, values.second), low, high)
        guess = _next_guess(values, new - x)
        x = new
    return x, np.asarray(guess)


def _next_guess(values: Steps, step: FloatArray) -> FloatArray:
    ahead = values.carried + values.carried_slope * step
    guess: FloatArray = np.maximum(ahead, LEAST_CARRIED * values.carried)
    return guess


def _step(
    values: Steps,
    x: FloatArray,
    low: FloatArray,
    high: FloatArray,
    tolerance: Tolerance,
    halve: bool,
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """One safeguarded step, the narrowed bracket, and which points are done."""
    step = np.minimum(values.first, values.second)
    # The inner unknown errs on one side only: both functions are then too large, so an upper
    # bound may be wrong until the inner error is gone, a lower bound never.
    settled = values.inner_error <= tolerance.inner
    above = step < 0.0
    high = np.where(above & settled, x, high)
    low = np.where(above, low, x)
    if halve:
        step = 0.5 * (low + high) - x
    else:
        new = x + step
        outside = (new < low) | (new > high)
        if outside.any():
            step = np.where(outside, 0.5 * (low + high) - x, step)
    near = (np.abs(values.miss) <= tolerance.miss) | (values.second < values.first)
    done = (np.abs(step) <= tolerance.step) & settled & near
    return step, low, high, done
