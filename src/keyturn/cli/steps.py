"""The verb `steps`: from first start to first load, one hold point at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.options import BuildPath, Figure, Full, Json
from keyturn.errors import Place, ValueRefused

Word = str | None
ACTIONS = "now, path, open, close, sweep, scope, timer, record, override, ladder, climb, card"


@dataclass(frozen=True)
class Said:
    """What was typed behind the action."""

    build: Path
    words: tuple[str, ...]
    here: tuple[str, ...]
    area: str
    where: str
    minutes: float
    after: tuple[int, ...]
    before: str
    note: str
    rpm: str
    manifold: str
    at_least: float | None
    sure: bool
    withdraw: bool
    full: bool
    json: Word
    figure: Path | None


def _option(name: str, metavar: str, words: str) -> typer.models.OptionInfo:
    found: typer.models.OptionInfo = typer.Option(name, metavar=metavar, help=words)
    return found


def steps(
    build: BuildPath,
    action: Annotated[
        Word, typer.Argument(metavar="ACTION", help=f"{ACTIONS}; all stages if unsaid.")
    ] = None,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="WORDS", help="Stage, FIELD=VALUE, number, or what is open: see docs/steps.md."
        ),
    ] = None,
    here: Annotated[
        Word,
        _option("--here", "LIST", "What there is: level-floor,stands,outdoors,second-person,..."),
    ] = None,
    area: Annotated[
        Word, _option("--area", "AREA", "Of an open item: fuel, oil, belt, ...")
    ] = None,
    where: Annotated[Word, _option("--where", "TEXT", "Where on the car an item is.")] = None,
    minutes: Annotated[float, typer.Option(help="Work that an open item takes.")] = 10.0,
    after: Annotated[Word, _option("--after", "NOS", "Items that come before it: 3,4.")] = None,
    before: Annotated[
        str, typer.Option(metavar="WHAT", help="An open item stands before: start, load, nothing.")
    ] = "start",
    note: Annotated[Word, _option("--note", "TEXT", "Anything worth keeping.")] = None,
    rpm: Annotated[Word, _option("--rpm", "SPEED", "Of a climb, at its lowest pressure.")] = None,
    manifold: Annotated[
        Word, _option("--manifold", "PRESSURE", "Of a climb there: 8 psi boost.")
    ] = None,
    at_least: Annotated[
        float | None, typer.Option(help="Chance that the limits of a step hold; 0.95 or more.")
    ] = None,
    sure: Annotated[bool, typer.Option("--sure", help="It is right as typed.")] = False,
    withdraw: Annotated[bool, typer.Option("--withdraw", help="Take an override back.")] = False,
    json: Json = None,
    figure: Figure = None,
    full: Full = False,
) -> None:
    """Show hold points, open items and the load ladder, or write down what was done.

    Evidence opens a hold point, nothing else; an override is printed everywhere after.
    """
    done = _ACTIONS.get(action or "")
    if done is None:
        raise ValueRefused("no such action", Place(key="ACTION"), action, ACTIONS)
    said = Said(
        build, tuple(words or ()), _listed(here), area or "", where or "", minutes,
        _numbers(after), before, note or "", rpm or "", manifold or "", at_least, sure, withdraw,
        full, json, figure,
    )  # fmt: skip
    done(said)


def _listed(text: Word) -> tuple[str, ...]:
    return tuple(word.strip() for word in (text or "").split(",") if word.strip())


def _numbers(text: Word) -> tuple[int, ...]:
    try:
        return tuple(int(word) for word in _listed(text))
    except ValueError:
        raise ValueRefused("numbers of items", Place(key="after"), text, "3 or 3,4") from None


def _first(said: Said, what: str, example: str) -> str:
    if not said.words:
        raise ValueRefused(f"{what}?", Place(key="WORDS"), accepted=example)
    return said.words[0]


def _say(said: Said, answer: str, path: bool = False, tasks: bool = False) -> None:
    """The answer, and the job as JSON where that is asked."""
    if said.json is not None:
        from keyturn.report.steps_words import to_json
        from keyturn.tasks.steps import MILESTONES, steps

        now = steps(said.build)
        way = now.plan.path(MILESTONES.get(said.words[0], said.words[0])) if path else None
        able = now.plan.tasks(frozenset(said.here)) if tasks else None
        doors.put_json(to_json(now.name, now.plan, way, able), said.json)
    if said.json != "-":
        doors.put(answer)


def _all(said: Said) -> None:
    from keyturn.report.steps_words import text
    from keyturn.tasks.steps import steps

    with doors.progress(f"looking at the steps of {said.build}"):
        now = steps(said.build)
    if said.figure is not None:
        from keyturn.report.steps_figure import steps_figure
        from keyturn.tasks.files import write_all

        drawn = steps_figure(now.plan, now.plan.path("load"))
        write_all(said.figure.parent, {said.figure.name: drawn.encode()})
    _say(said, text(now.plan, full=said.full))


def _now(said: Said) -> None:
    from keyturn.report.steps_words import tasks_words
    from keyturn.tasks.steps import now_here, steps

    now = steps(said.build)
    able = now_here(said.build, said.here, now.result)
    _say(said, tasks_words(able, now.plan), tasks=True)


def _path(said: Said) -> None:
    from keyturn.report.steps_words import path_words
    from keyturn.tasks.steps import MILESTONES, steps

    target = _first(said, "to which stage", '"first fire", "first drive", load, or a stage')
    now = steps(said.build)
    way = now.plan.path(MILESTONES.get(target.lower(), target))
    _say(said, path_words(way, now.plan), path=True)


def _open(said: Said) -> None:
    from keyturn.report.steps_words import items_words
    from keyturn.tasks.open_items import items, open_item

    if said.words:
        what = " ".join(said.words)
        item = open_item(said.build, what, said.area, said.where, said.minutes, said.here,
                         said.after, said.before)  # fmt: skip
        _say(said, f"open item {item.at}: {item.what}; close it with: "
             f'keyturn steps {said.build} close {item.at} "how"')  # fmt: skip
    else:
        _say(said, items_words(items(said.build)))


def _close(said: Said) -> None:
    from keyturn.tasks.open_items import close_item

    number = _first(said, "which item", 'a number, then how: close 4 "tightened, marked"')
    if not number.isdigit():
        raise ValueRefused("the number of an item", Place(key="close"), number)
    item = close_item(said.build, int(number), " ".join(said.words[1:]))
    _say(said, f"item {item.at} closed: {item.how}; evidence about {item.area} taken before is old")


def _sweep(said: Said) -> None:
    from keyturn.report.steps_words import item_words
    from keyturn.tasks.open_items import sweep

    _, left = sweep(said.build)
    lines = [f"OPEN, no start: {item.at} {item_words(item)}" for item in left]
    _say(said, "\n".join(["swept; it stands for this session, until the list changes", *lines]))


def _scope(said: Said) -> None:
    from keyturn.tasks.steps import scope

    asked = _listed(",".join(said.words))
    areas = None if not asked or asked == ("everything",) else asked
    rows = scope(said.build, areas)
    _say(said, "stages of this car: " + ", ".join(row.name for row in rows))


def _timer(said: Said) -> None:
    from keyturn.tasks.steps_record import start_timer

    stage = _first(said, "which stage and timer", "idle-soak idle")
    row = start_timer(said.build, stage, said.words[1] if said.words[1:] else "")
    _say(said, f"timer {row.name} of {row.stage} runs: {row.minutes:g} min; it runs on by itself")


def _record(said: Said) -> None:
    from keyturn.report.steps_words import verdict_words
    from keyturn.tasks.steps_record import record

    stage = _first(said, "which stage", "fuel-static joints-dry=yes no-smell=yes ...")
    row = record(said.build, stage, doors.changes(said.words[1:]), said.note, sure=said.sure)
    _say(said, verdict_words(row))


def _override(said: Said) -> None:
    from keyturn.tasks.steps_record import override, take_back

    stage = _first(said, "which stage", "a stage, then the reason in one sentence")
    if said.withdraw:
        take_back(said.build, stage)
        _say(said, f"the override of {stage} is taken back; it stays in the journal")
        return
    _say(said, f"OVERRIDE: {override(said.build, stage, ' '.join(said.words[1:]))}")


def _ladder(said: Said) -> None:
    from keyturn.report.steps_words import ladder_words, to_json
    from keyturn.tasks.ladder import ladder
    from keyturn.tasks.steps import steps

    with doors.progress(f"asking the model of {said.build}"):
        now = steps(said.build)
        found = ladder(said.build, said.at_least, result=now.result)
    if said.json is not None:
        doors.put_json(to_json(now.name, now.plan, ladder=found), said.json)
    if said.json != "-":
        doors.put(ladder_words(found))


def _climb(said: Said) -> None:
    from keyturn.tasks.ladder import climb

    step = _first(said, "which step", 'L4 rail-pressure="44 psi" pump-voltage="13.4 V" ...')
    row = climb(said.build, step, doors.changes(said.words[1:]), said.rpm, said.manifold,
                said.note, said.at_least, said.sure)  # fmt: skip
    _say(said, f"{row.step} recorded clean" if row.clean else f"{row.step} is not clean: {row.why}")


def _card(said: Said) -> None:
    from keyturn.tasks.steps_card import write_card

    name = _first(said, "of which stage or step", "fuel-static, or L7")
    for path in write_card(said.build, name, said.figure, said.at_least):
        doors.put(str(path))


_ACTIONS: dict[str, Callable[[Said], None]] = {
    "": _all, "now": _now, "path": _path, "open": _open, "close": _close, "sweep": _sweep,
    "scope": _scope, "timer": _timer, "record": _record, "override": _override,
    "ladder": _ladder, "climb": _climb, "card": _card,
}  # fmt: skip
