"""The answer on paper: one web page, a PDF and the figures, written together or not at all."""

from __future__ import annotations

from pathlib import Path

from keyturn.report.figures import all_figures
from keyturn.report.page import page
from keyturn.report.pdf import pdf
from keyturn.system.result import CheckResult
from keyturn.tasks.files import write_all


def made_folder(build: str | Path) -> Path:
    """Where reports of a build go: ``made/`` beside its build.toml."""
    path = Path(build)
    return (path if path.is_dir() else path.parent) / "made"


def write_report(result: CheckResult, folder: str | Path) -> tuple[Path, ...]:
    """Write report.html, report.pdf and the figures into ``folder``; the paths, page first."""
    contents = {"report.html": page(result).encode(), "report.pdf": pdf(result)}
    for name, drawing in all_figures(result).items():
        contents[f"{name}.svg"] = drawing.encode()
    return write_all(Path(folder), contents)
