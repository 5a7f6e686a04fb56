"""Sentences that the terminal, the page and the PDF share: each said once, each a sentence."""

from __future__ import annotations

import math
import re

from keyturn.report.headroom_figure import ranked
from keyturn.report.show import both_pressures, kpa, likelihood, number, probability, rpm, whole
from keyturn.system.result import CheckResult, Headroom, Remedy

ALIKE = "everywhere alike"
INVENTED = "Invented example: no car like this exists; do not take its numbers for yours."
SETTLE = " To settle it:"

# SI of the library -> (factor, unit) that a builder reads
_PLAIN = {
    "Pa": (1e-3, "kPa"),
    "J/kg": (1e-6, "MJ/kg"),
    "m3/s": (3.6e6, "L/h"),
    "m3": (1e3, "L"),
    "m": (1e3, "mm"),
    "m2": (1e6, "mm²"),
    "1/s": (60.0, "rev/min"),
    "Pa s": (1e3, "mPa s"),
    "ohm": (1e3, "mΩ"),
}
_LIBRARY = re.compile(r"([-+.\de]+) ([^()]+?) \(library\)")
_POINT = re.compile(r"\[\s*('?)([^',\[\]]+)\1,\s*('?)([^',\[\]]+)\3\s*\]")


def tidy(words: str) -> str:
    """One or more sentences: capital first, one full stop last, none doubled."""
    words = " ".join(words.split()).strip(" .;")
    if not words:
        return ""
    words = re.sub(r"\.(\s*\.)+(?!\.)", ".", words)
    first = words.split()[0]
    if not re.search(r"\w[._]\w", first):  # a key of the build file stays as it is typed there
        words = words[0].upper() + words[1:]
    return words if words[-1] in "!?…" else f"{words}."


def typed_plainly(typed: str) -> str:
    """What was typed, short: a table by its first point, SI of the library in workshop units."""
    points = _POINT.findall(typed)
    if points:
        _, at, _, value = points[0]
        more = ", …" if typed.count("[") > 2 else ""
        return f"{value.strip()} at {at.strip()}{more}"
    found = _LIBRARY.fullmatch(typed)
    if found and found[2] in _PLAIN:
        factor, unit = _PLAIN[found[2]]
        try:
            return f"{number(float(found[1]) * factor)} {unit} (library)"
        except ValueError:
            return typed
    return typed


def headline(result: CheckResult, *, stamped: bool = False) -> str:
    """The verdict sentence without the measurement, which stands under "Do next".

    ``stamped`` drops the verdict in front, for where a stamp already says it.
    """
    words = result.sentence.split(SETTLE)[0]
    said = words.lower().startswith(result.verdict.lower())
    if stamped and said:
        words = words[len(result.verdict) :].lstrip(" :,")
    if not stamped and not said:
        plain = any(word in words.lower() for word in (result.verdict, "hold", "enough"))
        words = words if plain else f"{result.verdict}: {words}"
    return tidy(words)


def at_words(row: Headroom) -> str:
    """Where the worst point of a part lies."""
    if row.engine_speed is None or row.manifold_pressure is None:
        return ALIKE
    speed, pressure = whole(rpm(row.engine_speed)), whole(kpa(row.manifold_pressure))
    return f"{speed} rev/min, {pressure} kPa absolute"


def times(row: Headroom) -> str:
    """Capacity over need with its band."""
    if math.isnan(row.ratio.p50):
        return "what it can do is not known"
    low, middle, high = (number(v) for v in (row.ratio.p05, row.ratio.p50, row.ratio.p95))
    return f"{middle} times what it must do ({low} to {high})"


def limits(result: CheckResult) -> str:
    """What limits, in one line."""
    row = result.limiting
    chance = _together(probability(row.p_holds, result.samples))
    return f"What limits: {row.part}, {times(row)}; chance that it holds: {chance}."


def why(row: Headroom) -> str:
    """The reason of the row as a sentence of its own."""
    return tidy(f"it {row.why}" if row.why.startswith("can do") else row.why)


def next_steps(result: CheckResult) -> list[str]:
    """What to do or measure next: what settles or mends the limiting part, then the others."""
    steps: list[str] = []
    rows = (result.limiting, *(r for r in ranked(result.headroom) if r.verdict != "holds"))
    for row in rows:
        step = tidy(row.settles) if row.settles and row.verdict != "holds" else ""
        if not step and row.verdict in ("short", "tight"):
            step = next((change(r) for r in result.remedies if r.part == row.part), "")
        if step and step not in steps:
            steps.append(step)
    if not steps:
        steps += [f"{r.key}: {tidy(r.measure)}" for r in result.leaned_on[:1] if r.measure]
    return steps[:3]


def change(item: Remedy) -> str:
    """The smallest change of one part as a sentence."""
    return tidy(f"{item.part}: {item.change}" + (f"; {item.note}" if item.note else ""))


def reasons(result: CheckResult) -> list[str]:
    """Why each part that does not plainly hold stands as it does, and what would settle it."""
    rows = [row for row in ranked(result.headroom) if row.verdict != "holds"]
    return [
        f"{tidy(row.part + ', ' + row.verdict + ': ' + _chance(row, result.samples))}"
        f" {tidy(row.quantity + ', ' + at_words(row))} {why(row)}"
        + (f"{SETTLE} {tidy(row.settles)}" if row.settles else "")
        for row in rows
    ]


def _together(words: str) -> str:
    """A number and its sign on one line."""
    return words.replace(" %", "\u00a0%")


def _chance(row: Headroom, samples: int) -> str:
    """The probability in words and number."""
    chance, words = _together(probability(row.p_holds, samples)), likelihood(row.p_holds)
    return "chance not known" if words == chance else f"{words} to hold ({chance})"


def unstated(result: CheckResult) -> list[str]:
    """Values assumed or known by hearsay that do not stand among those leaned on already."""
    told = {item.key for item in result.leaned_on}
    rest = [item for item in result.missing if item.split(" ")[0].rstrip(":") not in told]
    return [tidy(item) for item in rest]


def gauge_note(result: CheckResult) -> str:
    """The datum of every gauge reading."""
    return f"Gauge readings are above the air outside, {both_pressures(result.barometer)} absolute."
