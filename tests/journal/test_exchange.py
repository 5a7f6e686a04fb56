"""An export read back is the same journal; what is no export of it is refused whole."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.errors import BuildError, FileRefused
from keyturn.evidence.reading import Conditions, Reading, from_row, kinds, to_row
from keyturn.journal.exchange import export_text, import_text
from keyturn.journal.readings import put_in_place_of, readings, store, withdraw
from keyturn.journal.store import Entry, Journal, opened

number = st.floats(allow_nan=False, allow_infinity=False)
positive = st.floats(min_value=0.0, allow_nan=False, allow_infinity=False)


def maybe(strategy: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.none() | strategy


conditions = st.builds(
    Conditions,
    engine_speed=maybe(number),
    manifold_pressure=maybe(number),
    fuel_temperature=maybe(number),
    supply_voltage=maybe(number),
    reference=st.sampled_from([None, "on", "off"]),
    isolated=st.sampled_from([None, "feed", "return", "both"]),
    pressure_gauge=maybe(number),
    duration=maybe(number),
)
reading = st.sampled_from(sorted(kinds())).flatmap(
    lambda kind: st.builds(
        Reading,
        kind=st.just(kind),
        state=st.sampled_from(kinds()[kind].states),
        value=number,
        spread=positive,
        typed=st.text(max_size=20),
        instrument=st.text(max_size=20),
        conditions=conditions,
        note=st.text(max_size=20),
        status=st.sampled_from(["kept", "suspected"]),
        suspicion=st.text(max_size=10),
    )
)
step = st.tuples(st.sampled_from(["new", "corrects", "confirms", "withdraws"]), reading, number)


@contextmanager
def journal() -> Iterator[Journal]:
    with tempfile.TemporaryDirectory() as folder, opened(Path(folder), write=True) as book:
        yield book


def play(book: Journal, steps: list[tuple[str, Reading, float]]) -> None:
    """Do the steps; those that point to a reading take one that still stands, if any does."""
    for act, new, where in steps:
        standing = [r.id for r in readings(book) if r.status in ("kept", "suspected")]
        if act == "new" or not standing:
            store(book, [new])
            continue
        target = standing[hash(where) % len(standing)]
        if act == "withdraws":
            withdraw(book, target, new.note)
        else:
            put_in_place_of(book, target, new, act)


@given(reading)
def test_a_reading_as_a_row_is_the_same_reading(one: Reading) -> None:
    assert from_row(json.loads(json.dumps(to_row(one)))) == one


@settings(max_examples=40, deadline=None)
@given(st.lists(step, max_size=8))
def test_export_and_import_give_the_same_journal(steps: list[tuple[str, Reading, float]]) -> None:
    with journal() as ours, journal() as theirs:
        play(ours, steps)
        text = export_text(ours)
        assert import_text(theirs, text, "export") == len(ours.entries())
        assert theirs.entries() == ours.entries()
        assert readings(theirs) == readings(ours)
        assert export_text(theirs) == text
        assert import_text(theirs, text, "export") == 0


@settings(max_examples=30, deadline=None)
@given(st.lists(step, min_size=1, max_size=6), st.lists(step, min_size=1, max_size=4))
def test_nothing_written_ever_changes(
    first: list[tuple[str, Reading, float]], then: list[tuple[str, Reading, float]]
) -> None:
    with journal() as book:
        play(book, first)
        before: tuple[Entry, ...] = book.entries()
        values = {r.id: (r.value, r.typed, r.recorded) for r in readings(book)}
        play(book, then)
        assert book.entries()[: len(before)] == before
        assert len(book.entries()) == len(before) + len(then)
        after = {r.id: (r.value, r.typed, r.recorded) for r in readings(book)}
        assert after.items() >= values.items()


@settings(max_examples=60, deadline=None)
@given(st.lists(step, min_size=1, max_size=4), st.data())
def test_an_export_with_a_letter_changed_never_ends_badly(
    steps: list[tuple[str, Reading, float]], data: st.DataObject
) -> None:
    with journal() as ours, journal() as theirs:
        play(ours, steps)
        text = export_text(ours)
        at = data.draw(st.integers(0, len(text) - 1))
        changed = text[:at] + data.draw(st.characters()) + text[at + 1 :]
        try:
            import_text(theirs, changed, "export")
        except FileRefused:
            assert theirs.entries() == ()


ONE = Reading("rail-pressure", "idle", 2.5e5, 1.4e4, "36 psi")
TWO = Reading("rail-pressure", "key-on", 3.0e5, 1.4e4, "43 psi")


def test_an_export_that_goes_on_is_taken() -> None:
    with journal() as ours, journal() as theirs:
        store(ours, [ONE])
        import_text(theirs, export_text(ours), "export")
        store(ours, [TWO])
        assert import_text(theirs, export_text(ours), "export") == 1
        assert theirs.entries() == ours.entries()
        # an older export says nothing new
        store(theirs, [TWO])
        assert import_text(theirs, export_text(ours), "export") == 0


def test_another_journal_is_not_written_over() -> None:
    with journal() as ours, journal() as theirs:
        store(ours, [ONE, TWO])
        store(theirs, [TWO])
        before = theirs.entries()
        with pytest.raises(FileRefused, match="another entry 1"):
            import_text(theirs, export_text(ours), "export")
        assert theirs.entries() == before


def exported() -> list[str]:
    with journal() as book:
        store(book, [ONE, TWO])
        put_in_place_of(book, 1, TWO, "corrects")
        return export_text(book).splitlines()


def change(line: str, **new: object) -> str:
    return json.dumps({**json.loads(line), **new})


@pytest.mark.parametrize(
    ("words", "spoil"),
    [
        ("cut short", lambda rows: rows[:-1]),
        ("not an export", lambda rows: rows[1:]),
        ("is not JSON", lambda rows: []),
        ("is not JSON", lambda rows: [*rows[:-1], rows[-1][:-5]]),
        ("not a JSON object", lambda rows: [*rows[:-1], "[]"]),
        ("is the next", lambda rows: [rows[0], rows[2], rows[1], rows[3]]),
        ("no earlier entry", lambda rows: [*rows[:-1], change(rows[-1], points_to=3)]),
        ("still stands", lambda rows: [
            change(rows[0], entries=4), *rows[1:], change(rows[-1], id=4)]),
        ("cannot be", lambda rows: [*rows[:-1], change(rows[-1], act="new")]),
        ("not a word", lambda rows: [*rows[:-1], change(rows[-1], topic="")]),
        ("isoformat", lambda rows: [*rows[:-1], change(rows[-1], recorded="then")]),
        ("is not JSON", lambda rows: [*rows[:-1], rows[-1].replace("300000.0", "NaN")]),
        ("not finite", lambda rows: [*rows[:-1], rows[-1].replace("300000.0", "true")]),
        ("keys", lambda rows: [*rows[:-1], change(rows[-1], more=1)]),
        ("a reading does not have", lambda rows: [*rows[:-1], change(rows[-1], body={"x": 1})]),
        ("no such kind", lambda rows: [*rows[:-1], rows[-1].replace("rail-pressure", "mood")]),
    ],
)  # fmt: skip
def test_what_is_no_export_is_refused_whole(words: str, spoil) -> None:  # type: ignore[no-untyped-def]
    with journal() as book:
        with pytest.raises(FileRefused, match=words):
            import_text(book, "\n".join(spoil(exported())) + "\n", "export")
        assert book.entries() == ()


def test_a_replaced_reading_cannot_be_replaced_again() -> None:
    with journal() as book:
        store(book, [ONE])
        put_in_place_of(book, 1, TWO, "corrects")
        with pytest.raises(BuildError, match="did you mean 2"):
            put_in_place_of(book, 1, TWO, "corrects")
        withdraw(book, 2, "")
        with pytest.raises(BuildError, match="withdrawn already"):
            withdraw(book, 2, "")
        with pytest.raises(BuildError, match="no reading 9"):
            withdraw(book, 9, "")
        assert [r.status for r in readings(book)] == ["replaced", "withdrawn"]
