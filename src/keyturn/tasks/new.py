"""Start a build folder from an example or from a few answers: written whole, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from keyturn.build.change import Change, apply_all
from keyturn.build.library import fuels
from keyturn.build.paste import as_toml
from keyturn.build.read import BUILD_FILE, from_text
from keyturn.build.schema import nearest, sections
from keyturn.errors import FileRefused, Place, UnknownKey, ValueRefused

SUBFOLDERS = ("logs", "made")
# what a build from nothing is asked, in the order of asking, and how it is put to somebody new
ASKED = {
    "name": "What do you call the car?", "engine.displacement": "Engine size",
    "engine.cylinders": "Cylinders", "engine.redline": "Highest speed you will use",
    "boost.curve": "Highest boost at full load, gauge", "fuel.kind": "Fuel",
    "pump.flow": "Flow of the pump", "injectors.flow": "Flow of one injector",
    "regulator.set": "Fuel pressure the regulator is set to, its hose off",
    "regulator.place": "Where the regulator sits",
    "regulator.reference": "What its spring side is joined to",
}  # fmt: skip
QUESTIONS = tuple(ASKED)
EXAMPLES = {"name": "coupe with a blower", "boost.curve": "55 kPa", "pump.flow": "255 L/h",
            "engine.cylinders": "4", "engine.displacement": "2.0 L"}  # fmt: skip


@dataclass(frozen=True)
class Question:
    """One of `QUESTIONS` as it is asked."""

    key: str
    words: str
    example: str
    choices: tuple[str, ...]


def questions() -> tuple[Question, ...]:
    """Everything that a build from nothing is asked."""
    rows = []
    for key, words in ASKED.items():
        section, _, name = key.rpartition(".")
        field = sections()[section or "top"][name]
        example = EXAMPLES.get(key, field.example.strip('"'))
        choices = fuels() if key == "fuel.kind" else field.choices
        rows.append(Question(key, words, example, tuple(choices)))
    return tuple(rows)


def examples() -> list[tuple[str, str]]:
    """Name of each example and what it is."""
    folders = sorted((files("keyturn") / "examples").iterdir(), key=lambda item: item.name)
    return [
        (folder.name, str(tomllib.loads(_text(folder.name))["name"]))
        for folder in folders
        if (folder / BUILD_FILE).is_file()
    ]


def _text(example: str) -> str:
    return (files("keyturn") / "examples" / example / BUILD_FILE).read_text(encoding="utf-8")


def new(directory: str | Path, example: str) -> Path:
    """Make ``directory`` a build folder with the example's build.toml; returns that file.

    The folder is put together beside its place and moved there in one step, so that an
    interruption leaves nothing behind. A folder that holds anything is refused.
    """
    names = [name for name, _ in examples()]
    if example not in names:
        near = nearest(example, names)
        raise ValueRefused(
            "no such example", typed=example, accepted=", ".join(names),
            advice=f"did you mean {near}?" if near else "keyturn new --list",
        )  # fmt: skip
    return _placed(directory, _text(example))


def blank(directory: str | Path, answers: Mapping[str, str]) -> Path:
    """Make ``directory`` a build folder from a few answers; returns its build.toml.

    ``answers`` maps keys of `QUESTIONS` to typed text; what is left out and not needed is assumed.
    """
    text = (files("keyturn") / "data" / "blank.txt").read_text(encoding="utf-8")
    for key in answers:
        if key not in QUESTIONS:
            raise UnknownKey("is not asked here", Place(None, None, key),
                             accepted=", ".join(QUESTIONS))  # fmt: skip
    given = {key: typed.strip() for key, typed in answers.items() if typed.strip()}
    said = [Change("set", key, _said(key, given)) for key in given]
    unsaid = [Change("remove", key) for key in QUESTIONS if key not in given]
    text = apply_all(text, [*said, *unsaid])
    from_text(text, BUILD_FILE)
    return _placed(directory, text)


def _said(key: str, given: Mapping[str, str]) -> Any:
    """The answer as TOML data; one boost becomes a curve that rises to it."""
    typed = given[key]
    if key == "boost.curve":
        top = given.get("engine.redline", "6000 rpm")
        rise = [["1000 rpm", "0 kPa"], ["3000 rpm", typed], [top, typed]]
        return {"value": rise, "source": "highest boost as told, shape guessed"}
    whole = sections()[key.partition(".")[0] if "." in key else "top"][key.rpartition(".")[2]]
    return as_toml(typed) if whole.kind == "count" else typed


def _placed(directory: str | Path, text: str) -> Path:
    """The folder put together beside its place and moved there in one step."""
    target = Path(directory)
    place = Place(str(target))
    staged: Path | None = None
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise FileRefused(
                "is there already and is not empty", place, accepted="a new or an empty folder",
                advice="choose another name; nothing was changed",
            )  # fmt: skip
        target.parent.mkdir(parents=True, exist_ok=True)
        staged = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
        _fill(staged, text)
        os.replace(staged, target)
    except (OSError, ValueError) as fault:
        if isinstance(fault, FileRefused):
            raise
        raise FileRefused(
            f"cannot be written: {getattr(fault, 'strerror', None) or fault}", place,
            accepted="a place that you may write to",
            advice="choose another folder, or change its permissions; nothing was changed",
        ) from None  # fmt: skip
    finally:
        if staged is not None and staged.exists():
            shutil.rmtree(staged, ignore_errors=True)
    return target / BUILD_FILE


def _fill(folder: Path, text: str) -> None:
    folder.chmod(0o755)
    for name in SUBFOLDERS:
        (folder / name).mkdir()
    with (folder / BUILD_FILE).open("w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
