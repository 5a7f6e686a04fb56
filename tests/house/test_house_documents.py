"""House rule: what the documents say exists, and what exists is in the documents."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

import keyturn

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

from cli_text import VERBS, cli_page, help_of  # noqa: E402
from write_glossary import page as glossary_page  # noqa: E402

README = (ROOT / "README.md").read_text(encoding="utf-8")
PHYSICS = sorted(p.stem for p in (ROOT / "src/keyturn/physics").glob("*.py") if p.stem[0] != "_")


def read(path: str) -> str:
    return (ROOT / path).read_text(encoding="utf-8")


def test_help_is_the_live_help() -> None:
    assert read("src/keyturn/cli/help.txt") == help_of()


def test_command_line_page_is_the_live_help() -> None:
    assert read("docs/cli.md") == cli_page()


def test_every_verb_is_documented() -> None:
    from keyturn.cli.app import app

    live = {command.name or command.callback.__name__ for command in app.registered_commands}
    live |= {group.name for group in app.registered_groups}
    assert live == set(VERBS)
    assert live == set(re.findall(r"^## (\w+)$", read("docs/cli.md"), re.M))


def test_glossary_page_is_the_glossary() -> None:
    assert read("docs/glossary.md") == glossary_page()


def test_commands_of_the_readme_exist() -> None:
    targets = set(re.findall(r"^([a-z]+):", read("Makefile"), re.M))
    named = set(re.findall(r"\bmake ([a-z]+)\b(?=[`\s#]|$)", "\n".join(commands())))
    assert named
    assert named <= targets
    verbs = set(re.findall(r"(?:^|\s)keyturn (\w+)", "\n".join(commands())))
    assert verbs
    assert verbs <= set(VERBS)


def commands() -> list[str]:
    """Lines of the fenced and inline code of the README."""
    fenced = re.findall(r"```(?:sh|bash|text)?\n(.*?)```", README, re.S)
    return [*"\n".join(fenced).splitlines(), *re.findall(r"`([^`\n]+)`", README)]


def test_links_of_the_documents_lead_somewhere() -> None:
    dead = []
    for page in [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")]:
        for target in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8")):
            if "://" not in target and not (page.parent / target).exists():
                dead.append(f"{page.relative_to(ROOT)}: {target}")
    assert dead == []


def test_version_is_the_same_everywhere() -> None:
    latest = re.search(r"^## \[(\d+\.\d+\.\d+)\]", read("CHANGELOG.md"), re.M)
    assert latest is not None
    project = tomllib.loads(read("pyproject.toml"))["project"]
    assert latest[1] == project["version"] == keyturn.__version__


def test_requirements_are_the_same_everywhere() -> None:
    project = tomllib.loads(read("pyproject.toml"))["project"]
    lines = read("requirements/runtime.in").splitlines()
    assert project["dependencies"] == [line for line in lines if line and line[0] != "#"]


@pytest.mark.parametrize("lock", ["runtime", "dev"])
def test_every_locked_package_has_a_hash(lock: str) -> None:
    entries = re.split(r"^(?=[a-z0-9])", read(f"requirements/{lock}.lock"), flags=re.M | re.I)[1:]
    assert len(entries) >= 8
    assert [entry.split()[0] for entry in entries if "--hash=sha256:" not in entry] == []


def test_exports_can_be_had() -> None:
    assert set(dir(keyturn)) == set(keyturn.__all__)
    for name in keyturn.__all__:
        assert getattr(keyturn, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = keyturn.nothing


def test_import_is_light() -> None:
    heavy = ("numpy", "pydantic", "pint", "typer", "scipy", "jinja2", "typst")
    code = "import sys, keyturn.cli.entry; print(*sys.modules)"
    asked = [sys.executable, "-c", code]
    env = {"PYTHONPATH": str(ROOT / "src")}
    loaded = subprocess.run(asked, env=env, capture_output=True, text=True, check=True).stdout
    assert set(loaded.split()) & set(heavy) == set()


@pytest.mark.parametrize("topic", PHYSICS)
def test_theory_page(topic: str) -> None:
    page = read(f"docs/theory/{topic}.md")
    named = re.findall(r"tests/[\w/]+\.py", page)
    assert named, "the page does not say which tests check it"
    assert [path for path in named if not (ROOT / path).is_file()] == []


def rows(path: Path) -> list[dict[str, Any]]:
    """Rows of a data file: lines in CSV; arrays of tables and tables with a value in TOML."""
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as stream:
            return list(csv.DictReader(line for line in stream if not line.startswith("#")))
    found: list[dict[str, Any]] = []
    for table in tomllib.loads(path.read_text(encoding="utf-8")).values():
        if isinstance(table, list):
            found += [row for row in table if isinstance(row, dict)]
        elif isinstance(table, dict):
            inner = [row for row in table.values() if isinstance(row, dict)]
            found += [table] if "source" in table or not inner else inner
    return found


def unsourced(path: Path) -> list[dict[str, Any]]:
    """Rows without a source; a file may state one source for all rows that give a reason."""
    common = "# Source of all rows" in path.read_text(encoding="utf-8")
    keys = ("source", "reason") if common else ("source",)
    return [row for row in rows(path) if not any(str(row.get(key) or "").strip() for key in keys)]


# Not numbers of others: what our names mean, which keys there are, our ladder of grades (reasons
# at its head), how a builder measures (common practice); and the examples, which are invented.
OWN = ("glossary.toml", "schema.toml", "grades.toml", "measurements.toml", "build.toml")
DATA = [
    path
    for folder in ("src/keyturn/data", "tests/published")
    for path in sorted((ROOT / folder).rglob("*"))
    if path.suffix in (".toml", ".csv") and path.name not in OWN and "examples" not in path.parts
]


@pytest.mark.parametrize("path", DATA, ids=lambda path: path.name)
def test_every_row_of_data_has_a_source(path: Path) -> None:
    assert rows(path), "a data file without rows"
    assert unsourced(path) == []


def test_a_row_without_source_is_found(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("size,source\n1,a book\n2,\n", encoding="utf-8")
    assert [row["size"] for row in unsourced(path)] == ["2"]


def test_examples_say_that_they_are_invented() -> None:
    examples = sorted((ROOT / "src/keyturn/examples").rglob("build.toml"))
    assert len(examples) >= 3
    assert [str(p) for p in examples if "invented" not in p.read_text(encoding="utf-8")] == []
