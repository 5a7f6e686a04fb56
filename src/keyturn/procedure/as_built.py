"""The car as build.toml had it when something was written down, against what it says now.

Evidence is of the parts that were in the car. A value that moved no further than it was known is
the same part, known better; one that moved further is another part, or evidence of another car.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Mapping

from keyturn import units
from keyturn.build.model import Build, Curve, Value
from keyturn.procedure.ladder import RESTS_ON, Climb, last_opened
from keyturn.procedure.open_items import Item
from keyturn.procedure.stages import AREAS

Car = Mapping[str, object]  # by key: a word, or a number in SI with the width it may move by

# Keys of parts, and the area of the car that is opened to change one; see AREAS in stages.py.
PARTS: Mapping[str, str] = {
    "fuel.kind": "fuel-parts",
    "pump.flow": "fuel-parts",
    "pump.arrangement": "fuel-parts",
    "regulator.set": "fuel-parts",
    "regulator.ratio": "fuel-parts",
    "regulator.place": "fuel-parts",
    "regulator.reference": "fuel-parts",
    "injectors.count": "fuel-parts",
    "injectors.flow": "fuel-parts",
    "feed.parts": "fuel-parts",
    "feed.*.diameter": "fuel-parts",
    "feed.*.length": "fuel-parts",
    "return.parts": "fuel-parts",
    "return.*.diameter": "fuel-parts",
    "return.*.length": "fuel-parts",
    "wiring.size": "fuel-wiring",
    "wiring.length": "fuel-wiring",
    "engine.displacement": "boost",
    "engine.cylinders": "boost",
    "blower.kind": "boost",
    "blower.displacement": "boost",
    "boost.curve": "boost",
    "blower.crank_pulley": "belt",
    "blower.blower_pulley": "belt",
    "blower.step_up": "belt",
    "cooler.fitted": "charge-coolant",
}
NAME = "name"  # of the car: alone it may change, with a part it is another car
SIGMAS = 2.0
LEAST = 0.02  # share: a tape and a rounding


def as_built(build: Build) -> dict[str, object]:
    """What the car is made of, as it is written beside a record."""
    found: dict[str, object] = {
        item.key: _number(item) for item in build.known() if _area(item.key)
    }
    return found | {
        NAME: build.name,
        "fuel.kind": build.fuel.kind,
        "pump.arrangement": f"{build.pump.count} {build.pump.arrangement}",
        "regulator.place": build.regulator.place,
        "regulator.reference": build.regulator.reference,
        "injectors.count": str(build.injectors.count),
        "feed.parts": " ".join(part.kind for part in (*build.suction, *build.feed)),
        "return.parts": " ".join(part.kind for part in build.returns),
        "engine.cylinders": str(build.engine.cylinders),
        "blower.kind": build.blower.kind if build.blower is not None else "none",
        "cooler.fitted": "yes" if build.cooler is not None else "no",
    }


def changed(then: Car | None, build: Build) -> dict[str, str]:
    """What is another part now, in words, by area; nothing is known of a car that was not kept."""
    if then is None:
        return {}
    now = as_built(build)
    typed = {item.key: item for item in build.known()}
    found: dict[str, str] = {}
    for key in sorted({*then, *now}):
        area = _area(key)
        if area and not _same(then.get(key), now.get(key)):
            found.setdefault(
                area, f"build.toml has another {key} since{_words(then, now, key, typed)}"
            )
    if found and then.get(NAME) != build.name:
        return dict.fromkeys(AREAS, f"this is evidence of another car: {then.get(NAME)}")
    return found


def driven_anew_since(build: Build, items: Iterable[Item], driven: Iterable[Climb]) -> int:
    """The last entry after which the steps under load have to be driven anew."""
    of_other_parts = (x.at for x in driven if set(changed(x.car, build)) & set(RESTS_ON))
    return max(last_opened(items), *of_other_parts, 0)


def _area(key: str) -> str:
    return next((area for keys, area in PARTS.items() if fnmatch.fnmatchcase(key, keys)), "")


def _number(item: Value | Curve) -> list[float]:
    if isinstance(item, Curve):
        value = max(item.y, key=abs)
        return [value, max(SIGMAS * item.spread, LEAST) * abs(value)]
    width = SIGMAS * item.spread * (abs(item.si) if item.law == "scale" else 1.0)
    return [item.si, max(width, LEAST * abs(item.si))]


def _same(then: object, now: object) -> bool:
    if isinstance(then, list) and isinstance(now, list):
        return bool(abs(now[0] - then[0]) <= then[1] * (1.0 + 1e-9))
    return then == now


def _words(then: Car, now: Car, key: str, typed: Mapping[str, Value | Curve]) -> str:
    """From what to what, where both can be shown."""
    old, new = then.get(key), now.get(key)
    if isinstance(old, str) and isinstance(new, str):
        return f": {old or 'none'} then, {new or 'none'} now"
    if not isinstance(old, list) or not isinstance(new, list) or key not in typed:
        return ""
    item = typed[key]
    quantity = item.y_quantity if isinstance(item, Curve) else item.quantity
    shown = [units.show(one[0], quantity, digits=3) for one in (old, new)]
    return f": {shown[0]} then, {shown[1]} now"
