"""Trace photos of invented parts whose truth is known and hold the errors against their bounds.

    python scripts/gasket_suite.py --json FILE              all categories, two processes
    python scripts/gasket_suite.py --only coplanar --photos 3

The photos come from the ray-cast renderer of the tests: no real sensor, lens or part is behind
any of these figures.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "src"), str(ROOT / "tests" / "making")]

import suite  # noqa: E402  (found through the path set above)

Row = dict[str, Any]


def _line(row: Row) -> str:
    if row.get("refused"):
        return f"refused: {row['refused']}"
    return (
        f"{row['found']}/{row['holes']} holes, centres {row['centre_median']:.3f}"
        f"/{row['centre_max']:.3f}, diameters {row['diameter_median']:+.3f}"
        f"/{row['diameter_max']:.3f}, outline {row['outer']:.3f}, ports"
        f" {max(row['ports'], default=0.0):.3f}, {row['seconds']:.1f} s"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--only", choices=sorted(suite.CATEGORIES))
    parser.add_argument("--photos", type=int, help="per category, instead of the full number")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    names = [asked.only] if asked.only else list(suite.CATEGORIES)
    jobs = [
        (name, seed)
        for name in names
        for seed in range(1, (asked.photos or suite.CATEGORIES[name].photos) + 1)
    ]
    started = time.perf_counter()
    rows: list[Row] = []
    with ProcessPoolExecutor(asked.processes) as pool:
        for n, row in enumerate(pool.map(suite.run, *zip(*jobs, strict=True)), 1):
            rows.append(row)
            print(f"{n}/{len(jobs)} {row['category']} {row['seed']}: {_line(row)}", flush=True)
    table = [suite.summary(name, [r for r in rows if r["category"] == name]) for name in names]
    print(suite.render_table(table))
    honest = suite.honesty(rows)
    print(f"true errors inside the stated 95 % bound: {honest}")
    good = all(line["holds"] for line in table) and suite.honest(honest)
    took = time.perf_counter() - started
    print(f"{len(rows)} photos in {took:.0f} s; {'all bounds hold' if good else 'NOT all hold'}")
    if asked.json:
        kept = {"photos": len(rows), "table": table, "inside": honest, "rows": rows, "good": good}
        text = json.dumps(kept, indent=1, default=_plain)
        asked.json.write_text(text + "\n", encoding="utf-8")
    return 0 if good else 1


def _plain(value: Any) -> Any:
    number = float(value)
    return None if math.isnan(number) else number


if __name__ == "__main__":
    raise SystemExit(main())
