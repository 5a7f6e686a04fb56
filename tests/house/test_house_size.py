"""House rule: files and functions stay small enough to be read in one sitting."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted(
    path
    for folder in ("src", "tests", "scripts", "bench")
    for path in (ROOT / folder).rglob("*.py")
)
FILE_LINES = 600
BODY_LINES = 60


def body_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function's body, its docstring not counted."""
    body = function.body
    if ast.get_docstring(function, clean=False) is not None:
        body = body[1:]
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


def long_functions(text: str) -> list[str]:
    return [
        f"{node.name}: {body_lines(node)} lines"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
        and body_lines(node) > BODY_LINES
    ]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_file_and_its_functions_are_small(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= FILE_LINES
    assert long_functions(text) == []


def test_a_long_function_is_found() -> None:
    long = "def f():\n" + "    x = 1\n" * (BODY_LINES + 1)
    assert long_functions(long) == ["f: 61 lines"]
    documented = 'def f():\n    """' + "words\n" * 90 + '    """\n' + "    x = 1\n" * BODY_LINES
    assert long_functions(documented) == []
