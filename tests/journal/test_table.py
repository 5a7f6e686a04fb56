"""Files of readings: rows with their lines; what is no such file is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyturn.errors import BuildError, ValueRefused
from keyturn.journal.table import file_text, rows


def parted(text: str, file: str) -> list[tuple[int | None, object]]:
    return [
        (place.line, "refused" if isinstance(row, BuildError) else row)
        for place, row in rows(text, file)
    ]


def test_csv_lines_count_from_the_top_of_the_file() -> None:
    text = '# invented\nkind,value,note\nlambda,1,"two\nlines"\n\nlambda,0.9,\n'
    assert parted(text, "a.csv") == [
        (3, {"kind": "lambda", "value": "1", "note": "two\nlines"}),
        (6, {"kind": "lambda", "value": "0.9"}),
    ]


def test_csv_with_semicolons_and_decimal_commas() -> None:
    assert parted("Kind;Value;Fuel temperature\nlambda;0,95;30 degC\n", "a.CSV") == [
        (2, {"kind": "lambda", "value": "0,95", "fuel_temperature": "30 degC"})
    ]


def test_a_comma_too_many_spoils_its_row_only() -> None:
    assert parted("kind,value\nlambda,0,95\nlambda,1\n", "a.csv") == [
        (2, "refused"),
        (3, {"kind": "lambda", "value": "1"}),
    ]


def test_toml_tables() -> None:
    text = '[[reading]]\nkind = "lambda"\nvalue = 0.95\n\n[[reading]]\nvalue = [1]\n'
    text += '[[reading]]\nkind = "return-flow"\nvalue = true\n'
    assert parted(text, "a.toml") == [
        (1, {"kind": "lambda", "value": "0.95"}),
        (5, "refused"),
        (7, {"kind": "return-flow", "value": "yes"}),
    ]


@pytest.mark.parametrize(
    ("text", "file", "words"),
    [
        ("", "a.csv", "no readings"),
        ("# only a remark\n", "a.csv", "no readings"),
        ("kind,kind\n", "a.csv", "twice"),
        ('kind,value\nlambda,"1\n', "a.csv", "not CSV"),
        ("kind\0value\n", "a.csv", "not a text"),
        ("", "a.toml", "no readings"),
        ("[pump]\n", "a.toml", "no such table"),
        ("reading = 3\n", "a.toml", "no readings"),
        ("[[reading\n", "a.toml", "not TOML"),
        ("kind,value\n", "a.xls", "neither"),
    ],
)
def test_what_is_no_such_file(text: str, file: str, words: str) -> None:
    with pytest.raises(BuildError, match=words):
        list(rows(text, file))


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "latin.csv").write_bytes("kind,value\nlambda,1 °\n".encode("latin-1"))
    (tmp_path / "large.csv").write_bytes(b"x" * 5_000_001)
    for path, words in (
        (tmp_path / "none.csv", "cannot be read"),
        (tmp_path, "cannot be read"),
        (tmp_path / "latin.csv", ":2: is not UTF-8"),
        (tmp_path / "large.csv", "too large"),
    ):
        with pytest.raises(BuildError, match=words):
            file_text(path)


@given(st.text(), st.sampled_from(["a.csv", "a.toml"]))
def test_any_text_gives_rows_or_a_refusal(text: str, file: str) -> None:
    try:
        for _, row in rows(text, file):
            assert isinstance(row, (dict, ValueRefused))
    except BuildError:
        return
