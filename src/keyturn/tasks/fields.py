"""What is asked for a trace, a cut and a joint: each field once, for the terminal and for the page.

Nothing heavy is imported here: the terminal makes its options of these rows before it knows which
verb was typed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from keyturn import units
from keyturn.errors import BuildError, BuildErrors, Place, ValueRefused

MOST_LETTERS = 60


@dataclass(frozen=True)
class Field:
    """One value that is typed. ``takes``: "yes", "choice", "word", "number", "count", "size",
    "length" (millimetres), or a quantity of the glossary (SI)."""

    key: str
    words: str  # what a form calls it
    takes: str = "length"
    example: str = ""
    note: str = ""
    group: str = ""  # heading of the form under which it stands
    only: str = ""  # asked for this kind of picture only
    also: str = ""  # another name that a refusal may give it
    needed: bool = False


TRACE = (
    Field("thickness", "Height of the face above the strips", example="8 mm", only="photos",
          note="thickness of the part, when strips and part lie on one table; left out it costs"
               " millimetres"),
    Field("dpi", "Dots per inch the scanner was set to", "number", "300", only="scan"),
    Field("check_long", "Long check line as printed", example="249.6 mm", also="strip",
          note="250 mm when the printer is true"),
    Field("check_short", "Short check line as printed", example="179.8 mm",
          note="180 mm when the printer is true"),
    Field("hole_size", "Diameter of one hole by callipers, if you can", example="6.60 mm",
          also="hole_reading"),
    Field("hole_name", "Which one, if it has a name already", "word", "hole 3"),
    Field("level", "No height: the strips lie level with the face", "yes", only="photos"),
    Field("snap", "Take diameters as standard sizes where they are near", "yes"),
    Field("mirror", "The picture shows the back: swap left and right", "yes"),
)  # fmt: skip

CUT = (
    Field("kerf", "Width of the cut", example="0 mm"),
    Field("clearance", "Bolt holes larger by", example="0.6 mm"),
    Field("growth", "Ports larger all round by", example="1 mm"),
    Field("land", "Least sheet that is left", example="3 mm"),
    Field("sheet", "Sheet, width x height", "size", "500x330"),
    Field("copies", "Copies of each part", "count", "1"),
    Field("speed", "Speed of the cut, mm/s", "number", "20"),
    Field("mirror", "The other side up", "yes"),
    Field("both", "A left and a right one of each", "yes"),
    Field("split", "Dovetail a part that is larger than the sheet", "yes"),
)

_SHEET, _BOLTS, _FLANGE, _SERVICE = "Sheet", "Bolts and threads", "Flange", "What it has to stand"
JOINT = (
    Field("material", "Material of the sheet", "choice", "cork-nbr-70", group=_SHEET, needed=True),
    Field("thickness", "Thickness of the sheet", example="1.5 mm", group=_SHEET,
          note="left out: as the outline says"),
    Field("fluid", "What the sheet meets", "choice", "petrol", group=_SHEET),
    Field("sealer", "Sealer or adhesive", "choice", "none", group=_SHEET),
    Field("bolt", "Bolts", "choice", "M6", group=_BOLTS, needed=True),
    Field("strength", "Strength of the bolts", "choice", "8.8", group=_BOLTS),
    Field("state", "State of the threads", "choice", "dry", group=_BOLTS),
    Field("thread", "What the bolts go into", "choice", "cast aluminium", group=_BOLTS),
    Field("engagement", "Length of full thread", example="12 mm", group=_BOLTS,
          note="left out: the usual one for that metal"),
    Field("torque", "Torque", "torque", "7 N m", group=_BOLTS,
          note="left out with the preload: one is proposed"),
    Field("preload", "Preload wanted in each bolt", "bolt_pull", "4000 N",
          group=_BOLTS, note="in place of the torque"),
    Field("washer", "Washers under the heads", "yes", group=_BOLTS),
    Field("sleeved", "Sleeves or limiters in the holes stop the squeeze", "yes", group=_BOLTS),
    Field("flange", "Metal of the flange", "choice", "cast aluminium", group=_FLANGE),
    Field("flange_thickness", "Thickness of the flange", example="8 mm", group=_FLANGE),
    Field("wall_height", "Height of a wall along the ports", example="0 mm", group=_FLANGE,
          note="a wall makes the flange far stiffer"),
    Field("wall_thickness", "Thickness of that wall", example="0 mm", group=_FLANGE),
    Field("lid", "The flange runs on across the ports: a lid", "yes", group=_FLANGE),
    Field("boost", "Boost", "pressure_gauge", "8 psi", group=_SERVICE),
    Field("backfire", "Backfire, a short peak", "pressure_gauge", "100 kPa", group=_SERVICE,
          note="left out: not looked at"),
    Field("temperature", "Temperature", "temperature", "90 degC", group=_SERVICE),
    Field("heat_cycles", "Heat cycles", "number", "100", group=_SERVICE),
    Field("retorque", "Retorqued once, cold, after the first heat cycle", "yes", group=_SERVICE),
)  # fmt: skip


def millimetres(text: str, key: str) -> float:
    """A length as typed, in millimetres; a bare number is millimetres."""
    try:
        number, unit = units.split(text.strip())
        return 1e3 * units.convert(number, unit or "mm", "length")
    except units.UnitRefused as fault:
        raise ValueRefused(str(fault), Place(key=key), text[:MOST_LETTERS],
                           "a length such as 8 mm or 0.31 in") from None  # fmt: skip


def two_lengths(text: str, key: str, example: str = "249.6mm,179.8mm") -> tuple[float, float]:
    """Two lengths in one text, in millimetres."""
    parts = text.replace("x", ",").replace(";", ",").split(",")
    if len(parts) != 2:
        raise ValueRefused("two lengths are asked for", Place(key=key), text[:MOST_LETTERS],
                           f"such as {example}", "write decimals with a point")  # fmt: skip
    return millimetres(parts[0], key), millimetres(parts[1], key)


def taken(rows: Sequence[Field], said: Mapping[str, object], file: str = "") -> dict[str, Any]:
    """The values of what was typed, blanks left out; every fault together, each at its field."""
    known = {row.key: row for row in rows}
    made: dict[str, Any] = {}
    faults: list[BuildError] = []
    for key, value in said.items():
        if isinstance(value, str) and not value.strip():
            continue
        try:
            if key not in known:
                raise ValueRefused("nobody reads this key", accepted=", ".join(known))
            made[key] = _value(known[key], value)
        except BuildError as fault:
            fault.place = Place(file or None, None, key)
            faults.append(fault)
    faults += [
        ValueRefused("is missing", Place(file or None, None, row.key),
                     accepted=f"such as {row.example}")
        for row in rows if row.needed and not str(said.get(row.key, "")).strip()
    ]  # fmt: skip
    if faults:
        raise BuildErrors(faults)
    return made


def _value(row: Field, value: object) -> object:
    place, shown = Place(key=row.key), str(value)[:MOST_LETTERS]
    if row.takes == "yes":
        if value in ("true", "false"):
            return value == "true"
        if not isinstance(value, bool):
            raise ValueRefused("is not yes or no", place, shown, "true or false")
        return value
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not (isinstance(value, str) or plain):
        raise ValueRefused("cannot be taken", place, shown, f"such as {row.example}")
    text = str(value).strip()
    if row.takes in ("choice", "word"):
        if plain or len(text) > MOST_LETTERS:
            raise ValueRefused("is not a word", place, shown, "a name of the table")
        return text
    if row.takes in ("number", "count"):
        return _number(row, text)
    if row.takes == "size":
        return two_lengths(text, row.key, row.example)
    if row.takes == "length":
        return millimetres(text, row.key)
    try:
        number, unit = units.split(text)
        return units.convert(number, unit, row.takes)
    except units.UnitRefused as fault:
        raise ValueRefused(str(fault), place, shown, units.accepted(row.takes)) from None


def _number(row: Field, text: str) -> float:
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number) or (row.takes == "count" and number != int(number)):
        raise ValueRefused("is no number", Place(key=row.key), text[:MOST_LETTERS],
                           f"such as {row.example}")  # fmt: skip
    return int(number) if row.takes == "count" else number
