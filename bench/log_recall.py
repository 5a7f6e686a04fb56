"""Recall and false alarms of the log findings, on simulated drives with planted causes.

    python bench/log_recall.py [DRIVES] [BUILD] [CAUSE ...]

"nothing" as a cause is the healthy car.

Every drive is another car, driven for about ten minutes, with sensors of its own, by two
simulators: the model itself with another car drawn from the spreads of an invented build, and
`second_car`, which has nothing of the model. The first says how well the findings read what the
model can show, the second how they stand what the model does not know.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from importlib import resources
from pathlib import Path

HERE = Path(__file__).resolve().parent
# run as a program, also where keyturn is not installed: what is imported below (E402) is found
# through this path
sys.path[:0] = [str(HERE), str(HERE.parent / "src")]

import second_car  # noqa: E402
from keyturn.build.model import Build  # noqa: E402
from keyturn.build.read import load  # noqa: E402
from keyturn.logs.boost import Earlier  # noqa: E402
from keyturn.logs.findings import judge  # noqa: E402
from keyturn.logs.frame import Frame  # noqa: E402
from keyturn.logs.simulate import CAUSES, SHOWN_AS, drive  # noqa: E402
from keyturn.system.check import run  # noqa: E402
from keyturn.system.result import CheckResult  # noqa: E402

BUILDS = ("pickup-screw", "kitcar-boost")  # their check holds; a car that is short is not healthy
# what a planted cause truly brings about besides itself
FOLLOWS = {
    "set point": {"lean excursion"},
    "supply limit": {"lean excursion", "injector duty"},
    "heat": {"lean excursion", "injector duty", "supply limit"},
    "wiring": {"lean excursion", "injector duty", "supply limit"},
    "reference": {"lean excursion", "injector duty"},
}
SIZES = {"belt slip": (0.5, 1.0), "boost leak": (0.5, 1.0, 2.0), "set point": (0.5, 1.0),
         "lean excursion": (0.5, 1.0), "knock retard": (0.5, 1.0), "gauge": (0.5, 1.0),
         "supply limit": (0.25, 1.0), "wiring": (0.5, 1.0)}  # fmt: skip
BOOST = ("belt slip", "boost leak")
FIRST_SEED = 10_000
Drive = Callable[[str | None, int, float, int], Frame]


def main(drives: int, builds: tuple[str, ...], causes: tuple[str, ...]) -> None:
    """Print one table for each build and simulator."""
    for name in builds:
        build = load(str(resources.files("keyturn").joinpath(f"examples/{name}/build.toml")))
        check = run(build, samples=400, seed=0)
        for words, make in _simulators(build, check):
            print(f"\n{build.name}: {words}\n")
            print("| planted | size | drives | found | beside an earlier log | another kind |"
                  " hours | false alarms an hour |")  # fmt: skip
            print("|---|---|---|---|---|---|---|---|")
            for cause in causes:
                if cause == "belt slip" and build.blower is None:
                    continue
                if cause == "clogged filter" and make.__name__ == "second":
                    continue
                for size in SIZES.get(cause, (1.0,)):
                    print(_row(build, check, make, cause, size, drives), flush=True)


def _simulators(build: Build, check: CheckResult) -> tuple[tuple[str, Drive], ...]:
    def model(cause: str | None, seed: int, size: float, day: int) -> Frame:
        return drive(build, cause, seed, size=size).frame

    def second(cause: str | None, seed: int, size: float, day: int) -> Frame:
        return second_car.drive(build, check, cause, seed, size, day)

    return (("the model drives", model), ("the second simulator drives", second))


def _row(
    build: Build, check: CheckResult, make: Drive, cause: str, size: float, drives: int
) -> str:
    planted = None if cause == "nothing" else cause
    shown = SHOWN_AS.get(cause, cause)
    hit, beside, seconds, others = 0, 0, 0.0, Counter[str]()
    allowed = {shown, *FOLLOWS.get(shown, ())}
    before = cause in (*BOOST, "nothing") and make.__name__ == "second"
    for seed in range(FIRST_SEED, FIRST_SEED + drives):
        frame = make(planted, seed, size, 0)
        seconds += float(frame.time[-1])
        kinds = {one.kind for one in judge(build, check, frame).findings}
        hit += shown in kinds
        if before:
            line = judge(build, check, make(None, seed, 1.0, 1)).boost
            earlier = None if line is None else Earlier("earlier.csv", line)
            kinds = {one.kind for one in judge(build, check, frame, None, earlier).findings}
            beside += shown in kinds
        others.update(kinds - allowed)
    words = ", ".join(f"{kind} {count}" for kind, count in sorted(others.items())) or "none"
    hours = seconds / 3600.0
    found = "–" if planted is None else f"{hit}"
    again = f"{beside}" if before and planted else "–"
    rate = f"{sum(others.values()) / hours:.2f}"
    cells = (cause, f"{size:g}", str(drives), found, again, words, f"{hours:.1f}", rate)
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    typed = sys.argv[1:]
    main(
        int(typed[0]) if typed else 20,
        (typed[1],) if len(typed) > 1 else BUILDS,
        tuple(typed[2:]) or ("nothing", *CAUSES),
    )
