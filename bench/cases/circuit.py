"""The fuel circuit: points a second, growth with the number of points, memory, and ratios.

Beside the array solver run, in the same process and on one core: Brent's method on the same
equations point by point, and pandapipes, a general network solver, one network at a time and many
copies in one network. pandapipes is timed without building its tables. All run on one core, so
ratios are of CPU time, which other work on the machine disturbs least.
"""

from __future__ import annotations

import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np

from keyturn.system.solve import solve
from random_circuits import map_circuit, random_circuit
from report import Report, measure

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "independent"))

HARD = 100_000
COPIES = 1000
MEMORY = """
import sys
sys.path[:0] = {paths!r}
import numpy as np
from random_circuits import map_circuit
from keyturn.system.solve import solve
def peak():
    # not ru_maxrss, which a child inherits from its parent
    with open("/proc/self/status") as lines:
        return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))
calls, samples = {calls}, {samples}
before, least = peak(), np.inf
for _ in range(calls):
    solution = solve(map_circuit(samples, "rail", np.random.default_rng(1)))
    least = min(least, solution.rail_gauge.min())
kept = sum(array.nbytes for array in vars(solution).values()) / 2**20
print(peak(), peak() - before - kept)
"""


def run(report: Report) -> None:
    """All rows of this case."""
    for place, goal in (("rail", 1.5e6), ("tank", 1.0e6)):
        hard = random_circuit(HARD, place, np.random.default_rng(1))
        cost = measure(lambda hard=hard: solve(hard))
        report.row(f"hard random points, regulator at the {place}", cost, HARD, "points")
        report.want(f"hard random points a core second, {place}", HARD / cost.cpu, ">=", goal)
        _brent(report, place, HARD / cost.cpu)
        chart = map_circuit(401, place, np.random.default_rng(1))
        cost = measure(lambda chart=chart: solve(chart), times=3)
        report.row(f"map 40 x 40 for 401 samples, {place}", cost, 401 * 1600, "points")
    _one_map(report)
    _growth(report)
    _memory(report)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for place in ("rail", "tank"):
            _pandapipes(report, place)


def _brent(report: Report, place: str, ours: float) -> None:
    from circuit_reference import Point, solve_directly

    number = 500 if place == "rail" else 100
    circuit = random_circuit(number, place, np.random.default_rng(1))
    points = [Point(circuit, index) for index in range(number)]
    cost = measure(lambda: [solve_directly(point) for point in points], times=3)
    report.row(f"Brent point by point, {place}", cost, number, "points")
    report.want(f"array solver / Brent, {place}", ours * cost.cpu / number, ">=", 150.0)


def _one_map(report: Report) -> None:
    chart = map_circuit(1, "rail", np.random.default_rng(1))
    cost = measure(lambda: solve(chart), times=21)
    report.row("map 40 x 40, one sample", cost, 1600, "points")


def _growth(report: Report) -> None:
    seconds = {}
    for power in range(3, 8):
        number = 10**power
        samples = max(1, number // 1600)
        chart = map_circuit(samples, "rail", np.random.default_rng(1))
        done = samples * 1600
        cost = measure(lambda chart=chart: solve(chart), times=1 if power > 6 else 5)
        report.row(f"maps, {done:.1e} points", cost, done, "points")
        seconds[power] = cost.cpu / done
    report.want("time a point, 1e7 / 1e5 points", seconds[7] / seconds[5], "<=", 1.3)


def _memory(report: Report) -> None:
    paths = [str(ROOT / "src"), str(ROOT / "bench")]
    for calls, samples in ((1, 6250), (25, 250)):
        code = MEMORY.format(paths=paths, calls=calls, samples=samples)
        answer = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
        peak, work = (float(item) for item in answer.stdout.split())
        name = f"{calls} call(s) of {samples} maps, 1e7 points"
        print(f"{name:<44} peak {peak:.0f} MB, {work:.0f} MB above start and results", flush=True)
        if calls > 1:
            report.want("peak memory, 1e7 points in 25 calls [MB]", peak, "<=", 500.0)
        else:
            report.want("memory above the results, 1e7 points at once [MB]", work, "<=", 500.0)


def _pandapipes(report: Report, place: str) -> None:
    import pandapipes_circuits as common

    cars = common.draw(HARD, np.random.default_rng(3))
    circuit = common.circuit(cars, place)
    solution = solve(circuit)
    cost = measure(lambda: solve(circuit))
    ours = cost.cpu / HARD
    report.row(f"array solver, circuits of pandapipes, {place}", cost, HARD, "points")
    valve, limited = common.states(cars, solution)
    for name, copies, times, goal in (("one by one", 1, 20, 1e4), ("copies", COPIES, 3, 250.0)):
        few = {key: values[:copies] for key, values in cars.items()}
        net = common.network(few, place, valve[:copies], limited[:copies])
        cost = measure(lambda net=net: common.run(net), times=times)
        report.row(f"pandapipes, {name}, {place}", cost, copies, "points")
        ratio = cost.cpu / copies / ours
        report.want(f"array solver / pandapipes, {name}, {place}", ratio, ">=", goal)
