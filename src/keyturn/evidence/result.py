"""What `find` answers: frozen data, SI inside, read by report/ and the faces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from keyturn.system.result import Band


@dataclass(frozen=True)
class Speaks:
    """One reading against what a cause expects of it, by itself or beside the other readings."""

    kind: str
    state: str
    quantity: str  # glossary name, or "yes_no"
    value: float
    expected: Band  # 5, 50, 95 %; for a yes or no the chance of a yes
    bits: float  # positive: speaks for the cause, against the field of the others
    beside: bool  # expected beside the other readings, not by itself


@dataclass(frozen=True)
class CauseRow:
    name: str
    words: str
    p: float
    prior: float
    speaks_for: tuple[Speaks, ...]
    speaks_against: tuple[Speaks, ...]
    repair: str
    money: float
    hours: float


@dataclass(frozen=True)
class MovedPrior:
    """A prior that the user has moved."""

    name: str  # of a cause, or of an unknown
    moves: str  # "cause": its probability; "spread": factor on the spread of the fault
    value: float
    usual: float  # what the package says
    reason: str
    where: str  # "--prior" or "build.toml"


@dataclass(frozen=True)
class Quantity:
    name: str
    words: str
    unit: str  # glossary quantity
    posterior: Band
    prior: Band


@dataclass(frozen=True)
class Outcome:
    """A range of a test's result and what it would mean."""

    low: float  # [SI] minus infinity where open
    high: float
    chance: float
    cause: str
    p: float  # of that cause then


@dataclass(frozen=True)
class NextTest:
    name: str
    words: str
    quantity: str
    tools: str
    minutes: float
    money: float
    risk: int
    needs: tuple[str, ...]
    after: str  # prerequisite that has not been made
    cautions: tuple[str, ...]
    saves: float  # money and time, before the test's own cost
    net: float  # after it, danger included
    bits: float  # about the cause
    tied: bool  # with the first, within what the particles can tell
    outcomes: tuple[Outcome, ...]
    clears: float = 0.0  # bits about whether a fault that matters is left
    proof: float = (
        0.0  # of the set that clears a sound car for the least, its cost; 0: no part of it
    )


@dataclass(frozen=True)
class Act:
    """What to do next, and what it is expected to save."""

    kind: Literal["test", "repair", "leave", "ask"]
    name: str  # of the test, or of the cause whose repair it is
    words: str
    saves: float  # over the next best thing; of a test after its own cost
    left: float  # chance that a fault that matters is left as the car stands


@dataclass(frozen=True)
class PartVerdict:
    part: str
    verdict: str
    p_holds: float


@dataclass(frozen=True)
class Verdict:
    """What `check` says of every part."""

    verdict: str
    sentence: str
    parts: tuple[PartVerdict, ...]


@dataclass(frozen=True)
class Contradiction:
    kind: str
    state: str
    quantity: str
    value: float
    chance: float  # of being a slip


@dataclass(frozen=True)
class Trust:
    effective_samples: float  # over the causes above 5 %
    converged: bool
    contradictions: tuple[Contradiction, ...]
    silent: tuple[str, ...]  # readings that nothing is inferred from


@dataclass(frozen=True)
class FindResult:
    name: str
    invented: bool
    answer: str  # name of the cause, or "not enough information"
    sentence: str
    threshold: float
    causes: tuple[CauseRow, ...]
    quantities: tuple[Quantity, ...]
    next: tuple[NextTest, ...]
    verdict_before: Verdict
    verdict_after: Verdict
    trust: Trust
    moved: tuple[MovedPrior, ...]
    notes: tuple[str, ...]  # what these readings cannot tell apart, in words
    readings: int
    seed: int
    seconds: float
    act: Act | None = None  # None where there is no answer
