"""The root finder by itself, and the block-by-block solver around it."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import numpy as np
import pytest

from keyturn.errors import CannotSolve
from keyturn.system import solve as solve_module
from keyturn.system import solver
from keyturn.system.solve import solve

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "bench"))

from random_circuits import map_circuit, random_circuit

FloatArray = solver.FloatArray


@dataclass
class Powers:
    """first = x^3 - a, second = x - b: the larger one is zero at min(cube root of a, b)."""

    a: FloatArray
    b: FloatArray
    where: FloatArray
    found: FloatArray = field(default_factory=lambda: np.zeros(0))

    def evaluate(self, x: FloatArray, guess: FloatArray | None) -> solver.Steps:
        nothing = np.zeros(1)
        slope = 3.0 * x * x + 1e-30
        return solver.Steps(
            (self.a - x**3) / slope, self.b - x, 0.0 * x, nothing, nothing, nothing, payload=None
        )

    def narrow(self, index: FloatArray) -> Powers:
        return Powers(self.a[index], self.b[index], self.where[index], self.found)

    def keep(
        self, values: solver.Steps, x: FloatArray, step: FloatArray, done: FloatArray, rounds: int
    ) -> None:
        self.found[self.where[done]] = (x + step)[done]


def powers(number: int) -> Powers:
    rng = np.random.default_rng(4)
    return Powers(
        rng.uniform(-8.0, 8.0, number),
        rng.uniform(-2.0, 2.0, number),
        np.arange(number),
        np.full(number, np.nan),
    )


def test_root_of_the_larger_function() -> None:
    problem = powers(500)
    low, high = np.full(500, -5.0), np.full(500, 5.0)
    tolerance = solver.Tolerance(1e-12, 0.0, 0.0)
    done = solver.larger_root(problem, np.full(500, 3.0), None, low, high, tolerance, 200)
    assert done.all()
    wanted = np.minimum(np.cbrt(problem.a), problem.b)
    # near a = 0 the cube is flat, and a step of 1e-12 is all that is promised
    assert np.abs(problem.found - wanted).max() < 1e-9


def test_says_which_points_were_not_found() -> None:
    problem = powers(50)
    low, high = np.full(50, -5.0), np.full(50, 5.0)
    tolerance = solver.Tolerance(1e-12, 0.0, 0.0)
    assert not solver.larger_root(problem, np.full(50, 3.0), None, low, high, tolerance, 2).all()


@pytest.mark.parametrize("place", ["rail", "tank"])
def test_map_equals_its_points_one_by_one(place: str) -> None:
    circuit = map_circuit(3, place, np.random.default_rng(2))
    whole = solve(circuit)
    for sample, point in ((0, 0), (1, 817), (2, 1599), (2, 40)):

        def one(
            array: solver.FloatArray, sample: int = sample, point: int = point
        ) -> solver.FloatArray:
            return np.broadcast_to(array, (3, 1600))[sample : sample + 1, point : point + 1]

        alone = solve(circuit.map(one))
        for item in ("pump_rise", "pump_flow", "rail_gauge", "pump_current"):
            # the last step is below 0.05 Pa and taken linearly: far below 1e-8 of what is held
            assert getattr(alone, item)[0, 0] == pytest.approx(
                getattr(whole, item)[sample, point], rel=1e-8
            )
        assert alone.regime[0, 0] == whole.regime[sample, point]


@pytest.mark.parametrize("place", ["rail", "tank"])
def test_block_size_changes_nothing(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    circuit = random_circuit(1000, place, np.random.default_rng(6))
    large = solve(circuit)
    monkeypatch.setattr(solve_module, "BLOCK", 64)
    small = solve(circuit)
    assert np.all(small.regime == large.regime)
    assert np.abs(small.pump_rise - large.pump_rise).max() < 1e-3  # [Pa]


def test_hard_points_take_few_rounds() -> None:
    """Pumps that are off under manifold vacuum, flat curves, steep injectors: no long tails."""
    for place in ("rail", "tank"):
        solution = solve(random_circuit(20000, place, np.random.default_rng(8)))
        assert solution.iterations.max() <= 30


@pytest.mark.parametrize("place", ["rail", "tank"])
@pytest.mark.parametrize(
    ("part", "name"),
    [
        ("regulator", "opening_gauge"),
        ("injector", "demand"),
        ("injector", "manifold_gauge"),
        ("pump", "flow_scale"),
        ("", "source_voltage"),
    ],
)
def test_refuses_what_is_not_a_number(place: str, part: str, name: str) -> None:
    circuit = random_circuit(10, place, np.random.default_rng(3))
    owner = getattr(circuit, part) if part else circuit
    values = getattr(owner, name).copy()
    values[0, 4] = np.nan
    owner = replace(owner, **{name: values})
    broken = replace(circuit, **{part: owner}) if part else owner
    with np.errstate(invalid="ignore"), pytest.raises(CannotSolve):
        solve(broken)


def test_every_output_is_written() -> None:
    solution = solve(random_circuit(3000, "tank", np.random.default_rng(9)))
    for item in fields(solution):
        assert np.all(np.isfinite(getattr(solution, item.name))), item.name
    assert solution.regime.min() >= 0 and solution.regime.max() <= 5
