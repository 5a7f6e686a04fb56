"""Hold our numbers against those of others and write docs/validation.md.

    python scripts/validate.py                      every section
    python scripts/validate.py --only inference     one section; the others stay as measured
    python scripts/validate.py --page               the page again from what was measured

Each section keeps its results in docs/validation/ together with the commit it was measured on.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from typing import Any

# one thread a process: the processes share the cores already
os.environ.setdefault("OMP_NUM_THREADS", "1")

from validation import garage, gasket, inference, ladder, published
from validation.section import PAGE, ROOT, keep, kept, say

TOP = """# Validation: our numbers beside those of others

Written by `make validate`. "Theirs" is what the source prints, "allowed" is half its last printed
digit or the width whose reason stands beside the check in the named test file. Rows that do not
agree are marked, not left out. Where a source is named only in the words of the test, those words
stand here. Checks that compare no two numbers (limits, order, refusals) are not listed.
"""
SECTIONS: dict[str, tuple[str, Callable[[Any], str]]] = {
    "published": ("Numbers of others", published.render),
    "inference": ("Inference", inference.render),
    "garage": ("Garage simulation", garage.render),
    "ladder": ("The load ladder", ladder.render),
    "gasket": ("Gasket from photos and scans", gasket.render),
}


def measure(name: str, size: inference.Size, cars: int) -> bool:
    """Measure one section anew and keep it; whether every bound of it holds."""
    say(f"== {name}")
    started = time.perf_counter()
    results: Any
    if name == "published":
        results, good = published.run()
    elif name == "inference":
        results, good = inference.run(size)
    elif name == "ladder":
        results, good = ladder.run(cars)
    elif name == "gasket":
        results, good = gasket.run(size.processes)
    else:
        results, good = garage.run(cars, size.processes)
    if results is not None:
        keep(name, results)
    say(f"== {name}: {time.perf_counter() - started:.0f} s{'' if good else ', does not hold'}")
    return good


def page() -> str:
    """docs/validation.md, whole, from what is kept."""
    parts = [TOP]
    for name, (title, render) in SECTIONS.items():
        found = kept(name)
        parts.append(f"\n## {title}\n")
        if found is None:
            parts.append(f"\nNot measured yet: `scripts/validate.py --only {name}`.\n")
        else:
            parts += [f"\nCommit: {found[0]}.\n", render(found[1])]
    return "".join(parts)


def main() -> int:
    usual = inference.Size()
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("--only", action="append", choices=list(SECTIONS))
    asked.add_argument("--page", action="store_true", help="measure nothing")
    asked.add_argument(
        "--cases", type=int, default=usual.cases, help="of each set of rail pressures"
    )
    asked.add_argument("--draws", type=int, default=usual.draws, help="of each cause in the bank")
    asked.add_argument("--cars", type=int, default=1000, help="of both simulations")
    asked.add_argument("--processes", type=int, default=usual.processes)
    typed = asked.parse_args()
    size = inference.Size(typed.cases, typed.draws, typed.processes)
    wanted = [] if typed.page else (typed.only or list(SECTIONS))
    good = [measure(name, size, typed.cars) for name in wanted]
    PAGE.write_text(page(), encoding="utf-8")
    print(PAGE.relative_to(ROOT))
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
