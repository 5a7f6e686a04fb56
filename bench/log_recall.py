"""Recall and false alarms of the log findings, on simulated drives with planted causes.

    python bench/log_recall.py [DRIVES] [BUILD] [CAUSE ...]

"nothing" as a cause is the healthy car.

Every drive is another car, drawn from the spreads of an invented build, driven for about ten
minutes, with sensors of its own. The same model makes the drives and judges them: the numbers say
how well the findings read what the model can show, not how well the model is like a real car.
"""

from __future__ import annotations

import sys
from collections import Counter
from importlib import resources
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
# run as a program, also where keyturn is not installed: what is imported below (E402) is found
# through this path
sys.path.insert(0, str(ROOT / "src"))

from keyturn.build.model import Build  # noqa: E402
from keyturn.build.read import load  # noqa: E402
from keyturn.logs.findings import judge  # noqa: E402
from keyturn.logs.simulate import CAUSES, drive  # noqa: E402
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
FIRST_SEED = 10_000


def main(drives: int, builds: tuple[str, ...], causes: tuple[str, ...]) -> None:
    """Print one table for each build."""
    for name in builds:
        build = load(str(resources.files("keyturn").joinpath(f"examples/{name}/build.toml")))
        check = run(build, samples=400, seed=0)
        print(f"\n{build.name}\n")
        print("| planted | drives | found | another kind | hours | false alarms an hour |")
        print("|---|---|---|---|---|---|")
        for cause in causes:
            if cause == "belt slip" and build.blower is None:
                continue
            planted = None if cause == "nothing" else cause
            print(_row(build, check, planted, drives), flush=True)


def _row(build: Build, check: CheckResult, cause: str | None, drives: int) -> str:
    hit, seconds, others = 0, 0.0, Counter[str]()
    allowed = {cause, *FOLLOWS.get(str(cause), ())}
    for seed in range(FIRST_SEED, FIRST_SEED + drives):
        made = drive(build, cause, seed)
        seconds += float(made.frame.time[-1])
        kinds = {one.kind for one in judge(build, check, made.frame).findings}
        hit += cause in kinds
        others.update(kinds - allowed)
    found = "–" if cause is None else f"{hit}"
    words = ", ".join(f"{kind} {count}" for kind, count in sorted(others.items())) or "none"
    hours = seconds / 3600.0
    rate = sum(others.values()) / hours
    return f"| {cause or 'nothing'} | {drives} | {found} | {words} | {hours:.1f} | {rate:.2f} |"


if __name__ == "__main__":
    typed = sys.argv[1:]
    main(
        int(typed[0]) if typed else 20,
        (typed[1],) if len(typed) > 1 else BUILDS,
        tuple(typed[2:]) or ("nothing", *CAUSES),
    )
