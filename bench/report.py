"""Measuring and printing for the cases in bench/cases."""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Cost:
    """Median wall and CPU seconds and page faults of one call; children may be counted in."""

    wall: float
    cpu: float
    minor_faults: float
    major_faults: float


def measure(
    task: Callable[[], object],
    times: int = 5,
    children: bool = False,
    before: Callable[[], object] = lambda: None,
) -> Cost:
    """Call ``task`` once to warm up and then ``times`` times; medians of each number.

    ``before`` is called before each of them and not counted.
    """
    whose = resource.RUSAGE_CHILDREN if children else resource.RUSAGE_SELF
    before()
    task()
    seen = []
    for _ in range(times):
        before()
        then, start = resource.getrusage(whose), time.perf_counter()
        task()
        wall, after = time.perf_counter() - start, resource.getrusage(whose)
        seen.append(
            (
                wall,
                after.ru_utime + after.ru_stime - then.ru_utime - then.ru_stime,
                after.ru_minflt - then.ru_minflt,
                after.ru_majflt - then.ru_majflt,
            )
        )
    return Cost(*(statistics.median(column) for column in zip(*seen, strict=True)))


class Report:
    """Prints rows as they come and keeps the wanted figures for the end."""

    def __init__(self) -> None:
        self.wants: list[tuple[str, float, str, float]] = []

    def row(self, name: str, cost: Cost, work: float | None = None, unit: str = "") -> None:
        """One measured thing; ``work`` is how many ``unit`` one call does."""
        rate = f"{work / cost.wall:12.4g} {unit}/s" if work else ""
        print(
            f"{name:<44} wall {cost.wall * 1e3:10.2f} ms  cpu {cost.cpu * 1e3:10.2f} ms  "
            f"faults {cost.minor_faults:8.0f}+{cost.major_faults:.0f} {rate}",
            flush=True,
        )

    def want(self, name: str, value: float, sign: str, limit: float) -> None:
        """A figure that the project promises: ``value`` must be ``<=`` or ``>=`` ``limit``."""
        if sign not in ("<=", ">="):
            raise ValueError(sign)
        self.wants.append((name, value, sign, limit))

    def all_met(self) -> bool:
        return all(_met(value, sign, limit) for _, value, sign, limit in self.wants)

    def summary(self) -> str:
        return "\n".join(
            f"{'met   ' if _met(value, sign, limit) else 'NOT MET'} {name}: "
            f"{value:.4g}, wanted {sign} {limit:g}"
            for name, value, sign, limit in self.wants
        )


def _met(value: float, sign: str, limit: float) -> bool:
    return value <= limit if sign == "<=" else value >= limit
