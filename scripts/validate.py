"""Run the checks against published numbers and write docs/validation.md."""

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

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "validation.md"
KINDS = ("published", "practice", "independent", "evidence")
TOP = """# Validation: our numbers beside those of others

Written by `make validate`. "Theirs" is what the source prints, "allowed" is half its last printed
digit or the width whose reason stands beside the check in the named test file. Rows that do not
agree are marked, not left out. Where a source is named only in the words of the test, those words
stand here. Checks that compare no two numbers (limits, order, refusals) are not listed.
"""
HEAD = (
    "\n### {file}\n\n| quantity | source | theirs | ours | difference | allowed | |\n"
    "|---|---|---|---|---|---|---|\n"
)
SUMMARY = (
    "\n## Second methods and libraries\n\nOne line a test: how many numbers were compared, and the "
    "largest difference as a share of what is allowed.\n\n"
    "| test | how | numbers | largest share | |\n|---|---|---|---|---|\n"
)
FAILED = "**does not agree**"


def collect() -> tuple[list[dict[str, Any]], int]:
    """Every comparison that the tests record, and the exit code of the test run."""
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "rows.json"
        outcome = subprocess.run(
            [
                sys.executable,
                "-m",
                "pytest",
                "-q",
                "-m",
                "",
                *(f"tests/{kind}" for kind in present()),
            ],
            cwd=ROOT,
            env={**os.environ, "KEYTURN_VALIDATION_RECORD": str(record)},
            check=False,
        )
        rows = json.loads(record.read_text(encoding="utf-8")) if record.exists() else []
    return rows, outcome.returncode


def present() -> list[str]:
    return [kind for kind in KINDS if (ROOT / "tests" / kind).is_dir()]


def commit() -> str:
    """The state of the tree that was measured; an unsaved change is said."""
    asked = ["git", "describe", "--always", "--dirty=, with unsaved changes", "--abbrev=10"]
    answer = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=False)
    return answer.stdout.strip() if answer.returncode == 0 else "not under version control"


def page(rows: list[dict[str, Any]], state: str) -> str:
    """docs/validation.md, whole."""
    agreeing = sum(bool(row["agrees"]) for row in rows)
    parts = [TOP, f"\nCommit: {state}. {agreeing} of {len(rows)} comparisons agree.\n"]
    for kind, title in (("published", "Printed numbers"), ("practice", "Common practice")):
        listed = [row for row in rows if row["test"].startswith(f"tests/{kind}/")]
        parts.append(f"\n## {title}\n\n{len(listed)} comparisons.\n")
        for file, ofone in grouped(listed, lambda row: row["test"].split("::")[0]):
            parts.append(HEAD.format(file=file))
            parts += [line(row) for row in ofone]
    second = [row for row in rows if row["test"].startswith("tests/independent/")]
    parts.append(SUMMARY)
    for test, ofone in grouped(second, lambda row: row["test"].split("[")[0]):
        parts.append(summary(test.removeprefix("tests/independent/"), ofone))
    return "".join(parts)


def grouped(
    rows: list[dict[str, Any]], key: Callable[[dict[str, Any]], str]
) -> Iterator[tuple[str, list[dict[str, Any]]]]:
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


def summary(test: str, rows: list[dict[str, Any]]) -> str:
    """All comparisons of one test."""
    shares = [abs(row["ours"] - row["theirs"]) / (row["tolerance"] or 1.0) for row in rows]
    agrees = all(row["agrees"] for row in rows)
    largest = f"{100.0 * max(shares):.0f} %"
    return cells(test, rows[0]["source"], str(len(rows)), largest, "" if agrees else FAILED)


def cells(*texts: str) -> str:
    return "| " + " | ".join(text.replace("|", "/") for text in texts) + " |\n"


if __name__ == "__main__":
    found, code = collect()
    PAGE.write_text(page(found, commit()), encoding="utf-8")
    print(f"{PAGE.relative_to(ROOT)}: {len(found)} comparisons")
    sys.exit(code)
