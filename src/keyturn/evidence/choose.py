"""Which purchase: every sensible set of options against the samples of the car.

First every set is judged at a few speeds of the full-load line, which can only flatter it. Then
those that could be on the frontier are judged at all speeds, until the whole frontier is.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

from keyturn.build.model import Build, Option
from keyturn.errors import BuildError
from keyturn.evidence.choose_judge import Judge, Judged, Task, judge_sets
from keyturn.evidence.choose_sets import Members, clash, frontier, offered, sensible
from keyturn.evidence.pooled import Values

ENOUGH = 0.95  # the probability that a purchase is asked to reach
LITTLE = 0.01  # a gain below this buys near nothing
CHUNK = 200  # sets judged by one call; every call reads the build and its options anew
EXACT_CHUNK = 8

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Choice:
    """One set of options and what it does."""

    options: tuple[str, ...]
    price: float
    hours: float
    p: float  # of all that is asked for
    p_holds: float  # that every part of the full-load line holds
    p_power: float  # that the power is reached; NaN when none was asked for
    verdict: str  # the word that `check` would say of its weakest part
    limiting: str


@dataclass(frozen=True)
class Gain:
    """What one option alone adds to the sets of the frontier."""

    option: str
    price: float
    most: float  # best marginal gain of probability over the frontier
    useless: bool
    free: bool


@dataclass(frozen=True)
class ChooseResult:
    name: str
    invented: bool
    sentence: str
    basis: str  # what the samples come from, in words
    power: float | None  # [W] asked for
    as_it_is: Choice
    frontier: tuple[Choice, ...]
    cheapest: Choice | None  # that reaches ``ENOUGH``
    corrected: Choice | None  # the free correction alone
    gains: tuple[Gain, ...]
    considered: int
    bounded: bool  # there were more sets; only the cheapest were judged
    refused: tuple[tuple[tuple[str, ...], str], ...]  # sets that make no car, and why
    samples: int
    seed: int
    seconds: float


def choose(
    build: Build,
    document: Mapping[str, Any],
    file: str,
    *,
    samples: int = 200,
    seed: int = 0,
    power: float | None = None,
    posterior: Values | None = None,
    learnt: Sequence[str] = (),
    basis: str = "the build as described",
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> ChooseResult:
    """Judge every sensible set. ``document`` holds the tables that ``build`` was made from.

    ``posterior`` has (samples + 1, 1) rows of every unknown of `find`, the first their median;
    ``learnt`` names those that the readings have pinned.
    """
    started = time.perf_counter()
    options = offered(build.options, correctable=not build.control.corrects_pressure)
    sets, bounded = sensible(options)
    task = Task(
        document={name: table for name, table in document.items() if name != "option"},
        file=file,
        changes=tuple(option.changes for option in options),
        sets=(),
        samples=samples,
        seed=seed,
        power=power,
        learnt=tuple(learnt),
        posterior=posterior,
        exact=False,
    )
    search = _Search(task, options, sets, executor, progress)
    edge = search.run()
    gains = search.gains(edge)
    rows = tuple(search.choice(members) for members in edge)
    cheapest = next((row for row in rows if row.p >= ENOUGH), None)
    last = (len(options) - 1,)
    free = bool(options[-1].changes) and None in options[-1].changes.values()
    return ChooseResult(
        name=build.name,
        invented=build.invented,
        sentence=_sentence(rows, cheapest),
        basis=basis,
        power=power,
        as_it_is=search.choice(()),
        frontier=rows,
        cheapest=cheapest,
        corrected=search.choice(last) if free else None,
        gains=gains,
        considered=len(sets),
        bounded=bounded,
        refused=search.refused(),
        samples=samples,
        seed=seed,
        seconds=time.perf_counter() - started,
    )


def _sentence(rows: tuple[Choice, ...], cheapest: Choice | None) -> str:
    best = rows[-1]
    if cheapest is None:
        what = " + ".join(best.options) or "nothing at all"
        return (
            f"No combination reaches {100 * ENOUGH:.0f} %; the most likely to hold is {what}, "
            f"for {best.price:.0f}."
        )
    but = ""
    if cheapest.verdict != "holds":
        but = f" But its {cheapest.limiting} is {cheapest.verdict}: measure before you trust it."
    if not cheapest.options:
        return f"The car as it is reaches {100 * ENOUGH:.0f} % with nothing bought.{but}"
    what = " + ".join(cheapest.options)
    return (
        f"The cheapest that reaches {100 * ENOUGH:.0f} % is {what}, for {cheapest.price:.0f}.{but}"
    )


class _Search:
    def __init__(
        self,
        task: Task,
        options: Sequence[Option],
        sets: list[Members],
        executor: Executor | None,
        progress: Progress | None,
    ) -> None:
        self.task = task
        self.options = options
        self.sets = sets
        self.executor = executor
        self.progress = progress
        self.exact: dict[Members, Judged] = {}
        self.coarse: dict[Members, Judged] = {}

    def run(self) -> list[Members]:
        """The frontier, every set of it judged at all speeds."""
        free = {n for n, option in enumerate(self.options) if None in option.changes.values()}
        # a set and the same with the free correction share a solution: one after the other
        order = sorted(self.sets, key=lambda row: (tuple(n for n in row if n not in free), row))
        self.coarse = dict(zip(order, self._judge(order, exact=False), strict=True))
        # the car as it is and the free correction are always said
        self.know([(), (len(self.options) - 1,)])
        price = [self._sum(members, "price") for members in self.sets]
        hours = [self._sum(members, "hours") for members in self.sets]
        while True:
            p = [self._p(members) for members in self.sets]
            edge = [self.sets[number] for number in frontier(price, hours, p)]
            if all(members in self.exact for members in edge):
                return edge
            self.know(edge)

    def know(self, sets: Sequence[Members]) -> None:
        """Judge sets at all speeds, those that are not known yet."""
        missing = list(dict.fromkeys(item for item in sets if item not in self.exact))
        for members, found in zip(missing, self._judge(missing, exact=True), strict=True):
            if not members and found.fault:
                raise BuildError(f"the car as it is cannot be judged: {found.fault}")
            self.exact[members] = found

    def gains(self, edge: list[Members]) -> tuple[Gain, ...]:
        """For every option the most that it adds to, or is worth in, a set of the frontier."""
        pairs: dict[int, list[tuple[Members, Members]]] = {}
        for number, option in enumerate(self.options):
            pairs[number] = []
            for members in edge:
                without = tuple(item for item in members if item != number)
                others = [self.options[item] for item in without]
                if not any(clash(option.changes, other.changes) for other in others):
                    pairs[number].append((without, tuple(sorted((*without, number)))))
        self.know([item for rows in pairs.values() for pair in rows for item in pair])
        found = []
        for number, option in enumerate(self.options):
            added = [self.exact[new].p - self.exact[old].p for old, new in pairs[number]]
            most = max(added, default=math.nan)
            free = None in option.changes.values()
            found.append(Gain(option.name, option.price, most, most < LITTLE, free))
        return tuple(found)

    def choice(self, members: Members) -> Choice:
        """A set in words."""
        found = self.exact[members]
        return Choice(
            options=tuple(self.options[item].name for item in members),
            price=self._sum(members, "price"),
            hours=self._sum(members, "hours"),
            p=found.p,
            p_holds=found.p_holds,
            p_power=found.p_power,
            verdict=found.word,
            limiting=found.limiting,
        )

    def refused(self) -> tuple[tuple[tuple[str, ...], str], ...]:
        """Sets that could not be judged."""
        return tuple(
            (tuple(self.options[item].name for item in members), found.fault)
            for members, found in (self.coarse | self.exact).items()
            if found.fault
        )

    def _p(self, members: Members) -> float:
        known = self.exact.get(members) or self.coarse[members]
        return known.p

    def _sum(self, members: Members, what: str) -> float:
        return float(sum(getattr(self.options[item], what) for item in members))

    def _judge(self, sets: Sequence[Members], *, exact: bool) -> list[Judged]:
        size = EXACT_CHUNK if exact else CHUNK
        task = replace(self.task, exact=exact)
        chunks = [tuple(sets[at : at + size]) for at in range(0, len(sets), size)]
        made: Iterable[list[Judged]]
        if self.executor is None or len(chunks) < 2:
            made = map(Judge(task).sets, chunks)
        else:
            tasks = [replace(task, sets=chunk) for chunk in chunks]
            made = self.executor.map(judge_sets, tasks)
        found: list[Judged] = []
        for rows in made:
            found += rows
            if self.progress is not None:
                self.progress(len(found), len(sets))
        return found
