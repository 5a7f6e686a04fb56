"""What the page Make shows of one part, as plain data; millimetres."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import MISSING, fields
from itertools import groupby
from typing import Any

from keyturn.errors import KeyturnError, ValueRefused
from keyturn.making.ear import ear_of
from keyturn.making.edit import Allowances, allowed
from keyturn.making.joint import JointResult
from keyturn.making.joint_given import Joint
from keyturn.making.land import opening_names
from keyturn.making.paper import bounds
from keyturn.making.shape import Outline
from keyturn.report.figures import NARROW, WIDE
from keyturn.report.gasket_words import outline_json
from keyturn.tasks import gasket as task
from keyturn.tasks import joint as joint_task
from keyturn.tasks.fields import CUT, JOINT, TRACE
from keyturn.web.faults import described
from keyturn.web.gaskets import FLAT, SEEN, Part

MOST_SEEN = 4_000_000  # bytes


def view(part: Part) -> dict[str, Any]:
    """Everything the page draws of a part; ``outline`` is None while there are photos only."""
    made: dict[str, Any] = {
        "part": part.name, "revision": part.revision(), "photos": len(part.photos()),
        "undo": len(part.before()), "outline": None, "fault": None,
        "callipers": part.typed("callipers"), "joint": part.typed("joint"),
    }  # fmt: skip
    if not part.there:
        return made
    try:
        outline = part.outline()
    except KeyturnError as fault:  # an editor was at it: the page says so and offers Undo
        return made | {"fault": described(fault)}
    return made | {
        "outline": outline_json(outline), "box": list(bounds(outline)),
        **narrow(outline), "wanted": [
            {"words": row.words, "value": row.value} for row in task.asked_distances(outline)
        ],
        "seen": _seen(part),
    }  # fmt: skip


def narrow(outline: Outline, allow: Allowances | None = None) -> dict[str, Any]:
    """Lands that are narrow once the allowances are added, each with what would help."""
    try:
        lands = allowed(outline, allow).narrow
    except ValueRefused as fault:
        return {"narrow": [], "cannot": fault.problem}
    crossing = next((land for land in lands if land.width <= 0.0), None)
    holes = opening_names(outline)[: len(outline.holes)]
    rows = [
        {"x": land.at[0], "y": land.at[1], "width": max(land.width, 0.0), "least": land.least,
         "words": land.proposal(), "hole": land.a if land.b == "edge" and land.a in holes else None,
         "ear": ear_of(outline, land, allow)}
        for land in lands
    ]  # fmt: skip
    return {"narrow": rows, "cannot": crossing and f"It cannot be cut yet: {crossing.problem()}."}


def _seen(part: Part) -> dict[str, Any] | None:
    """The overlay of the trace, when it is there and can be read."""
    try:
        if (part.made / SEEN).stat().st_size > MOST_SEEN or not (part.made / FLAT).is_file():
            return None
        found = json.loads((part.made / SEEN).read_text(encoding="utf-8"))
        place = {key: float(found["place"][key]) for key in ("left", "top", "width", "height")}
        return {"place": place, "features": list(found["features"])}
    except (OSError, ValueError, KeyError, TypeError):
        return None


def forms() -> dict[str, Any]:
    """The fields of the forms under their headings; of the joint what is offered and usual."""
    usual = {one.name: one.default for one in fields(Joint) if one.default is not MISSING}
    named = {"trace": TRACE, "cut": CUT, "joint": JOINT}
    rows = {
        name: [(title, list(group)) for title, group in groupby(form, lambda row: row.group)]
        for name, form in named.items()
    }
    return {**rows, "offered": joint_task.offered(), "usual": usual}


def joint_view(result: JointResult) -> dict[str, Any]:
    """The verdict, the torque card and the pressure on the sheet, drawn for desk and phone."""
    from keyturn.making.joint import as_plain
    from keyturn.report.joint_figure import pressure_figure
    from keyturn.report.torque_card import torque_card

    return {
        "verdict": result.verdict, "headline": result.headline,
        "card": {"wide": torque_card(result, WIDE, inline=True),
                 "narrow": torque_card(result, NARROW, inline=True)},
        "pressure": {"wide": pressure_figure(result, WIDE, inline=True),
                     "narrow": pressure_figure(result, NARROW, inline=True)},
        "answer": as_plain(result),
    }  # fmt: skip


def as_toml(data: Mapping[str, Any]) -> str:
    """Typed values as they are kept beside the outline."""
    import tomlkit

    return tomlkit.dumps(dict(data))


def file_name(part: Part, ending: str) -> str:
    """What a download is called: names of parts hold small letters, digits and hyphens only."""
    return f"{part.name}{ending}"
