"""Whatever the bytes, an import ends with an answer or with an error of ours."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import writers
import writers_libraries  # noqa: F401  registers its writers
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from keyturn.errors import KeyturnError
from keyturn.logs.sniff import kind_of, sniff
from keyturn.logs.table import convert
from keyturn.tasks.log import import_log

QUIET = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
NAMES = [
    name
    for name, (ending, _) in writers.WRITERS.items()
    if ending != ".mf4" and name != "polars_without_names"
]


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("corpus")
    found = {}
    for name in NAMES:
        ending, write = writers.WRITERS[name]
        path = folder / f"{name}{ending}"
        write(path)
        found[name] = path.read_bytes()
    return found


def attempt(car: Path, content: bytes) -> None:
    """Bring it in; only an error of ours may come out, and what comes in is whole."""
    path = car.parent / "fuzz.csv"
    path.write_bytes(content)
    for folder in (car / "logs", car / "made"):
        shutil.rmtree(folder, ignore_errors=True)
    try:
        brought = import_log(car, path, confirm=True)
    except KeyturnError:
        return
    assert brought.recording is not None
    time = brought.recording.times()
    assert len(time) == brought.rows
    assert np.isfinite(time).all()
    assert (np.diff(time) >= 0).all()
    assert brought.recording.source.read_bytes() == content


@settings(max_examples=60, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(data=st.data())
def test_damaged_logs(car: Path, corpus: dict[str, bytes], data: st.DataObject) -> None:
    content = bytearray(corpus[data.draw(st.sampled_from(NAMES))])
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, max(len(content) - 1, 0)))
        act = data.draw(st.sampled_from(["change", "cut", "insert", "repeat", "drop"]))
        if act == "change" and content:
            content[at] = data.draw(st.integers(0, 255))
        elif act == "cut":
            del content[at:]
        elif act == "insert":
            content[at:at] = data.draw(st.binary(max_size=40))
        elif act == "repeat":
            content[at:at] = content[at : at + 200]
        else:
            del content[at : at + data.draw(st.integers(1, 300))]
    attempt(car, bytes(content))


DIALECTS = {",": ".", ";": ",", "\t": "."}
ROWS = 240


def written(mark: str) -> tuple[list[str], np.ndarray]:
    """A small log, line by line, with the numbers that were printed into it."""
    time = np.round(np.arange(ROWS) * 0.05, 2)
    off = time < 2.0
    speed = np.where(off, 0.0, 870.0 + (np.arange(ROWS) * 37) % 41)
    manifold = np.where(off, 99.4, np.round(36.0 + (np.arange(ROWS) * 7) % 13 / 10.0, 1))
    warm = np.round(80.0 + np.arange(ROWS) * 0.013, 1)
    table = np.column_stack((time, speed, manifold, warm))
    names = ("Time (s)", "RPM", "MAP (kPa abs)", "CLT (°C)")
    lines = [mark.join(names)]
    for row in table:
        cells = (f"{row[0]:.2f}", f"{row[1]:.0f}", f"{row[2]:.1f}", f"{row[3]:.1f}")
        lines.append(mark.join(cells).replace(".", DIALECTS[mark]))
    return lines, table


DAMAGE = st.tuples(
    st.integers(1, ROWS),  # the line
    st.sampled_from(["change", "cut", "insert", "drop", "swap"]),
    st.integers(0, 30),
    st.text("0123456789.,;\t:-+eE \"'#abcNaN\x00\u20ac", min_size=1, max_size=6),
)


@settings(max_examples=150, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(mark=st.sampled_from(sorted(DIALECTS)), damages=st.lists(DAMAGE, min_size=1, max_size=5))
def test_damage_in_some_lines_leaves_the_numbers_of_the_others(
    car: Path, mark: str, damages: list[tuple[int, str, int, str]]
) -> None:
    lines, table = written(mark)
    for number, act, at, text in damages:
        line = lines[number]
        kept = {
            "change": line[:at] + text + line[at + len(text) :],
            "cut": line[:at],
            "insert": line[:at] + text + line[at:],
            "drop": line[:at] + line[at + len(text) :],
            "swap": text,
        }[act]
        lines[number] = kept
    path = car.parent / "fuzz.csv"
    path.write_bytes(("\n".join(lines) + "\n").encode())
    for folder in (car / "logs", car / "made"):
        shutil.rmtree(folder, ignore_errors=True)
    said = {"manifold_pressure": "MAP (kPa abs) as kPa absolute", "engine_speed": "RPM as rpm"}
    said |= {"coolant_temperature": "CLT (°C) as degC", "time": "Time (s) as s"}
    try:
        recording = import_log(car, path, said, confirm=True).recording
    except KeyturnError:
        return
    assert recording is not None
    whole = [row for row in range(ROWS) if row + 1 not in {number for number, *_ in damages}]
    kept = pl.read_ipc(recording.path)
    speed = kept["RPM"].to_numpy()
    stored = kept.select(recording.columns[:4]).to_numpy()
    assert len(speed) == len(stored)
    # every line that was left alone stands there, in order, with its own numbers; of four bytes
    # half of the last binary digit is lost
    at = 0
    for row in whole:
        near = np.abs(stored[at:] - table[row]) <= np.abs(table[row]) * 2.0**-24
        found = np.flatnonzero(near.all(axis=1))
        assert found.size, (row, lines[row + 1])
        at += int(found[0]) + 1


@settings(max_examples=40, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(content=st.binary(max_size=3000))
def test_any_bytes(car: Path, content: bytes) -> None:
    attempt(car, content)


TABLE = st.lists(
    st.lists(
        st.one_of(
            st.floats(allow_nan=True).map(str),
            st.integers(-(10**12), 10**12).map(str),
            st.sampled_from(
                ["", "N/A", "rpm", "1,5", "1.234,5", '"', "'", "12:01:02", "\x00", "é"]
            ),
            st.text(max_size=8),
        ),
        min_size=1,
        max_size=6,
    ),
    min_size=1,
    max_size=30,
)


@settings(max_examples=120, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(rows=TABLE, mark=st.sampled_from([",", ";", "\t", "|", " "]))
def test_any_table(tmp_path: Path, rows: list[list[str]], mark: str) -> None:
    path = tmp_path / "fuzz.csv"
    path.write_bytes("\n".join(mark.join(row) for row in rows).encode("utf-8", "replace"))
    try:
        kind = kind_of(path)
        table = convert(path, sniff(path), tmp_path / "fuzz.arrow")
    except KeyturnError:
        return
    assert kind == "text"
    assert table.rows >= 2
    assert len(set(table.columns)) == len(table.columns)


@settings(max_examples=60, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(
    values=st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=3, max_size=40),
    mark=st.sampled_from([";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
)
def test_printed_numbers_come_back_to_the_last_digit(
    tmp_path: Path,
    values: list[tuple[float, float]],
    mark: str,
    decimal: str,
    encoding: str,
) -> None:
    # four decimals, always: a number with three behind a mark could be a thousand
    lines = [mark.join(("Time (s)", "Coolant °C", "x"))]
    lines += [
        mark.join(f"{v:.4f}".replace(".", decimal) for v in (i / 10, *pair))
        for i, pair in enumerate(values)
    ]
    path = tmp_path / "numbers.csv"
    path.write_bytes(("\n".join(lines) + "\n").encode(encoding))
    table = convert(path, sniff(path), tmp_path / "numbers.arrow")
    import polars as pl

    assert table.columns == ("Time (s)", "Coolant °C", "x")
    frame = pl.read_ipc(tmp_path / "numbers.arrow")
    # a column of few digits is stored in four bytes: printed again it is what was written
    for name, at in (("Coolant °C", 0), ("x", 1)):
        assert [f"{v:.4f}" for v in frame[name]] == [f"{pair[at]:.4f}" for pair in values]
