"""A reading that a device sends twice under one token is in the journal once."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from keyturn.errors import FileRefused, ValueRefused
from keyturn.evidence.reading import Reading
from keyturn.journal.exchange import export_text, import_text
from keyturn.journal.readings import readings, store_once
from keyturn.journal.store import opened


def reading(value: float = 300e3, typed: str = "300 kPa") -> Reading:
    return Reading("rail-pressure", "key-on", value, 14e3, typed)


def test_the_same_token_gets_the_same_answer(tmp_path: Path) -> None:
    with opened(tmp_path, write=True) as book:
        first, is_new = store_once(book, reading(), "a-token-1")
        again, is_new_again = store_once(book, reading(), "a-token-1")
        other, _ = store_once(book, reading(), "a-token-2")
        assert (is_new, is_new_again) == (True, False)
        assert again == first
        assert other.id == 2
        assert len(readings(book)) == 2


def test_another_reading_under_a_token_that_is_taken_is_refused(tmp_path: Path) -> None:
    with opened(tmp_path, write=True) as book:
        store_once(book, reading(), "a-token-1")
        with pytest.raises(ValueRefused, match="another reading"):
            store_once(book, reading(310e3, "310 kPa"), "a-token-1")
        assert len(readings(book)) == 1


def test_senders_at_the_same_moment_store_once(tmp_path: Path) -> None:
    with opened(tmp_path, write=True):
        pass

    def send() -> None:
        with opened(tmp_path, write=True) as book:
            store_once(book, reading(), "a-token-1")

    senders = [threading.Thread(target=send) for _ in range(8)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    with opened(tmp_path) as book:
        assert len(readings(book)) == 1


def test_an_export_carries_the_token(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    with opened(tmp_path / "one", write=True) as book:
        first, _ = store_once(book, reading(), "a-token-1")
        text = export_text(book)
    with opened(tmp_path / "two", write=True) as book:
        assert import_text(book, text, "export") == 1
        assert store_once(book, reading(), "a-token-1") == (first, False)
        assert export_text(book) == text
    odd = text.replace('"a-token-1"', "7")
    (tmp_path / "three").mkdir()
    with opened(tmp_path / "three", write=True) as book, pytest.raises(FileRefused):
        import_text(book, odd, "export")
