"""Which column is which channel: proposed with reasons and confidence, never taken silently."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from keyturn.errors import CannotAnswer, Place, ValueRefused
from keyturn.logs.columns import Column, Kind, kinds, name_score
from keyturn.logs.decide import Choice, Context, Decision, decide, fits
from keyturn.logs.frame import Samples

LEAST = 0.45
NEAR = 0.04  # two columns closer than this are asked
ORDER = ("engine_speed", "barometer")  # others are judged with these in hand
CLOCK_NAMES = re.compile(r"time|zeit|clock|date|heure|hora|ora\b|stamp")


@dataclass(frozen=True)
class Item:
    """A proposal for one channel."""

    channel: str
    column: str
    unit: str  # as the numbers would be taken; empty while it is asked
    scale: float
    offset: float
    confidence: float  # 0 to 1
    reasons: tuple[str, ...]
    question: str | None = None  # open until answered: the channel is left out
    options: tuple[str, ...] = ()  # answers to the question


@dataclass(frozen=True)
class Proposal:
    """What would be taken from a log, and what has to be asked."""

    items: tuple[Item, ...]
    unused: tuple[str, ...]  # columns that nothing was made of

    def __getitem__(self, channel: str) -> Item:
        return next(item for item in self.items if item.channel == channel)

    def __contains__(self, channel: object) -> bool:
        return any(item.channel == channel for item in self.items)

    @property
    def questions(self) -> tuple[Item, ...]:
        return tuple(item for item in self.items if item.question)

    @property
    def clear(self) -> tuple[Item, ...]:
        return tuple(item for item in self.items if not item.question)


def propose(
    columns: list[Column],
    context: Context,
    said: Mapping[str, str] | None = None,
    remembered: Mapping[str, str] | None = None,
    file: str = "the log",
) -> Proposal:
    """A proposal for every channel that some column may be.

    ``said`` and ``remembered`` map a channel to "COLUMN as UNIT" or "none"; what was said now
    goes before what was remembered, and both before what the names suggest. What is remembered
    is still held against the values, and asked again when they speak against it.
    """
    fixed = {**(remembered or {}), **(said or {})}
    answers = {name: _answer(name, text, columns) for name, text in fixed.items()}
    taken = {answer[0] for answer in answers.values() if answer}
    items: dict[str, Item] = {}
    time = _time(columns, answers.get("time"), file)
    items["time"] = time
    taken.add(time.column)
    names = [*ORDER, *(name for name in kinds() if name not in (*ORDER, "time"))]
    for name in names:
        kind = kinds()[name]
        if name in answers:
            found = _fixed(name, answers[name], columns, context, name in (said or {}))
        else:
            found = _best(kind, columns, taken, context)
        if found is None:
            continue
        items[name] = found
        taken.add(found.column)
        context = _learn(context, found, columns)
    items = _together(items, columns, context)
    used = {item.column for item in items.values()}
    ordered = tuple(items[name] for name in kinds() if name in items)
    return Proposal(ordered, tuple(column.name for column in columns if column.name not in used))


def _answer(channel: str, text: str, columns: list[Column]) -> tuple[str, str | None] | None:
    """("COLUMN", unit or None) from "COLUMN as UNIT"; None from "none"."""
    if channel not in kinds():
        raise ValueRefused(
            "there is no such channel",
            place=Place(key="--map"),
            typed=channel,
            accepted=", ".join(kinds()),
        )
    if text.strip().lower() == "none":
        return None
    names = {column.name for column in columns}
    if text.strip() in names:
        return text.strip(), None
    column, _, unit = text.rpartition(" as ")
    if column.strip() in names and unit.strip():
        return column.strip(), unit.strip()
    raise ValueRefused(
        f"the log has no column {(column or text).strip()!r}",
        place=Place(key="--map"),
        typed=f"{channel}={text}",
        accepted="one of: " + ", ".join(sorted(names)[:40]),
        advice="write it as the log does: --map 'rail_gauge=Fuel Press as psi gauge'",
    )


def _fixed(
    name: str,
    answer: tuple[str, str | None] | None,
    columns: list[Column],
    context: Context,
    now: bool,
) -> Item | None:
    """The channel as it was said, now or before."""
    if answer is None:
        return None
    kind = kinds()[name]
    column = next(column for column in columns if column.name == answer[0])
    if not column.number:
        return Item(
            name, column.name, "", 1.0, 0.0, 0.0, (),
            f"{column.name!r} holds no numbers: which column is {name}?", ("none",),
        )  # fmt: skip
    decision = decide(column, kind, context, answer[1])
    reason = "as you said" if now else "as you confirmed for an earlier log with these columns"
    item = _item(kind, column, decision, 0.4, (reason,))
    doubt = _doubt(column, kind, decision, context)
    if doubt is None:
        return item
    if now:
        return replace(item, reasons=(*item.reasons, f"but {doubt}"), confidence=0.5)
    question = f"{column.name!r} was {item.unit} in an earlier log, but {doubt}. Still so?"
    options = (f"{column.name} as {item.unit}", "none")
    return replace(item, question=question, options=options, confidence=0.3)


def _doubt(column: Column, kind: Kind, decision: Decision, context: Context) -> str | None:
    """What the values say against a reading that was fixed."""
    if decision.choice is None:
        return None
    if decision.conflict:
        return f"its values speak against that: {decision.choice.reasons[-1]}"
    free = decide(column, kind, context).choice
    if free is None or not free.support or free.text == decision.choice.text:
        return None
    return f"its values look like {free.text}: {free.reasons[0]}"


def _best(kind: Kind, columns: list[Column], taken: set[str], context: Context) -> Item | None:
    """The column that fits best by name, unit and values; a near second makes it a question."""
    scored: list[tuple[float, Column, Decision, tuple[str, ...]]] = []
    for column in columns:
        if column.name in taken or not column.number:
            continue
        score, reason = name_score(column, kind)
        if not score:
            continue
        if column.unit is not None:
            if not fits(column.unit, kind):
                continue
            score += 0.22
            reason += f"; its unit is {column.unit}"
        decision = decide(column, kind, context)
        score += -0.1 if decision.conflict else 0.15
        score -= 0.2 if column.filled < 0.02 else 0.0
        if score >= LEAST:
            scored.append((score, column, decision, (reason,)))
    if not scored:
        return None
    scored.sort(key=lambda row: -row[0])
    score, column, decision, reasons = scored[0]
    item = _item(kind, column, decision, score, reasons)
    rivals = [row[1].name for row in scored[1:] if score - row[0] < NEAR]
    if rivals and not item.question:
        question = f"{kind.name}: {column.name!r} or " + " or ".join(f"{r!r}" for r in rivals) + "?"
        options = tuple(f"{name} as {item.unit}" for name in (column.name, *rivals))
        return replace(item, question=question, options=(*options, "none"), confidence=0.45)
    return item


def _item(
    kind: Kind, column: Column, decision: Decision, score: float, reasons: tuple[str, ...]
) -> Item:
    choice = decision.choice
    if choice is None:
        options = tuple(f"{column.name} as {one.text}" for one in decision.options)
        return Item(
            kind.name, column.name, "", 1.0, 0.0, min(score, decision.confidence), reasons,
            decision.question, (*options, "none"),
        )  # fmt: skip
    confidence = min(0.99, decision.confidence * min(1.0, score + 0.25))
    if reasons and reasons[0].startswith("as you"):
        confidence = decision.confidence
    return Item(
        kind.name, column.name, choice.text, choice.scale, choice.offset, round(confidence, 2),
        tuple(dict.fromkeys((*reasons, *choice.reasons))),
    )  # fmt: skip


def _learn(context: Context, item: Item, columns: list[Column]) -> Context:
    """What one channel says about the others."""
    if item.question:
        return context
    values = _values(item, columns)
    if item.channel == "engine_speed":
        return replace(context, speed=values)
    if item.channel == "barometer":
        return replace(context, logged_barometer=float(np.nanmedian(values)))
    return context


def _values(item: Item, columns: list[Column]) -> Samples:
    column = next(column for column in columns if column.name == item.column)
    return column.values * item.scale + item.offset


def _time(columns: list[Column], answer: tuple[str, str | None] | None, file: str) -> Item:
    """The clock: a column that rises and is called so, or a text of hours and minutes."""
    kind = kinds()["time"]
    if answer is not None:
        column = next(column for column in columns if column.name == answer[0])
        return _timed(column, 0.99, ("as you said",), answer[1])
    scored = []
    for column in columns:
        score, reason = name_score(column, kind)
        if column.unit is not None and column.unit.kind != "time":
            continue
        if not column.number:
            if column.filled == 0.0 and CLOCK_NAMES.search(column.label) and score:
                scored.append((score - 0.05, column, reason))
            continue
        rising = _rising(column.values)
        if rising < 0.97:
            continue
        if not score and (column is columns[0] or column.unit is not None):
            score, reason = 0.3, f"{column.name!r} only rises"
        if score:
            scored.append((score + (0.1 if column.unit else 0.0), column, reason))
    if not scored:
        raise CannotAnswer(
            f"{file} has no column that can be its time",
            (
                "a log with a time column: switch the logger's time stamp on and record again",
                "if it is there under another name: --map 'time=COLUMN as s'",
            ),
        )
    score, column, reason = max(scored, key=lambda row: row[0])
    return _timed(column, score, (reason, "it only rises"), None)


def _rising(values: Samples) -> float:
    good = values[np.isfinite(values)]
    steps = np.diff(good)
    if len(steps) == 0 or not (steps > 0).any():
        return 0.0
    # a clock that starts again in the middle is still a clock
    return float(np.mean(steps >= 0)) if (steps >= 0).mean() > 0.5 else 0.0


TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0}


def _timed(column: Column, score: float, reasons: tuple[str, ...], said: str | None) -> Item:
    """The unit of the clock: as said or written, else by its steps."""
    item = Item("time", column.name, "", 1.0, 0.0, round(min(0.98, score + 0.35), 2), reasons)
    if not column.number:
        return replace(item, unit="clock", reasons=(*reasons, "written as hours and minutes"))
    if said is not None:
        if said not in TIME_UNITS:
            raise ValueRefused(
                "no unit of time", Place(key="--map"), said, accepted=", ".join(TIME_UNITS)
            )
        return replace(item, unit=said, scale=TIME_UNITS[said])
    if column.unit is not None:
        name = column.unit.name
        return replace(item, unit=name, scale=column.unit.scale)
    return _by_steps(item, column)


def _by_steps(item: Item, column: Column) -> Item:
    good = column.values[np.isfinite(column.values)]
    start = float(np.median(good))
    for unit, since in (("s", 1e9), ("ms", 1e12), ("us", 1e15)):
        if since <= start < 5 * since:
            reason = "it counts from 1970"
            return replace(item, unit=unit, scale=TIME_UNITS[unit], reasons=(*item.reasons, reason))
    steps = np.diff(good)
    whole = bool(np.all(good == np.round(good)))
    length = float(good[-1] - good[0]) if len(good) else 0.0
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    if not whole and length < 86400:
        reason = f"its steps of {usual:.3g} are no whole numbers: seconds"
        return replace(item, unit="s", scale=1.0, reasons=(*item.reasons, reason))
    if whole and length > 86400 * 7:
        unit = "us" if length > 1e9 else "ms"
        reason = f"it runs over {length:.4g}: in seconds that would be days"
        return replace(item, unit=unit, scale=TIME_UNITS[unit], reasons=(*item.reasons, reason))
    options = ("s", "ms", "us")
    question = (
        f"{column.name!r} goes in steps of {usual:.4g}: seconds, milliseconds or microseconds?"
    )
    return replace(
        item, unit="", question=question, confidence=0.4,
        options=tuple(f"{column.name} as {unit}" for unit in options),
    )  # fmt: skip


# Channels that move together on any running engine: how to make one from the others.
def _pulse_share(rows: dict[str, Samples]) -> Samples:
    # an injector fires once in two turns
    return rows["injector_pulse"] * rows["engine_speed"] / 2.0


def _drawn(rows: dict[str, Samples]) -> Samples:
    return rows["manifold_pressure"] * rows["engine_speed"]


PAIRS = (
    ("duty", ("injector_pulse", "engine_speed"), _pulse_share, "pulse width times engine speed"),
    ("air_flow", ("manifold_pressure", "engine_speed"), _drawn, "manifold pressure times speed"),
)


def _together(items: dict[str, Item], columns: list[Column], context: Context) -> dict[str, Item]:
    """Hold channels against each other: what moves together, and what adds up."""
    items = dict(items)
    rows = {n: _values(i, columns) for n, i in items.items() if n != "time" and not i.question}
    for name, parts, make, words in PAIRS:
        if name not in rows or not all(part in rows for part in parts):
            continue
        r = _correlation(rows[name], make(rows))
        if r is None:
            continue
        reason = f"it moves with {words} (r = {r:.2f})"
        shift = 0.02 if r > 0.9 else -0.25 if r < 0.3 else 0.0
        items[name] = replace(
            items[name],
            confidence=round(min(0.99, items[name].confidence + shift), 2),
            reasons=(*items[name].reasons, reason),
        )
    rail, across = items.get("rail_gauge"), rows.get("across_injector")
    manifold = rows.get("manifold_pressure")
    if rail is not None and rail.question and across is not None and manifold is not None:
        items["rail_gauge"] = _sums(rail, across + manifold - context.ambient, columns, context)
    return items


def _sums(rail: Item, expected: Samples, columns: list[Column], context: Context) -> Item:
    """Take the rail reading under which rail less manifold is the pressure across, if only one."""
    column = next(column for column in columns if column.name == rail.column)
    fitting: list[Choice] = []
    for option in rail.options:
        _, _, text = option.rpartition(" as ")
        choice = decide(column, kinds()["rail_gauge"], context, text).choice
        if choice is None:
            continue
        values = column.values * choice.scale + choice.offset
        miss = np.nanmedian(np.abs(values - expected))
        if miss < 0.02 * np.nanmedian(np.abs(expected)) + 2e3:
            fitting.append(choice)
    if len(fitting) != 1:
        return rail
    reason = "so taken, rail less manifold is the pressure across the injector in the log"
    one = fitting[0]
    return Item(
        "rail_gauge", rail.column, one.text, one.scale, one.offset, 0.95, (*rail.reasons, reason)
    )


def _correlation(one: Samples, other: Samples) -> float | None:
    good = np.isfinite(one) & np.isfinite(other)
    if good.sum() < 50 or np.std(one[good]) == 0 or np.std(other[good]) == 0:
        return None
    return float(np.corrcoef(one[good], other[good])[0, 1])
