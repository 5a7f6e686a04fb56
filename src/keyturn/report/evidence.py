"""What the report says beside the figures of `find` and `choose`."""

from __future__ import annotations

from keyturn.evidence.choose import ChooseResult
from keyturn.evidence.result import FindResult
from keyturn.report import choose_words, find_words
from keyturn.report.phrases import tidy
from keyturn.report.show import probability

CAUSES = 2  # explained in the report; the figure shows more


def notes(find: FindResult | None, choose: ChooseResult | None) -> dict[str, list[str]]:
    """Sentences by the name of their figure; nothing where there is no answer."""
    said = {}
    if find is not None:
        said["find"] = [tidy(words) for words in _of_find(find)]
    if choose is not None:
        said["choose"] = [tidy(words) for words in _of_choose(choose)]
    return said


def _of_find(found: FindResult) -> list[str]:
    lines = [
        f"does not fit the others, read it again: {find_words.kind_words(row.kind, row.state)}, "
        f"{find_words.value_words(row.value, row.quantity)}"
        for row in found.trust.contradictions
    ]
    lines += [f"not used: {words}" for words in found.trust.silent]
    for row in found.causes[:CAUSES]:
        for name, spoken in (("for", row.speaks_for), ("against", row.speaks_against)):
            lines += [f"{row.words}; {name} it: {find_words.speaks_words(one)}" for one in spoken]
    lines.append(f"before the readings: {tidy(found.verdict_before.sentence)}")
    lines.append(f"with them: {tidy(found.verdict_after.sentence)}")
    lines += find_words.changed(found.verdict_before, found.verdict_after)
    return [*lines, f"{found.readings} readings, seed {found.seed}"]


def _of_choose(found: ChooseResult) -> list[str]:
    lines = [f"judged on {found.basis}"]
    if found.corrected is not None:
        before = probability(found.as_it_is.p, found.samples)
        after = probability(found.corrected.p, found.samples)
        lines.append(
            f"free: leave the pressure and tell the control unit the real one, {before} to {after}"
        )
    lines += [
        f"buys near nothing here: {choose_words.gain_words(row)}"
        for row in found.gains
        if row.useless and not row.free
    ]
    return [*lines, *choose_words.limits(found)]
