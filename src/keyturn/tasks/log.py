"""Logs of a build: brought in, their columns confirmed once, found again."""

from __future__ import annotations

import filecmp
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from keyturn.build.read import build_path, load
from keyturn.errors import AmbiguousValue, BuildError, CannotAnswer, FileRefused, Place
from keyturn.logs import clock as clocks
from keyturn.logs import remember
from keyturn.logs.columns import columns, kinds
from keyturn.logs.decide import Context
from keyturn.logs.frame import Channel, Recording, Samples, from_text, to_text
from keyturn.logs.mapping import Item, Proposal, propose
from keyturn.logs.mdf import open_mdf
from keyturn.logs.parquet import open_parquet
from keyturn.logs.sniff import kind_of, sniff
from keyturn.logs.stored import Sampled, column, in_four_bytes, sampled
from keyturn.logs.table import Table, begin
from keyturn.tasks.files import write_all

ORIGINALS = "logs"
MADE = Path("made") / "logs"
KEPT = ("columns", "units", "rows", "refused", "refused_rows", "notes")  # of a table, beside it
# What a log is worth little without, and what it is needed for; any one of a row will do.
WANTED = (
    (("engine_speed",), "engine speed: without it nothing can be told apart"),
    (("manifold_pressure",), "manifold pressure (absolute): pressure across the injectors, boost"),
    (("rail_gauge", "across_injector"), "fuel pressure at the rail: whether the supply holds"),
    (("lambda",), "lambda of a wideband probe: whether the mixture follows"),
    (("duty", "injector_pulse"), "injector duty or pulse width: fuel flow"),
    (("voltage",), "voltage, best at the pump: wiring"),
    (("inlet_temperature",), "inlet temperature after the cooler: heat"),
)


# what the columns seem to be, what was confirmed for the same ones before, the rows it rests on
Found = tuple[Proposal, dict[str, str] | None, Sampled]


@dataclass(frozen=True)
class Imported:
    """A log in the build folder; ``recording`` is there once its mapping stands confirmed."""

    name: str
    proposal: Proposal
    recording: Recording | None
    remembered: bool  # the mapping was confirmed for an earlier log with the same columns
    rows: int
    missing: tuple[str, ...]  # what to record next time, and what for
    refused: tuple[tuple[int, str], ...]
    refused_rows: int
    notes: tuple[str, ...]

    @property
    def confirmed(self) -> bool:
        return self.recording is not None

    @property
    def questions(self) -> tuple[Item, ...]:
        return self.proposal.questions


def import_log(
    build: str | Path,
    file: str | Path,
    mapping: Mapping[str, str] | None = None,
    confirm: bool = False,
) -> Imported:
    """Bring a log into the build folder; its columns are taken once they are confirmed.

    ``mapping`` says channels as "COLUMN as UNIT" or "none" and goes before what is proposed.
    Nothing is taken without ``confirm``, unless a log with the same columns was confirmed before
    and the values of this one do not speak against it. A channel with an open question is left
    out, and its question stays in the answer.
    """
    folder = build_path(build).parent
    context = _context(build)
    with _stored(folder, Path(file)) as (table, name):
        proposal, known, taken = _proposed(folder, table, name, context, mapping)
        exact = proposal["time"].column
        if not in_four_bytes(table, exact):
            return _taken(folder, table, name, (proposal, known, taken), mapping or {}, confirm)
    with _stored(folder, folder / ORIGINALS / name, exact) as (table, name):
        found = _proposed(folder, table, name, context, mapping)
        return _taken(folder, table, name, found, mapping or {}, confirm)


