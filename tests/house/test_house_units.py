"""House rule: every physics argument is documented with the unit that the glossary gives it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from keyturn.glossary import quantities

PHYSICS = Path(__file__).resolve().parents[2] / "src" / "keyturn" / "physics"
FILES = sorted(path for path in PHYSICS.glob("*.py") if path.name != "__init__.py")
WITHOUT_UNIT = re.compile(r"^(str|bool|int|Literal\[.*\])( \| None)?$")
ENDING = re.compile(r"\[([^\]]+)\]\.?$")


def sections(docstring: str) -> dict[str, list[str]]:
    """Lines of each underlined section."""
    lines = docstring.splitlines()
    found: dict[str, list[str]] = {}
    current: list[str] = []
    for line, below in zip(lines, [*lines[1:], ""], strict=True):
        if line.strip() and re.fullmatch(r"-{3,}", below.strip()):
            current = found.setdefault(line.strip(), [])
        elif not re.fullmatch(r"-{3,}", line.strip()):
            current.append(line)
    return found


def documented(lines: list[str]) -> dict[str, str]:
    """Argument name -> its whole description on one line."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in lines:
        if line.strip() and not line.startswith(" "):
            names = [name.strip().lstrip("*") for name in line.split(":")[0].split(",")]
            found.update(dict.fromkeys(names, ""))
        else:
            for name in names:
                found[name] = f"{found[name]} {line.strip()}".strip()
    return found


def faults(function: ast.FunctionDef, units: dict[str, str]) -> list[str]:
    """What is wrong with one function's docstring; empty when nothing is."""
    docstring = ast.get_docstring(function)
    if docstring is None:
        return [f"{function.name}: no docstring"]
    parts = sections(docstring)
    described = documented(parts.get("Parameters", []))
    wrong = []
    arguments = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    for argument in arguments:
        name, annotation = argument.arg, ast.unparse(argument.annotation or ast.Constant("?"))
        if name not in described:
            wrong.append(f"{function.name}({name}): not described under Parameters")
        elif not WITHOUT_UNIT.match(annotation):
            ending = ENDING.search(described[name])
            if ending is None:
                wrong.append(f"{function.name}({name}): description does not end with [unit]")
            elif name not in units:
                wrong.append(f"{function.name}({name}): not in the glossary")
            elif ending[1] != units[name]:
                wrong.append(
                    f"{function.name}({name}): [{ending[1]}], the glossary says [{units[name]}]"
                )
    returns = ast.unparse(function.returns or ast.Constant("?"))
    if "Array" in returns and "[" not in "".join(parts.get("Returns", [])):
        wrong.append(f"{function.name}: Returns has no [unit]")
    return wrong


def public_functions(text: str) -> list[ast.FunctionDef]:
    return [
        node
        for node in ast.parse(text).body
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_argument_has_the_unit_of_the_glossary(path: Path) -> None:
    units = {name: row.unit for name, row in quantities().items()}
    functions = public_functions(path.read_text(encoding="utf-8"))
    assert functions, "a physics file without a public function"
    assert [fault for function in functions for fault in faults(function, units)] == []


GOOD = '''
def f(pressure: Array) -> Array:
    """Words.

    Parameters
    ----------
    pressure : Array
        absolute pressure [Pa]

    Returns
    -------
    Array
        density [kg/m3]
    """
    return pressure
'''


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (("", ""), None),
        (("[Pa]", "[kPa]"), "f(pressure): [kPa], the glossary says [Pa]"),
        (("[Pa]", ""), "f(pressure): description does not end with [unit]"),
        (("    pressure : Array\n", "    other : Array\n"), "not described under Parameters"),
        (("[kg/m3]", ""), "f: Returns has no [unit]"),
    ],
)
def test_a_wrong_docstring_is_found(change: tuple[str, str], fault: str | None) -> None:
    (function,) = public_functions(GOOD.replace(*change))
    found = faults(function, {"pressure": "Pa"})
    assert (found == []) if fault is None else (len(found) == 1 and fault in found[0])


def test_a_name_that_the_glossary_does_not_have_is_found() -> None:
    (function,) = public_functions(GOOD)
    assert faults(function, {}) == ["f(pressure): not in the glossary"]
