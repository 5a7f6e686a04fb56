"""A purchase judged: started, watched, stopped, kept and marked when out of date."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from browser import DESK, PHONE, Bench, narrow_targets, picture, violations

from keyturn import __version__
from keyturn.web.chosen import FILE, keep, read_kept

Tab = Callable[..., Any]
CHOOSE = "/car/pickup-screw/choose"


def test_a_purchase_is_judged(tab: Tab, bench: Bench) -> None:
    page = tab(DESK)
    page.goto(CHOOSE)
    page.get_by_role("button", name="Work it out").click()
    page.locator("#progress").wait_for()
    page.get_by_role("button", name="Stop").click()
    page.locator("#says", has_text="Stopped").wait_for()
    assert page.locator("#found h2").count() == 0

    page.locator("#power").fill("300 horses")
    page.get_by_role("button", name="Work it out").click()
    page.locator("#power-fault", has_text="300 kW").wait_for()
    assert violations(page) == []
    page.locator("#power").fill("")
    page.get_by_role("button", name="Work it out").click()
    page.locator("#found figure").wait_for(timeout=120000)
    answer = httpx.get(f"{bench.url}/api/car/pickup-screw/choose", timeout=60).json()
    assert answer["stale"] is False
    assert answer["answer"]["schema"] == "keyturn.choose.v1"
    assert page.locator("#found ol > li").count() == len(answer["answer"]["frontier"])
    assert violations(page) == []
    assert narrow_targets(page) == []
    picture(page, "choose-desk")

    body = {"kind": "rail-pressure", "state": "key-on", "value": "44 psi", "token": "choose-001"}
    done = httpx.post(
        f"{bench.url}/api/car/pickup-screw/read", json=body, timeout=60,
        headers={"origin": bench.url},
    )  # fmt: skip
    assert done.status_code == 200
    page.locator("#age", has_text="stale").wait_for()
    bench.stop()
    bench.start()
    kept = httpx.get(f"{bench.url}/api/car/pickup-screw/choose", timeout=60).json()
    assert kept["answer"] == answer["answer"]  # it outlives the server, and says how old it is
    assert kept["stale"] is True
    phone = tab(PHONE)
    phone.goto(CHOOSE)
    phone.locator("#age", has_text="stale").wait_for()
    assert violations(phone) == []
    assert narrow_targets(phone) == []
    assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
    picture(phone, "choose-phone")


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"format": 1}', '{"key": ["a", "b"]}', "[" * 3000],
)  # fmt: skip
def test_a_kept_answer_that_is_none_counts_as_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / "made").mkdir()
    (tmp_path / "made" / FILE).write_text(text, encoding="utf-8")
    assert read_kept(tmp_path) is None


@pytest.mark.parametrize(
    "drawn", ["<p>", "<svg><script>x</script></svg>", "<svg onload=x></svg>", "<svg><a href=x/>"]
)
def test_a_kept_answer_draws_lines_and_letters_only(tmp_path: Path, drawn: str) -> None:
    keep(tmp_path, ("abc", 7), None, {"wide": drawn, "narrow": "<svg></svg>"})
    assert (tmp_path / "made" / FILE).is_file()
    assert read_kept(tmp_path) is None


def test_an_answer_of_another_version_is_made_again(tmp_path: Path) -> None:
    keep(tmp_path, ("abc", 7), None, {"wide": "<svg></svg>", "narrow": "<svg></svg>"})
    file = tmp_path / "made" / FILE
    file.write_text(file.read_text().replace(f'"{__version__}"', '"0.0.0"'), encoding="utf-8")
    assert read_kept(tmp_path) is None


def test_a_kept_answer_comes_back(tmp_path: Path) -> None:
    found = {"wide": "<svg></svg>", "narrow": "<svg></svg>", "asked": "all holds"}
    keep(tmp_path, ("abc", 7), "300 kW", found)
    kept = read_kept(tmp_path)
    assert kept is not None
    assert (kept.key, kept.power, kept.result) == (("abc", 7), "300 kW", found)
