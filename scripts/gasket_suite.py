"""Some categories of the rendered photos of `make validate`, or a few photos of each.

    python scripts/gasket_suite.py --only coplanar --only glare
    python scripts/gasket_suite.py --photos 3 --pictures drawn

What was measured is kept and not measured again until one of the files it rests on changes.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

from validation import gasket


def main() -> int:
    suite = gasket.suite_of_tests()
    names = [*suite.CATEGORIES, *suite.HARD]
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--only", action="append", choices=names)
    asked.add_argument("--photos", type=int, help="of each category at the most")
    asked.add_argument("--processes", type=int, default=1)
    asked.add_argument("--pictures", type=Path, help="folder that keeps the drawn pictures")
    typed = asked.parse_args()
    rows = gasket.measured(typed.only or names, typed.photos, typed.processes, typed.pictures)
    results, good = gasket.summed(rows)
    print(gasket.render(results))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
