"""Speed as ratios measured in one run, with CPU time and page faults beside the wall time.

    python bench/run.py            all cases
    python bench/run.py startup    only the named ones

A ratio of two things measured side by side travels from machine to machine; a number of seconds
does not.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "src")]

from report import Report  # noqa: E402


def main() -> int:
    wanted = sys.argv[1:] or sorted(
        path.stem for path in (HERE / "cases").glob("*.py") if not path.stem.startswith("_")
    )
    report = Report()
    for name in wanted:
        print(f"\n== {name}", flush=True)
        importlib.import_module(f"cases.{name}").run(report)
    print()
    print(report.summary())
    return 0 if report.all_met() else 1


if __name__ == "__main__":
    sys.exit(main())