def _taken(
    folder: Path, table: Table, name: str, found: Found, mapping: Mapping[str, str], confirm: bool
) -> Imported:
    """The log with the channels that are confirmed, now or before."""
    proposal, known, taken = found
    originals = folder / ORIGINALS
    remembered = known is not None and not mapping
    recording = None
    if confirm:
        recording = _recording(folder, name, table, proposal, taken.filled)
        words = _words(proposal, mapping, known or {})
        table.settled()  # nothing is remembered of a log that could not be stored
        write_all(originals, {remember.FILE: remember.text_with(originals, table, words)})
    elif remembered and known is not None:
        # only what was confirmed then; what this log would add is shown and has to be confirmed
        before = tuple(item for item in proposal.items if item.channel in known)
        if not any(item.question for item in before):
            recording = _recording(
                folder, name, table, replace(proposal, items=before), taken.filled
            )
    notes = recording.notes if recording is not None else table.notes
    return Imported(
        name, proposal, recording, remembered, table.rows, _missing(proposal),
        table.refused, table.refused_rows, notes,
    )  # fmt: skip


def look(build: str | Path, name: str, mapping: Mapping[str, str] | None = None) -> Imported | None:
    """What the columns of a log in the build folder seem to be; nothing is taken or written.

    None where the file was not read yet, or is another one by now; no item and what is missing
    where nothing in it can be its time.
    """
    folder = build_path(build).parent
    table = _table_kept(folder, name)
    if table is None:
        return None
    found = kept(build, name)
    try:
        proposal, known, _ = _proposed(folder, table, name, _context(build), mapping)
    except CannotAnswer as fault:
        # no column can be its time: all are shown, so that somebody may say which one is
        return Imported(
            name, Proposal((), table.columns), None, False, table.rows, fault.missing,
            table.refused, table.refused_rows, (str(fault).split("\n")[0], *table.notes),
        )  # fmt: skip
    return Imported(
        name, proposal, found, known is not None and not mapping, table.rows, _missing(proposal),
        table.refused, table.refused_rows, table.notes if found is None else found.notes,
    )  # fmt: skip


def _proposed(
    folder: Path, table: Table, name: str, context: Context, mapping: Mapping[str, str] | None
) -> Found:
    """The proposal, what was confirmed for these columns before, and the rows it rests on."""
    known = remember.recall(folder / ORIGINALS, table)
    taken = sampled(table)
    return propose(columns(table, taken), context, mapping, known, name), known, taken


def recordings(build: str | Path) -> tuple[str, ...]:
    """Names of the logs in the build folder, the original files, oldest name first."""
    folder = build_path(build).parent / ORIGINALS
    if not folder.is_dir():
        return ()
    found = [p.name for p in folder.iterdir() if p.is_file() and not p.name.startswith(".")]
    return tuple(sorted(name for name in found if name != remember.FILE))


def recording(build: str | Path, name: str) -> Recording:
    """A confirmed log by its name; its table is made again where made/ was cleared."""
    folder = build_path(build).parent
    if name not in recordings(build):
        raise FileRefused(
            f"there is no log {name!r}",
            place=Place(file=ORIGINALS),
            accepted=", ".join(recordings(build)[:20]) or "none yet: keyturn log BUILD FILE",
        )
    found = kept(build, name)
    if found is not None:
        return found
    again = import_log(build, folder / ORIGINALS / name)
    if again.recording is None:
        raise CannotAnswer(
            f"the columns of {name} are not confirmed",
            (f"look at what is proposed, then: keyturn log BUILD logs/{name} --confirm",),
        )
    return again.recording


def kept(build: str | Path, name: str) -> Recording | None:
    """A confirmed log as it lies in made/, without making anything; None where that is needed."""
    folder = build_path(build).parent
    if _table_kept(folder, name) is None:
        return None
    try:
        text = _paths(folder, name)["recording"].read_text(encoding="utf-8")
        found = from_text(text, folder / ORIGINALS, folder / MADE)
        whole = found.clock.stat().st_size > 8 * found.rows
    except (OSError, ValueError, KeyError, TypeError):
        return None  # cleared or cut off
    return found if whole else None


