"""The causes that a build can have, their priors and what their repair takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.special import ndtri

from keyturn.build.model import Build
from keyturn.build.schema import nearest, read_data
from keyturn.errors import Place, ValueRefused
from keyturn.evidence.result import MovedPrior
from keyturn.evidence.unknowns import Unknown, at_fault
from keyturn.system.circuit import FloatArray

NONE = "none of these"
HEALTHY = "as described"


@dataclass(frozen=True)
class Cause:
    """One row of data/causes.toml; ``prior`` is normalised over the causes of the build."""

    name: str
    words: str
    at_fault: tuple[str, ...]
    least: int  # of the unknowns that may be at fault, how many are; 0: all of them
    share: float  # chance of each when ``least`` is given
    prior: float
    repair: str
    money: float
    hours: float
    wrong: float
    reason: str
    source: str


def causes(build: Build, moved: Mapping[str, float] | None = None) -> tuple[Cause, ...]:
    """Causes that this build can have. ``moved`` sets priors by name, before those of the build.

    A moved prior is taken as it is; the others share what is left in their own proportion.
    """
    rows = usual_causes(build)
    moved = {row.name: row.value for row in build.priors if row.moves == "cause"} | dict(
        moved or {}
    )
    names = [row.name for row in rows]
    for name, value in moved.items():
        if name not in names:
            raise ValueRefused(
                "no such cause in this build",
                place=Place(key="prior"),
                typed=name,
                accepted=", ".join(names),
                advice=f"did you mean {near}?" if (near := nearest(name, names)) else None,
            )
        if not 0.0 <= value < 1.0:
            raise ValueRefused(
                "a prior is a probability",
                place=Place(key=f"prior {name}"),
                typed=str(value),
                accepted="0 or more and less than 1, such as 0.2",
            )
    fixed = sum(moved.values())
    rest = sum(row.prior for row in rows if row.name not in moved)
    if fixed >= 1.0 or (rest == 0.0 and fixed <= 0.0):
        raise ValueRefused(
            "the priors leave nothing for the other causes",
            place=Place(key="prior"),
            typed=", ".join(f"{name}={value:g}" for name, value in moved.items()),
            accepted="priors that add up to less than 1",
        )
    return tuple(
        replace(row, prior=moved.get(row.name, row.prior * (1.0 - fixed) / rest)) for row in rows
    )


def usual_causes(build: Build) -> list[Cause]:
    """Causes that this build can have, with the weights of the package."""
    has = possible(build)
    return [cause for needs, cause in _rows() if needs in has]


@cache
def _rows() -> tuple[tuple[str, Cause], ...]:
    """data/causes.toml: what each cause needs, and the cause."""
    return tuple((str(row["needs"]), _cause(row)) for row in read_data("causes.toml")["cause"])


def moved_rows(build: Build, moved: Mapping[str, float] | None = None) -> tuple[MovedPrior, ...]:
    """Every prior that is not the package's own, for the answer to list."""
    rows = usual_causes(build)
    total = sum(row.prior for row in rows)
    usual = {row.name: row.prior / total for row in rows}
    own = {row.name: row for row in build.priors if row.moves == "cause"}
    found = [
        MovedPrior(name, "cause", value, usual[name], "", "--prior")
        for name, value in (moved or {}).items()
    ]
    found += [
        MovedPrior(name, "cause", row.value, usual[name], row.reason, "build.toml")
        for name, row in own.items()
        if name not in (moved or {})
    ]
    found += [
        MovedPrior(row.name, "spread", row.value, 1.0, row.reason, "build.toml")
        for row in build.priors
        if row.moves == "spread"
    ]
    return tuple(found)


def possible(build: Build) -> set[str]:
    """What the build has, as the ``needs`` of causes and tests name it."""
    found = {"", "broad"}
    if any(part.kind == "filter" for part in build.feed):
        found.add("filter")
    if any(part.kind != "filter" for part in build.feed):
        found.add("line")
    if build.suction:
        found.add("strainer")
    if build.returns:
        found.add("return")
    if build.regulator.reference == "manifold":
        found.add("reference")
    if build.blower is not None or build.boost is not None:
        found.add("boost")
    if build.blower is not None:
        found.add("blower")
    return found


def _cause(row: Mapping[str, object]) -> Cause:
    faulty = row["at_fault"]
    assert isinstance(faulty, list)
    return Cause(
        name=str(row["name"]),
        words=str(row["words"]),
        at_fault=tuple(faulty),
        least=int(str(row.get("least", 0))),
        share=float(str(row.get("share", 1.0))),
        prior=float(str(row["prior"])),
        repair=str(row["repair"]),
        money=float(str(row["money"])),
        hours=float(str(row["hours"])),
        wrong=float(str(row["wrong"])),
        reason=str(row["reason"]),
        source=str(row["source"]),
    )


@dataclass(frozen=True)
class Space:
    """The prior of one cause over the unknowns that the readings can feel."""

    cause: Cause
    unknowns: tuple[Unknown, ...]
    active: tuple[int, ...]  # columns of z that some reading feels

    def values(self, z: FloatArray) -> dict[str, FloatArray]:
        """Unknowns [their own unit], each (particles, 1), from active deviates."""
        full = np.zeros((z.shape[0], len(self.unknowns)))
        full[:, list(self.active)] = z
        return self.all_values(full)

    def all_values(self, full: FloatArray) -> dict[str, FloatArray]:
        """The same from deviates of every unknown."""
        share = self.cause.share if self.cause.least else None
        return {
            row.name: row.value(
                full[:, number : number + 1], row.name in self.cause.at_fault, share
            )
            for number, row in enumerate(self.unknowns)
        }

    def allowed(self, z: FloatArray) -> FloatArray:
        """True where enough unknowns are at fault."""
        if not self.cause.least:
            return np.ones(z.shape[0], dtype=bool)
        chosen = [
            at
            for at, number in enumerate(self.active)
            if self.unknowns[number].name in self.cause.at_fault
        ]
        broken = at_fault(z[:, chosen], self.cause.share)
        # where the readings feel fewer than that, all of these: the rest is prior either way
        enough: FloatArray = broken.sum(axis=1) >= min(self.cause.least, len(chosen))
        return enough

    def draw(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Deviates from the prior (count, active), Latin hypercube where nothing is refused."""
        if self.cause.least:
            kept = np.empty((0, len(self.active)))
            while kept.shape[0] < count:
                more = rng.standard_normal((4 * count, len(self.active)))
                kept = np.vstack([kept, more[self.allowed(more)]])
            return kept[:count]
        strata = np.argsort(rng.random((count, len(self.active))), axis=0)
        return np.asarray(ndtri((strata + rng.random(strata.shape)) / count))

    def felt(self) -> bool:
        """Whether any unknown at fault is felt by the readings."""
        names = {self.unknowns[number].name for number in self.active}
        return bool(names & set(self.cause.at_fault))
