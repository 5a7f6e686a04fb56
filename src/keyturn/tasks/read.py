"""Readings of a build: stored, listed, corrected, confirmed, taken out, carried elsewhere."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

from keyturn.build.model import Build
from keyturn.build.read import build_path, load
from keyturn.errors import BuildError, FileRefused, KeyturnError, Place, ValueRefused
from keyturn.evidence.reading import Reading, kinds
from keyturn.journal import readings as journal
from keyturn.journal import table
from keyturn.journal.exchange import MOST_BYTES, export_text, import_text
from keyturn.journal.slip import Suspicion, expected, suspect
from keyturn.journal.store import opened
from keyturn.journal.typed import Typed, from_words, one_line, possible, to_reading, value_of
from keyturn.system.result import CheckResult
from keyturn.tasks.check import check
from keyturn.tasks.files import write_all

MOST_SENT = 2000  # rows of a file from a page, which waits for the answer
SAMPLES = 200  # enough for a band that only a slip of several times leaves


@dataclass(frozen=True)
class Stored:
    """One reading as stored; ``meant`` is what to type when the suspicion is right.

    ``compared`` is False when the model has no answer for this build: then no slip was looked for.
    """

    reading: Reading
    meant: str | None = None
    compared: bool = True


@dataclass(frozen=True)
class FromFile:
    """What became of a file: rows that were stored, and why the others were not."""

    stored: tuple[Stored, ...]
    refused: tuple[BuildError, ...]
    again: int = 0  # of those stored, how many the journal held already


def folder_of(build: str | Path) -> Path:
    """The build folder, given itself or its build.toml."""
    return build_path(build).parent


def read(build: str | Path, typed: Typed, token: str | None = None) -> Stored:
    """Store one reading; kept apart when a slip of unit or zero is suspected.

    A reading that was stored under the same ``token`` before is not stored again.
    """
    model = load(build)
    judged = _judged(to_reading(typed, model), model, _expectation(model))
    with opened(folder_of(build), write=True) as book:
        if token is None:
            (kept,) = journal.store(book, [judged.reading])
        else:
            kept, _ = journal.store_once(book, judged.reading, token)
    return replace(judged, reading=kept)


def read_file(build: str | Path, file: Path) -> FromFile:
    """Store every good row of a TOML or CSV file; the bad ones come back with their lines."""
    judged, refused, _ = _of_table(load(build), table.file_text(file), str(file))
    if judged:
        with opened(folder_of(build), write=True) as book:
            kept = journal.store(book, [item.reading for item in judged])
        judged = [replace(item, reading=new) for item, new in zip(judged, kept, strict=True)]
    return FromFile(tuple(judged), tuple(refused))


def read_sent(build: str | Path, raw: bytes, name: str) -> FromFile:
    """The same for a file that a page sends; sent again, each of its rows is stored once."""
    text = table.text_of(raw, name)
    if sum(1 for _ in table.rows(text, name)) > MOST_SENT:
        raise FileRefused(
            "holds too many rows", accepted=f"at most {MOST_SENT} rows",
            advice="send it in several files; nothing was stored",
        )  # fmt: skip
    judged, refused, lines = _of_table(load(build), text, name)
    # a row is known by the whole file and its line
    digest = hashlib.sha256(raw).hexdigest()[:40]
    named = [
        (item.reading, f"file-{digest}-{line}") for item, line in zip(judged, lines, strict=True)
    ]
    done: tuple[tuple[Reading, bool], ...] = ()
    if named:
        with opened(folder_of(build), write=True) as book:
            done = journal.store_each_once(book, named)
    judged = [replace(item, reading=new) for item, (new, _) in zip(judged, done, strict=True)]
    return FromFile(tuple(judged), tuple(refused), sum(not new for _, new in done))


def _of_table(
    model: Build, text: str, name: str
) -> tuple[list[Stored], list[BuildError], list[int]]:
    """Good rows, why the others are refused, and the lines of the good ones."""
    prediction = _expectation(model)
    judged: list[Stored] = []
    refused: list[BuildError] = []
    lines: list[int] = []
    for place, words in table.rows(text, name):
        try:
            if isinstance(words, BuildError):
                raise words
            reading = to_reading(from_words(words, place), model, place)
            judged.append(_judged(reading, model, prediction))
            lines.append(place.line or 0)
        except BuildError as fault:
            refused.append(_at(fault, place))
    return judged, refused, lines


def correct(build: str | Path, number: int, typed: Typed) -> Stored:
    """Put a reading in the place of an earlier one, which stays in the journal."""
    model = load(build)
    judged = _judged(to_reading(typed, model), model, _expectation(model))
    with opened(folder_of(build), write=True) as book:
        kept = journal.put_in_place_of(book, number, judged.reading, "corrects")
    return replace(judged, reading=kept)


def confirm(build: str | Path, number: int, meant: str | None = None) -> Reading:
    """Say that a suspected reading is right as typed, or what was meant instead."""
    model = load(build)
    with opened(folder_of(build), write=True) as book:
        old = journal.standing(book, number)
        if meant is None and old.status != "suspected":
            raise ValueRefused(
                f"reading {number} is not suspected; there is nothing to confirm",
                typed=str(number), advice="change it with --correct, take it out with --withdraw",
            )  # fmt: skip
        new = replace(old, status="kept", suspicion="")
        if meant is not None:
            value = value_of(meant, old, model.site.barometer.si)
            usual = kinds()[old.kind].usual_spread
            # an error that followed from the size of the slip follows the new size
            spread = usual(value) if old.spread == usual(old.value) else old.spread
            new = replace(new, value=value, spread=spread, typed=meant.strip())
        possible(new)
        return journal.put_in_place_of(
            book, number, new, "confirms" if meant is None else "corrects"
        )


def withdraw(build: str | Path, number: int, note: str = "") -> None:
    """Take a reading out of use; it stays in the journal."""
    with opened(folder_of(build), write=True) as book:
        journal.withdraw(book, number, one_line(note, "note", Place()))


def listed(build: str | Path) -> tuple[Reading, ...]:
    """Every reading of a build with what became of it, in the order of writing."""
    with opened(_present(build)) as book:
        return journal.readings(book)


def meant_instead(build: str | Path, given: tuple[Reading, ...]) -> dict[int, str]:
    """For every suspected reading what to type when the suspicion is right, by its number."""
    doubted = [item for item in given if item.status == "suspected"]
    if not doubted:
        return {}
    model = load(build)
    prediction = _expectation(model)
    slips = ((item.id, _slip(item, model, prediction)) for item in doubted)
    return {number: slip.meant for number, slip in slips if slip is not None}


def export_journal(build: str | Path, file: Path) -> int:
    """Write the whole journal as JSON lines; the number of entries."""
    with opened(_present(build)) as book:
        text = export_text(book, name_of(build))
    write_all(file.parent, {file.name: text.encode()})
    return text.count("\n") - 1


def import_journal(build: str | Path, file: Path) -> int:
    """Bring the journal up to an export of it; the number of entries that were added."""
    text = table.file_text(file, MOST_BYTES)
    with opened(_present(build), write=True) as book:
        return import_text(book, text, str(file), name_of(build))


def name_of(build: str | Path) -> str:
    """What the car is called, empty while its build.toml cannot be read."""
    try:
        return load(build).name
    except KeyturnError:
        return ""


def _present(build: str | Path) -> Path:
    """The folder of a build, refused when there is no build in it."""
    folder = folder_of(build)
    if not build_path(build).is_file():
        load(build)  # says what is wrong with it
    return folder


def _expectation(model: Build) -> CheckResult | None:
    """What the model expects to be read; a model that cannot be solved expects nothing."""
    try:
        return check(model, samples=SAMPLES)
    except KeyturnError:
        return None


def _slip(reading: Reading, model: Build, prediction: CheckResult | None) -> Suspicion | None:
    if prediction is None or kinds()[reading.kind].quantity == "yes_no":
        return None
    barometer = model.site.barometer.si
    return suspect(reading, expected(reading, prediction), barometer, model.fuel.stoichiometric.si)


def _judged(reading: Reading, model: Build, prediction: CheckResult | None) -> Stored:
    found = _slip(reading, model, prediction)
    if found is None:
        possible(reading)
        return Stored(reading, compared=prediction is not None)
    return Stored(replace(reading, status="suspected", suspicion=found.words), found.meant)


def _at(fault: BuildError, place: Place) -> BuildError:
    """The same fault with the line of its row."""
    where = replace(place, key=fault.place.key)
    return type(fault)(fault.problem, where, fault.typed, fault.accepted, fault.advice)
