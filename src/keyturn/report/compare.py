"""What differs between two answers, in words: the first is what it is compared with."""

from __future__ import annotations

import math

from keyturn.report.headroom_figure import ranked
from keyturn.report.path_figure import chosen_states
from keyturn.report.phrases import tidy
from keyturn.report.show import both_pressures, kpa, number, probability, rpm, whole
from keyturn.system.result import CheckResult, Headroom, State

SEEN = 0.02  # relative change of a ratio below which nobody would act on it
SEEN_PRESSURE = 2e3  # [Pa] below what a workshop gauge resolves
SEEN_DUTY = 0.01
NOTHING = "No difference that shows."


def differences(first: CheckResult, second: CheckResult) -> list[str]:
    """Sentences, the ones that decide first."""
    told: list[str] = []
    if first.verdict != second.verdict:
        told.append(f"The verdict goes from {first.verdict} to {second.verdict}.")
    if first.limiting.part != second.limiting.part:
        told.append(
            f"What limits is no longer the {first.limiting.part} but the {second.limiting.part}."
        )
    before = {row.part: row for row in first.headroom}
    for row in ranked(second.headroom):
        old = before.pop(row.part, None)
        told += (
            [f"{tidy(row.part)} New among the parts."]
            if old is None
            else _part(old, row, first.samples)
        )
    told += [f"{tidy(name)} No longer among the parts." for name in before]
    told += _states(first, second)
    return told or [NOTHING]


def _part(old: Headroom, new: Headroom, samples: int) -> list[str]:
    chances = [probability(row.p_holds, samples) for row in (old, new)]
    moved = abs(new.ratio.p50 / old.ratio.p50 - 1.0) if old.ratio.p50 > 0.0 else math.inf
    if old.verdict == new.verdict and not moved > SEEN and chances[0] == chances[1]:
        return []
    words = f"{new.part}: {number(old.ratio.p50)} to {number(new.ratio.p50)} times what it must do"
    if chances[0] != chances[1]:
        words += f", chance {chances[0]} to {chances[1]}"
    if old.verdict != new.verdict:
        words += f", {old.verdict} to {new.verdict}"
    return [tidy(words)]


def _states(first: CheckResult, second: CheckResult) -> list[str]:
    """Gauge, pressure across and duty in the states that the pressure path shows."""
    olds = {state.name: state for state in chosen_states(first.states)}
    told = []
    for new in chosen_states(second.states):
        old = olds.get(new.name)
        if old is not None:
            told += _state(old, new)
    return told


def _state(old: State, new: State) -> list[str]:
    words = []
    for name, a, b in (
        ("rail gauge", old.rail_gauge.p50, new.rail_gauge.p50),
        ("across the injector", old.across_injector.p50, new.across_injector.p50),
    ):
        if abs(b - a) > SEEN_PRESSURE:
            words.append(f"{name} {whole(kpa(a))} kPa to {both_pressures(b)}")
    if abs(new.duty.p50 - old.duty.p50) > SEEN_DUTY:
        words.append(f"duty {whole(old.duty.p50 * 100)} % to {whole(new.duty.p50 * 100)} %")
    if abs(new.manifold_pressure - old.manifold_pressure) > SEEN_PRESSURE:
        ends = [whole(kpa(state.manifold_pressure)) for state in (old, new)]
        words.append(f"manifold {ends[0]} kPa to {ends[1]} kPa absolute")
    if old.regime != new.regime:
        words.append(f"{old.regime} to {new.regime}")
    at = f" at {whole(rpm(new.engine_speed))} rev/min" if new.engine_speed else ""
    return [tidy(f"{new.name}{at}: {', '.join(words)}")] if words else []
