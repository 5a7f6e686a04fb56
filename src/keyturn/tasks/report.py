"""The answer on paper: one web page, a PDF and the figures, written together or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from keyturn.build.read import load
from keyturn.errors import CannotAnswer, CannotSolve
from keyturn.evidence.choose import ChooseResult
from keyturn.evidence.reading import usable
from keyturn.evidence.result import FindResult
from keyturn.report.figures import all_figures
from keyturn.report.page import page
from keyturn.report.pdf import pdf
from keyturn.system.result import CheckResult
from keyturn.tasks.choose import choose
from keyturn.tasks.files import write_all
from keyturn.tasks.find import find
from keyturn.tasks.read import listed


@dataclass(frozen=True)
class Evidence:
    """What the readings and the options of a build answer, and why something has no answer."""

    find: FindResult | None = None
    choose: ChooseResult | None = None
    unanswered: tuple[str, ...] = ()


def evidence(
    build: str | Path,
    changes: Mapping[str, str] | None = None,
    seed: int = 0,
    executor: Executor | None = None,
) -> Evidence:
    """Answers of `find` when the build has readings, and of `choose` when it has options."""
    found, chosen, why = None, None, []
    readings = listed(build)
    if usable(readings):
        try:
            found = find(build, readings, changes, seed=seed)
        except (CannotAnswer, CannotSolve) as refusal:
            why.append(f"which cause: {refusal}")
    if load(build, dict(changes or {})).options:
        try:
            chosen = choose(build, executor, changes=changes, readings=readings, seed=seed)
        except (CannotAnswer, CannotSolve) as refusal:
            why.append(f"which purchase: {refusal}")
    return Evidence(found, chosen, tuple(why))


def made_folder(build: str | Path) -> Path:
    """Where reports of a build go: ``made/`` beside its build.toml."""
    path = Path(build)
    return (path if path.is_dir() else path.parent) / "made"


def write_report(
    result: CheckResult, folder: str | Path, more: Evidence | None = None
) -> tuple[Path, ...]:
    """Write report.html, report.pdf and the figures into ``folder``; the paths, page first."""
    more = more or Evidence()
    contents = {
        "report.html": page(result, more.find, more.choose, more.unanswered).encode(),
        "report.pdf": pdf(result, more.find, more.choose, more.unanswered),
    }
    for name, drawing in all_figures(result, find=more.find, choose=more.choose).items():
        contents[f"{name}.svg"] = drawing.encode()
    return write_all(Path(folder), contents)
