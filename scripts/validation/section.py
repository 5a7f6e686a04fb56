"""Results of a section as JSON beside the page, each with the commit it was measured on."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "docs" / "validation"
PAGE = ROOT / "docs" / "validation.md"
FAILED = "**does not agree**"
MISSED = "**does not hold**"


def keep(name: str, results: Any) -> None:
    """Write the results of one section."""
    FOLDER.mkdir(exist_ok=True)
    text = json.dumps({"commit": commit(), "results": results}, indent=1)
    (FOLDER / f"{name}.json").write_text(text + "\n", encoding="utf-8")


def kept(name: str) -> tuple[str, Any] | None:
    """Commit and results of a section, or None when it was never measured."""
    path = FOLDER / f"{name}.json"
    if not path.exists():
        return None
    found = json.loads(path.read_text(encoding="utf-8"))
    return str(found["commit"]), found["results"]


def commit() -> str:
    """The state of the tree that was measured; an unsaved change is said."""
    state = _git("describe", "--always", "--abbrev=10")
    if state is None:
        return "not under version control"
    # what this program itself writes is no change of what is measured
    changed = _git("status", "--porcelain", "--", ".", ":!docs/validation.md", ":!docs/validation")
    return f"{state}, with unsaved changes" if changed else state


def _git(*words: str) -> str | None:
    answer = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    return answer.stdout.strip() if answer.returncode == 0 else None


def table(*heads: str) -> str:
    """The head of a table, after an empty line."""
    return "\n" + cells(*heads) + "|" + "---|" * len(heads) + "\n"


def cells(*texts: str) -> str:
    return "| " + " | ".join(text.replace("|", "/") for text in texts) + " |\n"


def say(text: str) -> None:
    """Progress, apart from what is printed as a result."""
    print(text, file=sys.stderr, flush=True)
