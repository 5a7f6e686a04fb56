"""The live help of every verb as plain text, for the generator and the test that guards it."""

from __future__ import annotations

import os

VERBS = (
    "new", "check", "report", "read", "find", "choose", "steps", "log", "watch",
    "gasket", "joint", "serve",
)  # fmt: skip
PARTS = {"gasket": ("board", "trace", "scan", "measure", "edit", "cut", "proof")}


def help_of(verb: str | None = None) -> str:
    """What ``keyturn [VERB] --help`` prints, the same in every terminal."""
    os.environ.pop("COLUMNS", None)
    from typer.testing import CliRunner

    from keyturn.cli.app import app

    typed = [*(verb or "").split(), "--help"]
    answer = CliRunner().invoke(app, typed, prog_name="keyturn", terminal_width=96)
    if answer.exit_code != 0:
        raise RuntimeError(answer.output)
    lines = [line.rstrip() for line in answer.output.splitlines()]
    return "\n".join(lines).strip("\n") + "\n"


def cli_page() -> str:
    """docs/cli.md, whole."""
    parts = [
        "# The command line\n\n"
        "Written from the live help by `make docs`; a test fails when the two differ.\n\n"
        f"```text\n{help_of()}```\n"
    ]
    for verb in VERBS:
        parts.append(f"\n## {verb}\n\n```text\n{help_of(verb)}```\n")
        parts += [
            f"\n### {verb} {word}\n\n```text\n{help_of(f'{verb} {word}')}```\n"
            for word in PARTS.get(verb, ())
        ]
    return "".join(parts) + EXIT_CODES


EXIT_CODES = """
## Exit codes

| code | meaning |
|---|---|
| 0 | answered; the answer itself may be "short" or "not proven" |
| 1 | with `--strict`: the verdict is not "holds" |
| 2 | what was typed cannot be taken: the message says where, what would be, and what to do |
| 3 | cannot be answered: the message says what is missing |
| 70 | a fault in keyturn; `KEYTURN_TRACEBACK=1` shows where |
| 130 | interrupted |
| 141 | the reader of the output went away |
"""