def _context(build: str | Path) -> Context:
    model = load(build)
    return Context(model.site.barometer.si, model.fuel.kind, model.fuel.density.si)


def _paths(folder: Path, name: str) -> dict[str, Path]:
    made = folder / MADE
    return {
        "table": made / f"{name}.arrow",
        "about": made / f"{name}.table.json",
        "recording": made / f"{name}.recording.json",
    }


def made_files(folder: Path, name: str) -> tuple[Path, ...]:
    """Everything that is made of a log and can be made again."""
    paths = _paths(folder, name)
    return (*paths.values(), paths["table"].with_suffix(".time.npy"))


@contextmanager
def _stored(folder: Path, file: Path, exact: str | None = None) -> Iterator[tuple[Table, str]]:
    """The table of a log and the name of its original in logs/; read only once.

    Original and table lie in their places at the end, also of a block that was refused. With
    ``exact`` it is read again, and that column kept in eight bytes whatever it looks like.
    """
    try:
        if not file.is_file():
            raise FileRefused("there is no such file", place=Place(file=str(file)))
        originals, made = folder / ORIGINALS, folder / MADE
        originals.mkdir(exist_ok=True)
        made.mkdir(parents=True, exist_ok=True)
        name = _name(originals, file)
        kept = _table_kept(folder, name)
        if kept is not None and exact is None:
            yield kept, name
            return
        with tempfile.TemporaryDirectory(dir=made, prefix=".import-") as waiting:
            # what is kept is what is read, also while the logger still writes
            source = originals / name
            if not source.exists():
                source = Path(waiting) / name
                shutil.copyfile(file, source)
            table = _read(source, Path(waiting) / ".table", exact)
            try:
                yield table, name
            finally:
                _settle(folder, name, table, source)
    except OSError as error:
        raise FileRefused(
            f"cannot be brought in: {error.strerror or error}",
            place=Place(file=str(file)),
            accepted="a file that you may read, and a build folder with free space",
            advice="nothing was changed in logs/",
        ) from error


def _settle(folder: Path, name: str, table: Table, source: Path) -> None:
    """Original and table to their places, the table once it is whole."""
    original, paths = folder / ORIGINALS / name, _paths(folder, name)
    made_of = table.settled().path
    os.replace(source, original)
    os.replace(made_of, paths["table"])
    about = {key: getattr(table, key) for key in KEPT}
    about |= {"size": original.stat().st_size, "stored": paths["table"].stat().st_size}
    _put(paths["about"], json.dumps(about).encode())


def _name(originals: Path, file: Path) -> str:
    """The name in logs/: its own, or with a number where another file has that."""
    if file.resolve().parent == originals.resolve():
        return file.name
    # a leading point would hide the file, and mapping.toml is ours
    plain = file.name.lstrip(".") or "log"
    stem, dot, ending = plain.rpartition(".")
    stem, ending = (stem, dot + ending) if dot else (plain, "")
    for number in range(1, 10_000):
        name = plain if number == 1 else f"{stem}-{number}{ending}"
        if name == remember.FILE:
            continue
        there = originals / name
        if not there.exists() or filecmp.cmp(there, file, shallow=False):
            return name
    raise FileRefused("too many logs of this name", place=Place(file=file.name))


def _table_kept(folder: Path, name: str) -> Table | None:
    """The table that was made of a log before; None if the log has grown or changed since."""
    paths, original = _paths(folder, name), folder / ORIGINALS / name
    try:
        about = json.loads(paths["about"].read_text(encoding="utf-8"))
        same = about.pop("size") == original.stat().st_size
        same &= about.pop("stored") == paths["table"].stat().st_size
    except (OSError, ValueError, KeyError):
        # made/ may be cleared at any time, also by half, or cut off by a loss of power
        return None
    if not same:
        return None
    lists = {name: tuple(about[name]) for name in ("columns", "units", "notes")}
    refused = tuple((line, why) for line, why in about["refused"])
    return Table(**{**about, **lists, "path": paths["table"], "refused": refused})


