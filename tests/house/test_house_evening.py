"""The story in docs/evening.md, told to the program line by line."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from keyturn.cli.app import app

PAGE = Path(__file__).parents[2] / "docs" / "evening.md"
BLOCK = re.compile(r"```sh\n(.*?)```\n```text\n(.*?)```", re.DOTALL)


def test_the_evening_goes_as_it_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command is answered, and every line below a block is found in what it said."""
    monkeypatch.chdir(tmp_path)
    page = PAGE.read_text("utf-8")
    blocks = BLOCK.findall(page)
    assert len(blocks) == page.count("```sh")
    for commands, wanted in blocks:
        said = ""
        for line in commands.splitlines():
            program, *typed = shlex.split(line)
            assert program == "keyturn"
            answer = CliRunner().invoke(app, typed)
            assert answer.exit_code == 0, f"{line}\n{answer.output}"
            said += " ".join(answer.output.split())
        for line in wanted.splitlines():
            assert line.lower() in said.lower(), f"{line!r} is not in the answer to\n{commands}"
