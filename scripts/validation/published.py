"""Comparisons with printed numbers and with other libraries, as the tests record them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from itertools import groupby
from pathlib import Path
from typing import Any

from validation.section import FAILED, ROOT, cells, table

KINDS = ("published", "practice", "independent", "evidence")
HEADS = ("quantity", "source", "theirs", "ours", "difference", "allowed", "")
SECOND = (
    "\n### Second methods and libraries\n\nOne line a test: how many numbers were compared, and "
    "the largest difference as a share of what is allowed.\n"
)

Rows = list[dict[str, Any]]


def run() -> tuple[Rows, bool]:
    """Every comparison that the tests record, and whether all tests and the long ones passed."""
    tests = [f"tests/{kind}" for kind in KINDS if (ROOT / "tests" / kind).is_dir()]
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "rows.json"
        good = _tested("-m", "", *tests, KEYTURN_VALIDATION_RECORD=str(record))
        rows = json.loads(record.read_text(encoding="utf-8")) if record.exists() else []
    # the long tests of the other folders record nothing, but make test leaves them out
    long = _tested("-m", "validate", "tests", *(f"--ignore={test}" for test in tests))
    return rows, good and long


def _tested(*asked: str, **more: str) -> bool:
    command = [sys.executable, "-m", "pytest", "-q", *asked]
    return subprocess.run(command, cwd=ROOT, env=os.environ | more, check=False).returncode == 0


def render(rows: Rows) -> str:
    agreeing = sum(bool(row["agrees"]) for row in rows)
    parts = [f"\n{agreeing} of {len(rows)} comparisons agree.\n"]
    for kind, title in (("published", "Printed numbers"), ("practice", "Common practice")):
        listed = [row for row in rows if row["test"].startswith(f"tests/{kind}/")]
        parts.append(f"\n### {title}\n\n{len(listed)} comparisons.\n")
        for file, ofone in grouped(listed, lambda row: row["test"].split("::")[0]):
            parts += [f"\n#### {file}\n", table(*HEADS), *(line(row) for row in ofone)]
    second = [row for row in rows if row["test"].startswith("tests/independent/")]
    parts += [SECOND, table("test", "how", "numbers", "largest share", "")]
    for test, ofone in grouped(second, lambda row: row["test"].split("[")[0]):
        parts.append(summary(test.removeprefix("tests/independent/"), ofone))
    return "".join(parts)


def grouped(rows: Rows, key: Callable[[dict[str, Any]], str]) -> Iterator[tuple[str, Rows]]:
    for name, members in groupby(sorted(rows, key=key), key):
        yield name, list(members)


def line(row: dict[str, Any]) -> str:
    """One comparison."""
    unit = f" {row['unit']}" if row["unit"] else ""
    return cells(
        row["quantity"],
        row["source"],
        f"{row['theirs']:.8g}{unit}",
        f"{row['ours']:.6g}",
        f"{row['ours'] - row['theirs']:+.2g}",
        f"{row['tolerance']:.2g}",
        "" if row["agrees"] else FAILED,
    )


def summary(test: str, rows: Rows) -> str:
    """All comparisons of one test."""
    shares = [abs(row["ours"] - row["theirs"]) / (row["tolerance"] or 1.0) for row in rows]
    agrees = all(row["agrees"] for row in rows)
    largest = f"{100.0 * max(shares):.0f} %"
    return cells(test, rows[0]["source"], str(len(rows)), largest, "" if agrees else FAILED)