def _read(file: Path, target: Path, exact: str | None) -> Table:
    kind = kind_of(file)
    if kind == "parquet":
        return open_parquet(file, target)
    if kind == "mdf":
        return open_mdf(file, target)
    dialect = sniff(file)
    if exact is not None:
        pairs = zip(dialect.names, dialect.single, strict=True)
        dialect = replace(dialect, single=tuple(few and name != exact for name, few in pairs))
    return begin(file, dialect, target)


def _recording(
    folder: Path, name: str, table: Table, proposal: Proposal, filled: Mapping[str, float]
) -> Recording:
    """The recording under the proposal's clear items, with its clock, both kept in made/."""
    time = proposal["time"]
    if time.question:
        raise AmbiguousValue(
            time.question, Place(file=name, key="time"), accepted=", ".join(time.options),
            advice=f"say it: --map 'time={time.options[0]}'",
        )  # fmt: skip
    others = [item for item in proposal.clear if item.channel != "time"]
    if not others:
        asked = [item.question for item in proposal.questions if item.question]
        raise CannotAnswer(
            f"nothing in {name} is known to be a channel",
            [
                *asked,
                *(words for _, words in WANTED),
                "or say it: --map 'engine_speed=COLUMN as rpm'",
            ],
        )
    clock = clocks.run(_raw_time(table, time), name)
    channels = {
        item.channel: Channel(
            item.channel, item.column, item.unit, item.scale, item.offset,
            filled[item.column] * clock.rate,
        )
        for item in others
    }  # fmt: skip
    open_ones = tuple(
        f"{item.channel} is left out until you answer: {item.question}"
        for item in proposal.questions
    )
    found = Recording(
        name, folder / ORIGINALS / name, _paths(folder, name)["table"], table.rows,
        table.columns, channels,
        clock.rate, float(clock.seconds[-1]), clock.gaps, clock.resets,
        (*table.notes, *clock.notes, *open_ones), table.refused, table.refused_rows,
    )  # fmt: skip
    _put(found.clock, clock.seconds)
    _put(_paths(folder, name)["recording"], to_text(found).encode())
    return found


def _raw_time(table: Table, time: Item) -> Samples:
    if time.unit == "clock":
        return clocks.from_texts(table, time.column)
    return column(table, time.column, time.scale)


def _put(path: Path, content: bytes | Samples) -> None:
    """Write a file that can be made again: whole or not at all, not waiting for the disk."""
    waiting = path.with_name(f".{path.name}")
    with waiting.open("wb") as stream:
        if isinstance(content, bytes):
            stream.write(content)
        else:
            np.save(stream, content)
    os.replace(waiting, path)


def _words(proposal: Proposal, said: Mapping[str, str], known: Mapping[str, str]) -> dict[str, str]:
    """What to remember: every clear item, and every "none" that was said."""
    words = {item.channel: f"{item.column} as {item.unit}" for item in proposal.clear}
    for name, text in {**known, **said}.items():
        if text.strip().lower() == "none" and name not in words:
            words[name] = "none"
    return {name: words[name] for name in kinds() if name in words}


def _missing(proposal: Proposal) -> tuple[str, ...]:
    clear = {item.channel for item in proposal.items}
    return tuple(words for names, words in WANTED if not clear.intersection(names))


def answers(typed: list[str]) -> dict[str, str]:
    """``--map`` words "CHANNEL=COLUMN as UNIT" taken apart."""
    found: dict[str, str] = {}
    for text in typed:
        name, sign, rest = text.partition("=")
        if not (sign and name.strip() and rest.strip()):
            raise BuildError(
                "a mapping cannot be read", Place(key="--map"), text,
                "CHANNEL=COLUMN as UNIT, such as 'rail_gauge=Fuel Press as psi gauge', or =none",
            )  # fmt: skip
        found[name.strip()] = rest.strip()
    return found
