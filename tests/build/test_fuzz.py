"""Mutated build files end in a build or in an error of ours, never in another exception."""

from __future__ import annotations

import random
from importlib.resources import files

import pytest

from keyturn.build.model import Build
from keyturn.build.read import from_text
from keyturn.errors import KeyturnError

EXAMPLES = ("pickup-screw", "kitcar-boost", "van-roots")
JUNK = ['"', "[", "]", "{", "}", "=", "-", "0", "9", "nan", "inf", "-inf", "1e400", "true", "[]",
        "{}", '""', "''", "\\u0000", "é", "kPa", "psi", "gal/h", ".", ",", "#", "\n", "[[feed]]",
        "[pump]", '"1 L/h"', "1979-05-27", "07:32:00", "[[1, 2], [3, 4]]", '[["a", "b"], ["c"]]',
        '{value = []}', '{value = {value = 1}}', '"1e308 kPa"', '"-0 L"', '"5 %"',
        "99999999999999999999", '"**"', '"3 **"', '"3 kPa**99999"', '"3 m**m"',
        '"2 kg/(0)"', '"1 1/0"', '"5 ()"', '"3 m**9**9**9**9"']  # fmt: skip


def mutate(text: str, pick: random.Random) -> str:
    lines = text.splitlines()
    for _ in range(pick.randint(1, 3)):
        kind = pick.randrange(9)
        at = pick.randrange(len(lines))
        line = lines[at]
        if kind == 0:
            lines.pop(at) if len(lines) > 1 else None
        elif kind == 1:
            lines.insert(at, pick.choice(lines))
        elif kind == 2 and "=" in line:
            lines[at] = line.partition("=")[0] + "= " + pick.choice(JUNK)
        elif kind == 3 and line:
            spot = pick.randrange(len(line))
            lines[at] = line[:spot] + pick.choice(JUNK) + line[spot + 1 :]
        elif kind >= 6:  # a slip of the finger in one digit
            digits = [spot for spot, letter in enumerate(line) if letter.isdigit()]
            if digits:
                spot = pick.choice(digits)
                lines[at] = line[:spot] + pick.choice("0123456789") + line[spot + 1 :]
        elif kind == 4:
            other = pick.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        else:
            head = line.partition("=")[0]
            other = pick.choice([row for row in lines if "=" in row] or ["x = 1"])
            lines[at] = head + "=" + other.partition("=")[2]
    return "\n".join(lines)


@pytest.mark.parametrize("seed", range(3))
def test_mutated_files_end_in_an_answer_or_a_clear_error(seed: int) -> None:
    pick = random.Random(seed)
    sources = [
        (files("keyturn") / "examples" / name / "build.toml").read_text(encoding="utf-8")
        for name in EXAMPLES
    ]
    read = 0
    messages: list[str] = []
    for _ in range(150):
        text = mutate(pick.choice(sources), pick)
        try:
            assert isinstance(from_text(text), Build)
            read += 1
        except KeyturnError as fault:
            messages.append(str(fault))
    assert read > 10
    assert len(messages) > 10
    assert all(message.strip() for message in messages)


def test_values_of_every_wrong_type_for_every_key() -> None:
    from keyturn.build.schema import sections

    messages: list[str] = []
    sources = (files("keyturn") / "examples" / "pickup-screw" / "build.toml").read_text("utf-8")
    for section, fields in sections().items():
        for name in fields:
            base = {"top": "", "feed": "feed.4.", "return": "return.1.", "option": "option.1.",
                    "belt": "belt.1."}.get(section, f"{section}.")  # fmt: skip
            for junk in (True, -1, 0, 1e308, "", "x", [], {}, [[]], [[1, 2], [3, 4]], {"value": {}},
                float("nan"), {"value": "3 m", "spread": []}, "3 m", "7 kPa"):  # fmt: skip
                try:
                    from_text(sources, changes={base + name: junk})
                except KeyturnError as fault:
                    messages.append(str(fault))
    assert len(messages) > 500
    assert all(message.strip() for message in messages)
