"""House rule: no machine path, registry address or promise stands in a file of the project."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TEXT = {
    ".py",
    ".md",
    ".toml",
    ".csv",
    ".txt",
    ".in",
    ".lock",
    ".sh",
    ".html",
    ".typ",
    ".css",
    ".svg",
}
# Words are put together here so that this file does not find itself.
ANYWHERE = {
    "registry address": re.compile(
        "pypi" + r"\.org|files\.python" + r"hosted|--index" + "-url|--find" + "-links"
    ),
    "machine path": re.compile(r"(?<![\w.])/(work|tmp|root|home|opt)/(?!\*)"),
    "study material": re.compile("shared" + r"/|\btran" + r"script\b|\bseed " + "document", re.I),
    "number of an issue": re.compile(r"\bissue " + r"#?\d|\bissues" + r"? show", re.I),
}
# "|safe" is the template engine's word for text that is already escaped.
PROMISE = re.compile(r"(?<!\|)(?<!\| )\bsa" + r"fe(ly)?\b", re.I)


def files() -> list[Path]:
    """Files under version control or about to be; all files where there is no repository."""
    asked = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
    try:
        answer = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=True)
        paths = [ROOT / line for line in answer.stdout.splitlines()]
    except (OSError, subprocess.CalledProcessError):
        hidden = re.compile(r"^(\.(?!ci)|demo$|build$|dist$)")
        paths = [
            path
            for path in ROOT.rglob("*")
            if not any(hidden.match(part) for part in path.relative_to(ROOT).parts)
        ]
    named = {"Makefile", "run", "LICENSE"}
    return [p for p in paths if p.is_file() and (p.suffix in TEXT or p.name in named)]


@pytest.mark.parametrize("what", ANYWHERE)
def test_no_file_says(what: str) -> None:
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}"
        for path in files()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        # the generator of the locks has to name the options that keep addresses out
        if ANYWHERE[what].search(line) and "--no-emit" not in line
    ]
    assert found == []


def test_nothing_is_promised() -> None:
    """The word is wrong on an answer: things hold, under stated assumptions."""
    looked = [
        path for path in files() if path.relative_to(ROOT).parts[0] in ("src", "docs", "README.md")
    ]
    assert len(looked) > 10
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}"
        for path in looked
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if PROMISE.search(line)
    ]
    assert found == []


def test_the_patterns_find_what_they_are_for() -> None:
    assert ANYWHERE["machine path"].search("see /tm" + "p/x")
    assert ANYWHERE["registry address"].search("https://py" + "pi.org/simple")
    assert ANYWHERE["study material"].search("as the Tran" + "script says")
    assert ANYWHERE["number of an issue"].search("see issue" + " #2")
    assert PROMISE.search("this is sa" + "fe to run")
    assert not PROMISE.search("{{ drawing|sa" + "fe }}")
