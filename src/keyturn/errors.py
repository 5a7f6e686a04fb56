"""The tree of errors. Every message says what is wrong, where, what is accepted and what to do.

KeyturnError
├── BuildError            the build folder or build.toml cannot be read or does not make sense
│   ├── ValueRefused      one typed value: wrong type, wrong unit, out of range, contradictory
│   ├── AmbiguousValue    one typed value that can mean two things; the message is a question
│   ├── UnknownKey        a key nobody reads; the nearest known key is offered
│   ├── FileRefused       missing, empty, too large, not text, not TOML, or cannot be written
│   └── BuildErrors       all faults of one file together
├── DomainError           a physics function was asked outside where it is defined
├── CannotSolve           the equations have no trustworthy answer; carries the residuals
└── CannotAnswer          not enough is known; carries what to measure next
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Place:
    """Where in the user's own input something is wrong."""

    file: str | None = None
    line: int | None = None
    key: str | None = None

    def __str__(self) -> str:
        file = self.file or ""
        if self.line is not None:
            file = f"{file}:{self.line}" if file else f"line {self.line}"
        return ": ".join(part for part in (file, self.key) if part)


class KeyturnError(Exception):
    """Root of all errors that are shown to the user without a traceback."""

    exit_code = 2


@dataclass
class BuildError(KeyturnError, ValueError):
    """The build cannot be read.

    ``problem`` says what is wrong, ``typed`` is the text as the user typed it, ``accepted`` what
    would be taken, ``advice`` what to do next.
    """

    problem: str
    place: Place = field(default_factory=Place)
    typed: str | None = None
    accepted: str | None = None
    advice: str | None = None

    def __str__(self) -> str:
        where = str(self.place)
        lines = [f"{where}: {self.problem}" if where else self.problem]
        if self.typed is not None:
            lines.append(f"  typed: {self.typed}")
        if self.accepted:
            lines.append(f"  accepted: {self.accepted}")
        if self.advice:
            lines.append(f"  do: {self.advice}")
        return "\n".join(lines)


class ValueRefused(BuildError):
    """A typed value that cannot be taken as it stands."""


class AmbiguousValue(BuildError):
    """A typed value that can mean two different things; the user has to say which."""


class UnknownKey(BuildError):
    """A key in the build file that nothing reads."""


class FileRefused(BuildError):
    """A file that cannot be read or written."""


class BuildErrors(BuildError):
    """All faults that were found in one file, in the order of its lines."""

    def __init__(self, faults: Sequence[BuildError]) -> None:
        self.faults = tuple(sorted(faults, key=lambda fault: fault.place.line or 0))
        file = next((fault.place.file for fault in self.faults if fault.place.file), None)
        super().__init__(f"{len(self.faults)} faults", Place(file))

    def __str__(self) -> str:
        return "\n".join([super().__str__(), *(str(fault) for fault in self.faults)])


class DomainError(KeyturnError, ValueError):
    """A physics function was asked for something outside its definition."""


class CannotSolve(KeyturnError, ArithmeticError):
    """The equations were not solved to their tolerance; never downgraded to a warning."""

    exit_code = 3

    def __init__(self, problem: str, residuals: Mapping[str, float] | None = None) -> None:
        self.residuals = dict(residuals or {})
        tail = ", ".join(f"{name} {value:.3g}" for name, value in self.residuals.items())
        super().__init__(f"{problem} ({tail})" if tail else problem)


class CannotAnswer(KeyturnError, LookupError):
    """Not enough is known to answer; ``missing`` lists what to measure or state."""

    exit_code = 3

    def __init__(self, problem: str, missing: Sequence[str] = ()) -> None:
        self.missing = tuple(missing)
        tail = "".join(f"\n  missing: {item}" for item in self.missing)
        super().__init__(problem + tail)
