"""What was made of a log, in words and as plain data."""

from __future__ import annotations

from typing import Any, Protocol

from keyturn.logs.frame import Recording
from keyturn.logs.mapping import Item, Proposal


class Brought(Protocol):
    """A log that was brought in, as the task hands it over."""

    @property
    def name(self) -> str: ...
    @property
    def proposal(self) -> Proposal: ...
    @property
    def recording(self) -> Recording | None: ...
    @property
    def remembered(self) -> bool: ...
    @property
    def rows(self) -> int: ...
    @property
    def missing(self) -> tuple[str, ...]: ...
    @property
    def refused(self) -> tuple[tuple[int, str], ...]: ...
    @property
    def refused_rows(self) -> int: ...
    @property
    def notes(self) -> tuple[str, ...]: ...


SHOWN = 10


def log_text(brought: Brought, build: str) -> str:
    """The verdict first, then every channel with its reasons, the questions, what is missing."""
    lines = [_verdict(brought)]
    recording = brought.recording
    if recording is not None:
        lines.append(
            f"{recording.rows} rows over {recording.duration:.1f} s, {recording.rate:.3g} a second,"
            f" {len(recording.gaps)} gaps, {len(recording.resets)} restarts of the clock"
        )
    lines.append("")
    for item in brought.proposal.clear:
        lines.append(
            f"  {item.channel:<20} {item.column} as {item.unit}  ({100 * item.confidence:.0f} %)"
        )
        lines += [f"  {'':<20}   {reason}" for reason in item.reasons]
    for item in brought.proposal.questions:
        lines += ["", f"  ? {item.question}"]
        lines += [f"      --map '{item.channel}={option}'" for option in item.options]
    if brought.proposal.unused:
        lines += ["", "not used: " + ", ".join(brought.proposal.unused)]
    if brought.refused_rows:
        lines += ["", f"{brought.refused_rows} rows refused:"]
        lines += [f"  line {line} {why}" for line, why in brought.refused[:SHOWN]]
        if brought.refused_rows > SHOWN:
            lines.append(f"  and {brought.refused_rows - SHOWN} more")
    if brought.missing:
        lines += ["", "not in this log; record it next time:"]
        lines += [f"  {words}" for words in brought.missing]
    if brought.notes:
        lines += ["", *(f"note: {note}" for note in brought.notes)]
    if recording is None:
        lines += ["", f"take it with: keyturn log {build} logs/{brought.name} --confirm"]
    return "\n".join(lines)


def _verdict(brought: Brought) -> str:
    if brought.recording is not None:
        how = "as confirmed for an earlier log" if brought.remembered else "as confirmed"
        return f"{brought.name}: {len(brought.recording.channels)} channels taken, {how}"
    clear, asked = len(brought.proposal.clear), len(brought.proposal.questions)
    return f"{brought.name}: {clear} columns proposed, {asked} to be asked; nothing is taken yet"


def log_json(brought: Brought) -> dict[str, Any]:
    """The same as plain data."""
    recording = brought.recording
    return {
        "log": brought.name,
        "confirmed": recording is not None,
        "remembered": brought.remembered,
        "rows": brought.rows,
        "rate": recording.rate if recording else None,
        "duration": recording.duration if recording else None,
        "gaps": [[gap.start, gap.end] for gap in recording.gaps] if recording else None,
        "resets": [vars(reset) for reset in recording.resets] if recording else None,
        "channels": [_item(item) for item in brought.proposal.items],
        "unused": list(brought.proposal.unused),
        "missing": list(brought.missing),
        "refused": [{"line": line, "problem": why} for line, why in brought.refused],
        "refused_rows": brought.refused_rows,
        "notes": list(brought.notes),
    }


def _item(item: Item) -> dict[str, Any]:
    return {
        "channel": item.channel,
        "column": item.column,
        "unit": item.unit or None,
        "confidence": item.confidence,
        "reasons": list(item.reasons),
        "question": item.question,
        "options": list(item.options),
    }
