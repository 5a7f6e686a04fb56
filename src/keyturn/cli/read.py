"""The verb `read`: store what a gauge showed, or look after what was stored."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.options import BuildPath, Json
from keyturn.errors import Place, ValueRefused

if TYPE_CHECKING:
    from keyturn.errors import BuildError
    from keyturn.evidence.reading import Reading
    from keyturn.journal.typed import Typed
    from keyturn.tasks.read import Stored

Word = str | None


def _option(name: str, metavar: str, words: str) -> typer.models.OptionInfo:
    found: typer.models.OptionInfo = typer.Option(name, metavar=metavar, help=words)
    return found


def read(
    build: BuildPath,
    kind: Annotated[
        Word, typer.Argument(metavar="KIND", help="What was read, such as rail-pressure.")
    ] = None,
    value: Annotated[
        Word, typer.Argument(metavar="VALUE", help='With its unit, such as "43.5 psi".')
    ] = None,
    state: Annotated[
        Word, _option("--state", "STATE", "key-on, cranking, idle, held-speed, full-load.")
    ] = None,
    reference: Annotated[
        Word, _option("--reference", "on|off", "Was the regulator's hose on?")
    ] = None,
    rpm: Annotated[Word, _option("--rpm", "SPEED", "Engine speed, rev/min if bare.")] = None,
    manifold: Annotated[
        Word, _option("--manifold", "PRESSURE", "Manifold pressure, gauge or abs said.")
    ] = None,
    pressure: Annotated[
        Word,
        _option(
            "--pressure",
            "PRESSURE",
            "At the start of a hold, while fuel was caught, or by the first gauge.",
        ),
    ] = None,
    seconds: Annotated[
        Word, _option("--seconds", "TIME", "After shut-off or for a volume.")
    ] = None,
    isolated: Annotated[
        Word, _option("--isolated", "feed|return|both", "What was closed during a hold.")
    ] = None,
    lent: Annotated[
        Word,
        _option("--lent", "CAUSES", "Parts lent a good one for this test, such as wiring."),
    ] = None,
    renewed: Annotated[
        Word, _option("--renewed", "CAUSES", "Parts renewed since earlier readings.")
    ] = None,
    volts: Annotated[Word, _option("--volts", "VOLTAGE", "At the battery, V if bare.")] = None,
    fuel_temperature: Annotated[
        Word, _option("--fuel-temperature", "TEMPERATURE", "Of the fuel.")
    ] = None,
    instrument: Annotated[
        Word, _option("--instrument", "TEXT", 'Such as "mechanical 0-100 psi".')
    ] = None,
    error: Annotated[
        Word, _option("--error", "WIDTH", "Of the instrument, 1 sigma: 2 psi, or 3 %.")
    ] = None,
    note: Annotated[Word, _option("--note", "TEXT", "Anything worth keeping.")] = None,
    correct: Annotated[
        int | None, _option("--correct", "NO", "Put this reading in place of an earlier one.")
    ] = None,
    confirm: Annotated[
        int | None, _option("--confirm", "NO", "A suspected reading is right as typed.")
    ] = None,
    meant: Annotated[
        Word, _option("--as", "VALUE", "With --confirm: what was meant instead.")
    ] = None,
    withdraw: Annotated[
        int | None, _option("--withdraw", "NO", "Take a reading out of use.")
    ] = None,
    source: Annotated[
        Path | None, _option("--from", "FILE", "Rows of a .toml or .csv file.")
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="Show every reading.")] = False,
    export: Annotated[
        Path | None, _option("--export", "FILE", "Write the journal as JSON lines.")
    ] = None,
    bring: Annotated[Path | None, _option("--import", "FILE", "Read an export back.")] = None,
    json: Json = None,
) -> None:
    """Store a reading with its state and its instrument, or look after what was stored."""
    from keyturn.journal.typed import COLUMNS
    from keyturn.tasks import read as task

    said = {
        "kind": kind, "value": value, "state": state, "reference": reference, "rpm": rpm,
        "manifold": manifold, "fuel_temperature": fuel_temperature, "volts": volts,
        "isolated": isolated, "pressure": pressure, "seconds": seconds,
        "lent": lent, "renewed": renewed,
        "instrument": instrument, "error": error, "note": note,
    }  # fmt: skip
    words = {name: said[name] for name in COLUMNS}
    actions = {
        "KIND VALUE": kind is not None, "--confirm": confirm is not None,
        "--withdraw": withdraw is not None, "--from": source is not None, "--list": listed,
        "--export": export is not None, "--import": bring is not None,
    }  # fmt: skip
    _one_of(actions, words, correct, meant)
    if kind is not None:
        typed = _typed(words)
        done = task.read(build, typed) if correct is None else task.correct(build, correct, typed)
        _say_stored(build, [done], json)
    elif confirm is not None:
        _say([task.confirm(build, confirm, meant)], "reading {0} stored and kept", json)
    elif withdraw is not None:
        task.withdraw(build, withdraw, note or "")
        doors.put(f"reading {withdraw} is out of use; it stays in the journal")
    elif source is not None:
        _from_file(build, source, json)
    elif export is not None:
        count = task.export_journal(build, export)
        doors.put(f"{count} entries written to {export}")
    elif bring is not None:
        count = task.import_journal(build, bring)
        doors.put(f"{count} entries added from {bring}")
    else:
        _say(list(task.listed(build)), "", json)


def _one_of(
    actions: dict[str, bool], words: dict[str, Word], correct: int | None, meant: Word
) -> None:
    """Exactly one action, and nothing typed that it would not use."""
    asked = [name for name, wanted in actions.items() if wanted]
    if len(asked) != 1:
        raise ValueRefused(
            "say one thing to do" if asked else "what is to be done?",
            typed=" ".join(asked) or None,
            accepted=", ".join(actions),
            advice='store one with: keyturn read BUILD rail-pressure "43.5 psi" --state key-on',
        )
    used = set(words) if asked == ["KIND VALUE"] else set()
    if asked == ["--withdraw"]:
        used = {"note"}
    idle = [name for name, text in words.items() if text is not None and name not in used]
    if correct is not None and asked != ["KIND VALUE"]:
        idle.append("correct")
    if meant is not None and asked != ["--confirm"]:
        idle.append("as")
    if idle:
        names = ", ".join("--" + name.replace("_", "-") for name in idle)
        raise ValueRefused(f"{names} has no meaning with {asked[0]}", advice="leave it out")


def _typed(words: dict[str, Word]) -> Typed:
    from keyturn.journal.typed import Typed

    value = words["value"]
    if value is None or value.startswith("--"):
        raise ValueRefused(
            "what was read?", Place(key="VALUE"), value, 'a value with its unit, such as "43.5 psi"'
        )
    rest = {name: text for name, text in words.items() if name not in ("kind", "value")}
    return Typed(words["kind"] or "", value, **rest)


def _say(readings: list[Reading], words: str, json: Word) -> None:
    from keyturn.report.readings import listing, to_json

    if json is not None:
        doors.put_json(to_json(readings), json)
    if json != "-":
        if words:
            doors.put(words.format(readings[0].id))
        doors.put(listing(readings))


def _say_stored(
    build: Path, stored: list[Stored], json: Word, refused: tuple[BuildError, ...] = ()
) -> None:
    from keyturn.evidence.reading import kinds
    from keyturn.report.readings import listing, to_json

    readings = [item.reading for item in stored]
    if json is not None:
        doors.put_json(to_json(readings, refused), json)
    if json == "-":
        return
    if readings:
        doors.put(listing(readings))
    for item in stored:
        if item.meant is not None:
            number = item.reading.id
            doors.put(
                f"  right as typed:  keyturn read {build} --confirm {number}\n"
                f'  meant otherwise: keyturn read {build} --confirm {number} --as "{item.meant}"'
            )
    if not all(item.compared for item in stored):
        doors.put("slips of unit were not looked for: keyturn check has no answer for this build")
    if len(readings) == 1:
        doors.put(f"caution: {kinds()[readings[0].kind].caution}")


def _from_file(build: Path, source: Path, json: Word) -> None:
    from keyturn.tasks.read import read_file

    done = read_file(build, source)
    _say_stored(build, list(done.stored), json, done.refused)
    for fault in done.refused:
        print(f"refused: {fault}", file=sys.stderr)
    if json != "-":
        doors.put(f"{len(done.stored)} stored, {len(done.refused)} refused")
    if done.refused:
        raise typer.Exit(2)
