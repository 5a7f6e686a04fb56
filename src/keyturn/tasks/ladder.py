"""The load ladder of a build: which step is next, why it is not open, and what was driven."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from keyturn import units
from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.errors import Place, ValueRefused
from keyturn.evidence import after, observe, pooled, renewed
from keyturn.evidence.causes import NONE, Space, causes
from keyturn.evidence.infer import Model, infer, prepare
from keyturn.evidence.pooled import Values
from keyturn.evidence.reading import Reading, usable
from keyturn.glossary import quantity
from keyturn.journal.readings import readings
from keyturn.journal.store import opened
from keyturn.journal.typed import YES_NO, Typed, one_line, possible, to_reading
from keyturn.logs.witness import HELD, SHARE, VACUUM
from keyturn.procedure import climb_model
from keyturn.procedure.as_built import as_built, driven_anew_since
from keyturn.procedure.climb_model import Table
from keyturn.procedure.evidence import overridden
from keyturn.procedure.fit import has
from keyturn.procedure.ladder import (
    HIGHEST,
    Climb,
    Ladder,
    Measure,
    Opening,
    Rung,
    asked_chance,
    clean,
    climbed,
    judged,
    measures,
    opening,
    rungs,
)
from keyturn.procedure.order import Plan
from keyturn.system.result import Band, CheckResult
from keyturn.tasks.check import check
from keyturn.tasks.read import folder_of
from keyturn.tasks.steps import SAMPLES, plan_for
from keyturn.tasks.steps_book import STEP, climbs, history, marked, sent
from keyturn.tasks.steps_record import refuse_slip, stored

POOL = 2000  # samples of the causes
DRAWN = 600  # of these, with all other values of the build drawn too
MOST = f"rail-pressure{HIGHEST}"
SLOWER = 0.85  # of the lowest speed of a step: below it another step was driven
PAST_BOOST, PAST_SPEED = 6.9e3, 1.1  # [Pa], and share of the cap: what a gauge may be wrong
# share of the lowest that is expected, less a width: below it a number is looked at again
TOO_GOOD = {"duty": (0.3, 0.0), "inlet": (1.0, 20.0)}
DEGREES = re.compile(r"\s*([-+]?[\d.,]+)\s*(?:deg|degrees|°)?\s*", re.I)
STATE = {"key-on": "key-on", "idle": "idle", "held": "held-speed"}


@dataclass(frozen=True)
class Watched:
    """What a live watch of one step goes by; SI."""

    rung: Rung
    open: bool
    bounds: Mapping[str, float]  # abort numbers by name of the measure
    fall: tuple[float, float]  # [Pa] of rail pressure below what should be held: look, abort
    caps: tuple[float, float]  # engine speed [1/s], manifold above ambient [Pa]
    overridden: tuple[str, ...]


@dataclass(frozen=True)
class Belief:
    """Samples of what is not known of the car, after its readings."""

    values: Values
    unexplained: float
    settled: bool
    readings: int


def ladder(
    build: str | Path,
    at_least: float | None = None,
    seed: int = 0,
    result: CheckResult | None = None,
) -> Ladder:
    """Which step of the ladder is open, by what was driven, the hold points and the model."""
    wanted = asked_chance(at_least)
    model = load(build)
    found = result or check(model, samples=SAMPLES)
    with opened(folder_of(build)) as book:
        plan = plan_for(model, found, history(book))
        driven, read = climbs(book), readings(book)
    belief = believed(model, usable(read), np.random.default_rng(seed))
    return stood(model, plan, driven, belief, wanted, seed)


def believed(build: Build, read: tuple[Reading, ...], rng: np.random.Generator) -> Belief:
    """What the readings say of the car; the prior when nothing can be inferred from them."""
    model = prepare(build)
    if not observe.plan(build, read, model.car[2]).observations:
        return Belief(_prior(model, rng), 0.0, True, 0)
    posterior = infer(build, read, rng, model=model)
    mended = renewed.mended(renewed.so_far(read))
    values = renewed.current(pooled.pooled(posterior, POOL, rng), mended)
    odd = sum(item.probability for item in posterior.suspects if item.cause.name == NONE)
    counted = [item for item in posterior.suspects if item.probability > 0.05]
    return Belief(values, odd, all(item.converged for item in counted), len(read))


def _prior(model: Model, rng: np.random.Generator) -> Values:
    blocks = []
    for cause in causes(model.build):
        space = Space(cause, model.unknowns, tuple(range(len(model.unknowns))))
        count = round(POOL * cause.prior)
        if count:
            blocks.append(space.all_values(space.draw(count, rng)))
    return pooled.stack(blocks)


def table_of(
    build: Build, values: Values, rows: tuple[Rung, ...], count: int, rng: np.random.Generator
) -> Table:
    """The whole ladder for ``count`` samples of what is believed, everything else drawn too."""
    size = next(iter(values.values())).shape[0]
    chosen = rng.integers(size, size=count)
    taken = {
        name: np.vstack([np.median(value, keepdims=True), value[chosen]])
        for name, value in values.items()
    }
    own, scales = after.put_in(build, taken)
    return climb_model.table(build, after.Learnt(build, count, rng, own, scales), rows)


def stood(
    build: Build,
    plan: Plan,
    driven: tuple[Climb, ...],
    belief: Belief,
    at_least: float,
    seed: int = 0,
) -> Ladder:
    """The ladder from what is believed, what was driven and how the hold points stand."""
    rows = rungs(has(build))
    known = table_of(build, belief.values, rows, DRAWN, np.random.default_rng(seed))
    level = climbed(rows, driven, driven_anew_since(build, plan.history.items, driven))
    weight = np.full(DRAWN, 1.0 / DRAWN)
    ambient = build.site.barometer.si
    base = _base(rows, driven, known)
    openings = []
    for number, row in enumerate(rows):
        judgement = judged(row, rows, known.worst(row.name, ambient), weight)
        barred = _barred(plan, row)
        if not belief.settled:
            barred = (*barred, "the sampler did not settle: its answer cannot be trusted")
        openings.append(
            opening(row, judgement, belief.unexplained, at_least, barred, number <= level)
        )
    return Ladder(
        build.name, build.invented, rows, driven, level, at_least, tuple(openings),
        tuple(_bands(known, row) for row in rows),
        tuple(bounds(row, known, base) for row in rows),
        tuple(_caps(build, known, row) for row in rows),
        belief.unexplained, belief.readings, overridden(plan.history),
    )  # fmt: skip


def climb(
    build: str | Path,
    step: str,
    typed: Mapping[str, str],
    rpm: str = "",
    manifold: str = "",
    note: str = "",
    at_least: float | None = None,
    sure: bool = False,
    seed: int = 0,
    token: str | None = None,
    against: Sequence[str] = (),
    places: Mapping[str, tuple[str, str]] | None = None,
) -> Climb:
    """Write down a step that was driven; what was read teaches the model too.

    ``rpm`` and ``manifold`` say where the lowest rail pressure was read, ``places`` the same of
    other measures. ``against`` is what else speaks against a clean step. A step that is not open
    cannot be recorded as one; its readings can, with `read`. The same ``token`` is stored once.
    """
    model = load(build)
    if (before := _sent(build, token)) is not None:
        return before
    found = check(model, samples=SAMPLES)
    rows = rungs(has(model))
    rung = _chosen(rows, step)
    now = ladder(build, at_least, seed, found)
    door = now.openings[rows.index(rung)]
    if not door.open:
        raise ValueRefused(
            f"{rung.name} is not open: " + "; ".join(door.why), Place(key="climb"), step,
            advice="what was read all the same is stored with: keyturn read BUILD",
        )  # fmt: skip
    values = {name: _typed(rung, name, text, model) for name, text in typed.items()}
    told = _told(rung, typed, model, rpm, manifold, places or {})
    if places is None:  # a watch knows by itself whether the step was reached
        against = (*against, *_elsewhere(rung, told, now, model, rpm, manifold))
    if not sure:
        for reading in told:
            refuse_slip(reading, found, model, reading.kind)
        _refuse_too_good(values, typed, door)
    pressure = next(
        (x.conditions.manifold_pressure for x in told if x.kind == "rail-pressure"), None
    )
    stated = now.bounds[rows.index(rung)]
    numbers = dict(stated)
    if pressure is not None:
        numbers |= _at(model, stated, pressure)
    for reading in told:
        pressure = reading.conditions.manifold_pressure
        if reading.kind == "lambda" and pressure is not None:
            moved = _at(model, stated, pressure)
            numbers |= {name: moved[name] for name in moved if name == "lambda"}
    why = "; ".join(filter(None, (*against, clean(rung, values, numbers))))
    body = {
        "step": rung.name, "values": values, "clean": not why, "why": why, "typed": dict(typed),
        "abort": {name: number for name, number in numbers.items() if np.isfinite(number)},
        "at_least": now.at_least, "holds": round(door.holds, 4),
        "note": one_line(note, "note", Place()), "car": as_built(model),
    }  # fmt: skip
    with opened(folder_of(build), write=True) as book, book.writing():
        body["tells"] = stored(book, told)
        entry = book.add(STEP, "climb", marked(body, token))
    return Climb(entry.id, rung.name, time.time(), not why, values, why, note)


def _elsewhere(
    rung: Rung, told: Sequence[Reading], now: Ladder, model: Build, rpm: str, manifold: str
) -> tuple[str, ...]:
    """Why numbers were not read in this step; refused when they are of a lighter one."""
    if rung.mode in ("key-on", "idle"):
        return ()
    ambient, at = model.site.barometer.si, now.rungs.index(rung)
    lowest, (speed_cap, boost_cap) = now.bounds[at].get("at-manifold", 0.0), now.caps[at]
    boost = lowest - ambient
    least = ambient + SHARE * boost if boost > PAST_BOOST else VACUUM * lowest
    slowest = SLOWER * min(rung.speeds, default=0.0) * model.engine.redline.si
    slowest = HELD if rung.mode == "held" else slowest
    past = []
    for row in told:
        speed, pressure = row.conditions.engine_speed, row.conditions.manifold_pressure
        slow = speed is not None and speed < slowest
        light = pressure is not None and rung.mode != "held" and pressure < least
        if slow or light:
            raise ValueRefused(
                f"this was not read in {rung.name} but below it, and says nothing of the step",
                Place(key="rpm" if slow else "manifold"), rpm if slow else manifold,
                f"{slowest * 60:.0f} rpm or more" if slow
                else f"{units.show(least, 'pressure', digits=3)} absolute or more",
                "what was read all the same is stored with: keyturn read BUILD",
            )  # fmt: skip
        if not rung.loaded:
            continue
        if pressure is not None and pressure - ambient > max(boost_cap, 0.0) + PAST_BOOST:
            past.append("more boost than the step allows")
        if speed is not None and speed > PAST_SPEED * speed_cap:
            past.append("more engine speed than the step allows")
    return tuple(dict.fromkeys(past))


def _refuse_too_good(values: Mapping[str, float], typed: Mapping[str, str], door: Opening) -> None:
    """Refuse what no reading is made of when it is far better than the model has it."""
    for row in door.chances:
        name, band = row.measure.name, row.band
        if name not in TOO_GOOD or name not in values:
            continue
        share, less = TOO_GOOD[name]
        if values[name] < share * band.p05 - less:
            low, high = (
                units.show(si, row.measure.quantity, digits=3) for si in (band.p05, band.p95)
            )
            raise ValueRefused(
                f"far below the {low} to {high} expected here; was the point or the unit another?",
                Place(key=name), typed[name],
                advice="type what was meant; or the same again with --sure when it is right",
            )  # fmt: skip


def _sent(build: str | Path, token: str | None) -> Climb | None:
    with opened(folder_of(build)) as book:
        entry = sent(book, token)
        return next((x for x in climbs(book) if entry and x.at == entry.id), None)


def watched(build: str | Path, step: str = "", at_least: float | None = None) -> Watched:
    """The abort numbers of the step that comes next, or of another, for whoever watches live.

    They are stated whether the step is open or not; ``open`` says which.
    """
    return watched_of(ladder(build, at_least), step)


def watched_of(found: Ladder, step: str = "") -> Watched:
    """The same from a ladder that is known already."""
    row = _chosen(found.rungs, step) if step else None
    at = found.rungs.index(row) if row is not None else min(found.level, len(found.rungs) - 1)
    said = measures()
    return Watched(
        rung=found.rungs[at],
        open=found.openings[at].open,
        bounds={k: v for k, v in found.bounds[at].items() if np.isfinite(v)},
        fall=(said["rail-pressure"].look, said["rail-pressure"].abort),
        caps=found.caps[at],
        overridden=found.overridden,
    )


def _chosen(rows: tuple[Rung, ...], step: str) -> Rung:
    for row in rows:
        if row.name.lower() == step.strip().lower():
            return row
    names = ", ".join(row.name for row in rows)
    raise ValueRefused("no such step for this car", Place(key="climb"), step, names)


def _barred(plan: Plan, row: Rung) -> tuple[str, ...]:
    """Hold points and open items in the way of a step."""
    found = [
        f"hold point not passed: {plan.stage(name).words}"
        for name in row.passed
        if plan.standings[name].state != "passed"
    ]
    if row.before:
        found += [f"{item.words}: {item.why}" for item in plan.barriers(row.before)]
    return tuple(found)


def _base(rows: tuple[Rung, ...], driven: tuple[Climb, ...], known: Table) -> float:
    """Rail pressure without load that the others are held against: read, else expected."""
    read = [
        x.values["rail-pressure"]
        for x in driven
        if x.step == "L3" and x.clean and "rail-pressure" in x.values
    ]
    return read[-1] if read else float(np.median(known.rail_gauge[:, 0]))


def _bands(known: Table, row: Rung) -> tuple[Band, Band]:
    at = known.of(row.name)
    found = []
    for values in (known.rail_gauge[:, at], known.air_fuel_equivalence[:, at]):
        low, middle, high = (
            np.nanquantile(values, (0.05, 0.5, 0.95))
            if np.isfinite(values).any()
            else (np.nan,) * 3
        )
        found.append(Band(float(low), float(middle), float(high)))
    return found[0], found[1]


def _caps(build: Build, known: Table, row: Rung) -> tuple[float, float]:
    """Engine speed [1/s] and manifold pressure above ambient [Pa] that the step stays below."""
    at = known.of(row.name)
    speed = max(known.points[number].engine_speed for number in at)
    pressure = float(np.quantile(known.manifold_pressure[:, at], 0.95, axis=0).max())
    return speed, pressure - build.site.barometer.si


def bounds(row: Rung, known: Table, base: float) -> Mapping[str, float]:
    """The abort numbers of a step, in the terms of what is typed; stated before it is driven."""
    at = known.of(row.name)
    said = measures()
    found = {
        name: said[name].abort for name in row.record if name not in ("rail-pressure", "lambda")
    }
    if row.mode in ("key-on", "idle"):
        # before there is a base: what the model expects of the regulator, less the same fall
        lowest = float(np.quantile(known.rail_gauge[:, at].min(axis=1), 0.05))
        highest = float(np.quantile(known.rail_gauge[:, at].max(axis=1), 0.95))
        found["rail-pressure"] = lowest - said["rail-pressure"].abort
        return found | {MOST: highest + said["rail-pressure"].abort}
    held = np.median(known.should[:, at], axis=0)
    should, first = float(held.min()), at[int(held.argmin())]
    highest = max(base + should, float(np.quantile(known.rail_gauge[:, first], 0.95)))
    found["rail-pressure"] = base + should - said["rail-pressure"].abort
    found[MOST] = highest + said["rail-pressure"].abort
    wanted = float(np.nanmedian(known.wanted[:, at], axis=0).min())
    found["lambda"] = wanted + said["lambda"].abort
    middle = float(np.median(known.manifold_pressure[:, at], axis=0).min())
    return found | {"at-manifold": middle}


def _at(build: Build, numbers: Mapping[str, float], pressure: float) -> dict[str, float]:
    """The abort numbers where the reading was taken: a regulator follows the manifold."""
    if "at-manifold" not in numbers:
        return {}
    regulator = build.regulator
    ratio = regulator.ratio.si if regulator.reference == "manifold" else 0.0
    more = ratio * (pressure - numbers["at-manifold"])
    curve = build.mixture.curve
    return {
        **{name: numbers[name] + more for name in ("rail-pressure", MOST) if name in numbers},
        "lambda": float(np.interp(pressure, curve.x, curve.y)) + measures()["lambda"].abort,
        "at-manifold": pressure,
    }


def _typed(rung: Rung, name: str, text: str, model: Build) -> float:
    place = Place(key=name)
    if name not in rung.record:
        raise ValueRefused(f"{rung.name} records no such thing", place, name,
                           ", ".join(rung.record))  # fmt: skip
    row: Measure = measures()[name]
    if not row.quantity:
        if text.strip().lower() not in YES_NO:
            raise ValueRefused("yes or no is wanted", place, text, "yes, no")
        return YES_NO[text.strip().lower()]
    if row.quantity == "ratio":  # degrees of crank angle, kept as they are typed
        told = DEGREES.fullmatch(text)
        if told is None:
            raise ValueRefused(f"not in degrees: {row.words}", place, text, "2, 2.5 deg")
        text = told[1]
    try:
        value = units.parse(text, row.quantity, model.site.barometer.si)
    except units.UnitRefused as fault:
        raise ValueRefused(str(fault), place, text, units.accepted(row.quantity)) from None
    sane = quantity(row.quantity)
    if value != 0.0 and not sane.low <= value <= sane.high:
        raise ValueRefused(
            f"cannot be: {row.words}", place, text,
            f"{units.show(sane.low, row.quantity, digits=3)} to "
            f"{units.show(sane.high, row.quantity, digits=3)}",
        )  # fmt: skip
    return value


def _told(
    rung: Rung,
    typed: Mapping[str, str],
    model: Build,
    rpm: str,
    manifold: str,
    places: Mapping[str, tuple[str, str]] | None = None,
) -> list[Reading]:
    """The readings in a step, with the speed and the manifold pressure that belong to them."""
    state = STATE.get(rung.mode, "full-load")
    loaded = state == "full-load"
    if loaded and not (rpm and manifold):
        raise ValueRefused(
            "under load a number says nothing without its engine speed and manifold pressure",
            Place(key="rpm" if not rpm else "manifold"), accepted="3500 rpm; 8 psi boost",
        )  # fmt: skip
    hose = "on" if model.regulator.reference == "manifold" and state == "idle" else None
    found = []
    for name, text in typed.items():
        kind = measures()[name].kind if name in measures() else ""
        if kind:
            at_speed, at_pressure = (places or {}).get(name, (rpm, manifold))
            speed = at_speed or ("2500 rpm" if state == "held-speed" else None)
            words = Typed(
                kind, text, state, rpm=speed, manifold=at_pressure or None, reference=hose,
                note=f"ladder {rung.name}",
            )  # fmt: skip
            reading = to_reading(words, model, Place(key=name))
            possible(reading)
            found.append(reading)
    return found
