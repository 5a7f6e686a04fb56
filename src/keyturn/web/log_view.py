"""A log as its pages lay it out: plain rows for the templates, worded by `report`."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from keyturn.evidence.reading import Reading, kinds
from keyturn.evidence.sensors import LOG
from keyturn.glossary import quantities
from keyturn.journal.store import JOURNAL_FILE
from keyturn.logs.columns import kinds as channels
from keyturn.logs.decide import AFR_SCALES, NEGATIVE
from keyturn.logs.frame import Recording
from keyturn.logs.mapping import Item
from keyturn.report.trace_figure import CHANNEL_WORDS, QUANTITIES
from keyturn.tasks.log import Imported
from keyturn.tasks.read import listed
from keyturn.web.log_files import DERIVED, Log
from keyturn.web.shelf import Car
from keyturn.web.traces import Trace, derived_names
from keyturn.web.words import on_a_page, unit_words

# drawn first, where they are there: what tells most about fuel; of a group the first only
FIRST = (("engine_speed",), ("manifold_pressure",), ("across_injector",), ("rail_gauge",),
         ("lambda_aligned", "lambda"), ("duty",), ("voltage",))  # fmt: skip
MOST_FIRST = 5
# drawn into the lane of another, dashed: what was expected or wanted beside what was recorded
WITH = {
    "across_expected": "across_injector", "lambda_wanted": "lambda_aligned",
    "lambda_target": "lambda",
}  # fmt: skip
BRIEF = {"across_expected": "expected", "lambda_wanted": "wanted", "lambda_target": "wanted"}
NONE = "none"
SURE, FAIR = 0.85, 0.6  # from which a confidence is called so
TAKEN_AS = {"percent": "%", "one": "0 to 1", "1/s": "rev/s", "cc/min": "cm³/min", "mi/h": "mph"}
TIME_UNITS = ("s", "ms", "us", "min", "h")
STATES = {"key-on": "key on, engine off", "idle": "idle", "held-speed": "held speed",
          "full-load": "full load"}  # fmt: skip


def rows(car: Car, known: list[Log]) -> list[dict[str, Any]]:
    """The list of logs: when it came, how large it is, whether its columns are confirmed."""
    from_log = of_logs(car)
    return [_row(log, from_log.get(log.name, [])) for log in known]


def _row(log: Log, readings: list[Reading]) -> dict[str, Any]:
    state = log.original.stat()
    found = log.recording()
    return {
        "name": log.name, "megabytes": round(state.st_size / 1e6, 1),
        "written": datetime.fromtimestamp(state.st_mtime, UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "made_megabytes": round(log.made_bytes() / 1e6, 1),
        "confirmed": found is not None, "rows": found.rows if found else None,
        "duration": found.duration if found else None,
        "lasts": minutes_words(found.duration) if found else "",
        "channels": len(found.channels) if found else None, "readings": len(readings),
    }  # fmt: skip


def minutes_words(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def of_logs(car: Car) -> dict[str, list[Reading]]:
    """Readings of the journal by the log that they were taken from."""
    if not (car.folder / JOURNAL_FILE).is_file():
        return {}
    found: dict[str, list[Reading]] = {}
    for reading in listed(car.folder):
        if reading.instrument.startswith(LOG) and reading.status in ("kept", "suspected"):
            found.setdefault(reading.instrument.removeprefix(LOG), []).append(reading)
    return found


# --- the columns --------------------------------------------------------------------------------
def columns(brought: Imported) -> dict[str, Any]:
    """The proposal as a table: every channel with its column, unit, reasons and alternatives."""
    items = {item.channel: item for item in brought.proposal.items}
    # what is asked comes first: on a phone nobody looks for it below the rest
    asked_first = sorted(items.values(), key=lambda item: item.question is None)
    shown, unused = [_column(item) for item in asked_first], brought.proposal.unused
    others = [
        {"channel": name, "words": CHANNEL_WORDS[name], "units": _units(name)}
        for name in channels() if name not in items
    ]  # fmt: skip
    return {
        "log": brought.name, "confirmed": brought.confirmed, "remembered": brought.remembered,
        "items": shown, "others": others,
        "columns": list(dict.fromkeys((*(one.column for one in items.values()), *unused))),
        "questions": len(brought.questions), "unused": list(unused), "rows": brought.rows,
        "missing": [on_a_page(words) for words in brought.missing],
        "notes": [on_a_page(words) for words in brought.notes],
        "refused": [{"line": line, "why": why} for line, why in brought.refused[:10]],
        "refused_rows": brought.refused_rows,
    }  # fmt: skip


def _column(item: Item) -> dict[str, Any]:
    return {
        "channel": item.channel, "words": CHANNEL_WORDS[item.channel], "column": item.column,
        "unit": item.unit, "confidence": round(100 * item.confidence),
        "sure": "sure" if item.confidence >= SURE
        else "fair" if item.confidence >= FAIR else "doubtful",
        "reasons": list(item.reasons), "question": _question(item),
        "options": [_option(item, text) for text in item.options],
        "units": _units(item.channel, item.unit),
    }  # fmt: skip


def _question(item: Item) -> str | None:
    """The question in the words of the page."""
    if item.question is None:
        return None
    words = item.question.replace(f"as {item.channel}:", f"as {CHANNEL_WORDS[item.channel]}:")
    for option in item.options:
        unit = option.rpartition(" as ")[2]
        said = unit_text(unit).replace("\\", "")
        words = re.sub(rf"\b{re.escape(unit)}\b", said, words)
    return words


def _option(item: Item, text: str) -> dict[str, str]:
    """An answer to a question, and how it reads on a button."""
    if text == NONE:
        return {"value": NONE, "words": "leave it out"}
    column, _, unit = text.rpartition(" as ")
    words = unit_text(unit) if column == item.column else f"{column} as {unit_text(unit)}"
    return {"value": text, "words": words}


def _units(channel: str, now: str = "") -> list[dict[str, str]]:
    """Every way in which the numbers of a channel may be taken."""
    kind = channels()[channel]
    if channel == "time":
        found = list(TIME_UNITS)
    elif kind.kind == "mixture":
        found = ["lambda", *(f"AFR of {fuel}" for fuel in AFR_SCALES)]
    elif kind.kind == "pressure" and kind.side in ("gauge", "absolute"):
        found = [f"{unit} {side}" for side in (kind.side, _other(kind.side)) for unit in kind.units]
    elif channel == "knock_retard":
        found = [text for unit in kind.units for text in (unit, f"{unit}{NEGATIVE}")]
    else:
        found = list(kind.units)
    if now and now not in found:
        found.insert(0, now)
    return [{"value": text, "words": unit_text(text)} for text in found]


def _other(side: str) -> str:
    return "absolute" if side == "gauge" else "gauge"


def unit_text(unit: str) -> str:
    """A unit as it is read: "psi gauge", "°C", "0 to 1"."""
    first, blank, rest = unit.partition(" ")
    return TAKEN_AS.get(first, unit_words(first)) + blank + rest


# --- the traces ---------------------------------------------------------------------------------
def traced(log: Log, found: Recording, with_derived: bool) -> dict[str, Any]:
    """What can be drawn of a log, and what is drawn first."""
    names = drawn(log, found) if with_derived else _ordered(found.channels)
    first = _first(names)
    return {
        "log": log.name, "rows": found.rows, "duration": found.duration, "rate": found.rate,
        "gaps": [[gap.start, gap.end] for gap in found.gaps],
        "resets": [reset.at for reset in found.resets],
        "channels": [
            {"name": name, "words": CHANNEL_WORDS[name], "quantity": _quantity(name),
             "with": WITH.get(name) if WITH.get(name) in names else None,
             "brief": BRIEF.get(name, CHANNEL_WORDS[name]),
             "derived": name not in found.channels, "first": name in first}
            for name in names
        ],
    }  # fmt: skip


def _first(names: list[str]) -> list[str]:
    groups = ([name for name in group if name in names] for group in FIRST)
    lanes = [group[0] for group in groups if group][:MOST_FIRST]
    return [name for name in names if name in lanes or WITH.get(name) in lanes]


def drawn(log: Log, found: Recording) -> list[str]:
    """Channels that can be drawn: those recorded, and those derived when it was judged."""
    return _ordered([*found.channels, *derived_names(log.made(DERIVED))])


def _ordered(names: Iterable[str]) -> list[str]:
    known = set(names)
    return [name for name in CHANNEL_WORDS if name in known and name != "time"]


def values(found: Recording, names: list[str], traces: list[Trace], at: float) -> dict[str, Any]:
    """Every channel at the row nearest to a time; the row is one of the log where it can be."""
    read = {name: one.at(at) for name, one in zip(names, traces, strict=True)}
    recorded = [name for name in names if name in found.channels]
    time, row, _ = read[(recorded or names)[0]]
    return {
        "time": time,
        "row": row if recorded else None,
        "values": {
            name: value if math.isfinite(value) else None for name, (_, _, value) in read.items()
        },
    }


def _quantity(channel: str) -> str:
    name = QUANTITIES.get(channel, channel)
    return name if name in quantities() else ""


# --- the answer ---------------------------------------------------------------------------------
def answer(found: dict[str, Any], readings: list[Reading]) -> dict[str, Any]:
    """The judged log for its template: words for states, kinds, and what the journal has."""
    known = {(one.kind, one.state, one.typed, one.note): one.status for one in readings}
    measured = []
    for row in found["measured"]:
        kind = kinds()[row["kind"]]
        status = known.get((row["kind"], row["state"], row["typed"], row["note"]))
        words = f"{kind.meaning}, {STATES.get(row['state'], row['state'])}"
        measured.append({**row, "words": words, "quantity": kind.quantity,
                         "stored": status is not None, "apart": status == "suspected"})  # fmt: skip
    return {**found, "measured": measured, "open": sum(not row["stored"] for row in measured)}
