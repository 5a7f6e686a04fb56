"""What the page needs to take a reading in three taps, from the data files and the build.

Buttons come in the order in which they are likely to be wanted: first the tests that the last
answer asked for, then the tests of data/tests.toml, then every other kind and state.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from functools import cache
from typing import Any

from keyturn import units
from keyturn.build.model import Build
from keyturn.build.schema import read_data
from keyturn.errors import KeyturnError
from keyturn.evidence.reading import Conditions, Kind, kinds
from keyturn.evidence.renewed import repairable
from keyturn.glossary import quantity
from keyturn.journal.slip import expected
from keyturn.journal.typed import COLUMNS, Typed, to_reading
from keyturn.report.find_words import kind_words
from keyturn.system.result import CheckResult

# Units on the number pad where the glossary cannot say them: a manifold pressure needs its side.
PAD = {
    "pressure_gauge": ("psi", "kPa", "bar"),
    "pressure": ("psi boost", "kPa boost", "bar boost", "inHg vacuum", "kPa abs"),
    "volume": ("mL", "L", "US gal"),
    "air_fuel_equivalence": ("",),
}
SHOWN = {"degC": "°C", "degF": "°F", "": "lambda"}
AT_SPEED = ("held-speed", "full-load")
HOSE_STATES = ("idle",)
USUAL_SPEED = "2500"


def pad(name: str) -> tuple[str, ...]:
    """Units that are offered for a quantity."""
    if name == "yes_no":
        return ()
    return PAD.get(name) or tuple(quantity(name).display)


def sheet(build: Build, wanted: Iterable[str] = ()) -> dict[str, Any]:
    """Everything that the entry of a reading is drawn from."""
    return {
        "kinds": {name: _kind(row, build) for name, row in kinds().items()},
        "buttons": buttons(build, wanted),
        "repairs": list(repairable()),
    }


def _kind(row: Kind, build: Build) -> dict[str, Any]:
    hose = build.regulator.reference == "manifold" and row.quantity == "pressure_gauge"
    return {
        "words": row.name.replace("-", " "), "meaning": row.meaning, "quantity": row.quantity,
        "caution": row.caution, "needs": list(row.needs), "pressure": row.pressure,
        "units": [{"word": word, "shown": SHOWN.get(word, word)} for word in pad(row.quantity)],
        "speed": [state for state in row.states if state in AT_SPEED],
        "hose": [state for state in row.states if hose and state in HOSE_STATES],
    }  # fmt: skip


def buttons(build: Build, wanted: Iterable[str]) -> list[dict[str, Any]]:
    """Kind and state of every reading, the likeliest first; each only once."""
    tests = typable()
    first = [name for name in wanted if name in tests]
    rows = [_of_test(tests[name], build) for name in dict.fromkeys([*first, *tests])]
    rows += [_button(row.name, state, {}) for row in kinds().values() for state in row.states]
    found: dict[str, dict[str, Any]] = {}
    for row in rows:
        found.setdefault(row["words"], row)
    return list(found.values())


@cache
def typable() -> dict[str, Mapping[str, Any]]:
    """Tests of data/tests.toml whose reading can be typed whole, by name."""
    return {row["name"]: row for row in read_data("tests.toml")["test"] if _sayable(row)}


def _sayable(test: Mapping[str, Any]) -> bool:
    """Whether all that makes the test what it is can be typed with a reading."""
    return all(item.name not in test or item.name in COLUMNS or item.name == "duration"
               for item in fields(Conditions))  # fmt: skip


def _button(kind: str, state: str, said: dict[str, str]) -> dict[str, Any]:
    return {"test": None, "kind": kind, "state": state, "said": said,
            "words": kind_words(kind, state)}  # fmt: skip


def _of_test(row: Mapping[str, Any], build: Build) -> dict[str, Any]:
    """The reading that a test of data/tests.toml makes."""
    said = {name: str(row[name]) for name in ("reference", "isolated", "lent", "renewed")
            if name in row}  # fmt: skip
    made = _button(row["kind"], row["state"], said)
    about = {"reference": "hose {}", "isolated": "{} closed"}
    words = [about[name].format(said[name]) for name in about if name in said]
    words += [row["name"]] if "lent" in said else []
    if row.get("pressure") == "set":
        said["pressure"] = units.show(build.regulator.set.si, "pressure_gauge", "psi", digits=3)
    if "duration" in row:
        said["seconds"] = f"{row['duration']:g}"
    return made | {"test": row["name"], "words": ", ".join([made["words"], *words])}


def band(said: Mapping[str, str | None], build: Build, result: CheckResult) -> dict[str, Any]:
    """What the model expects before one reads, in every unit of the pad; empty when nothing."""
    kind = kinds().get(said.get("kind") or "")
    if kind is None or kind.quantity == "yes_no":
        return {}
    words = {name: text for name, text in said.items() if text and name not in ("kind", "value")}
    if (words.get("state") or "") in AT_SPEED:
        words.setdefault("rpm", USUAL_SPEED)
    first = pad(kind.quantity)[0]
    try:
        reading = to_reading(Typed(kind.name, f"1 {first}".strip(), **words), build)
    except KeyturnError:
        return {}
    edges = expected(reading, result)
    if edges is None:
        return {}
    weather = build.site.barometer.si
    return {word: _in_unit(edges, kind.quantity, word, weather) for word in pad(kind.quantity)}


def _in_unit(edges: Sequence[float], name: str, word: str, weather: float) -> list[float]:
    bare, _, side = word.partition(" ")
    if name == "pressure" and side in ("boost", "vacuum"):
        sign = -1.0 if side == "vacuum" else 1.0
        found = [sign * units.from_si(edge - weather, "pressure_gauge", bare) for edge in edges]
    elif name == "pressure":
        found = [units.from_si(edge, name, bare) for edge in edges]
    else:
        found = [units.from_si(edge, name, word) for edge in edges]
    return [float(f"{value:.3g}") + 0.0 for value in sorted(found)]
