"""More of Find in a real browser: a lent part, beliefs that are moved, readings from a file."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
from asking import HERE, OURS, app_on, local
from browser import DESK, PHONE, Bench, go, narrow_targets, picture, violations

from keyturn.journal.table import MOST_BYTES

Tab = Callable[..., Any]
FIND = "/car/van-roots/find"
ROWS = """kind,value,state,reference,note
rail-pressure,38.5 psi,key-on,,
rail-pressure,about 38,idle,off,not a number
pump-voltage,12.1 V,key-on,,
rail-pressure,38 psi,flying,,no such state
"""


def priors(bench: Bench) -> dict[str, Any]:
    text = (bench.root / "van-roots" / "build.toml").read_text(encoding="utf-8")
    found: dict[str, Any] = tomllib.loads(text).get("priors", {})
    return found


def rows_of(bench: Bench) -> list[dict[str, Any]]:
    answer = httpx.get(f"{bench.url}/api/car/van-roots/read", timeout=60)
    found: list[dict[str, Any]] = answer.json()["readings"]
    return found


def test_a_lent_part_has_a_button_and_boost_may_be_said(one_tab: Tab, one_bench: Bench) -> None:
    page = one_tab(PHONE)
    page.goto(FIND)
    page.get_by_role("button", name="Enter a reading").tap()
    page.get_by_role("button", name="More kinds").tap()
    page.locator('[data-words="rail pressure, key on, another regulator"]').tap()
    assert page.locator("#entry-title").inner_text() == "rail pressure, key on, another regulator"
    page.locator("#value").fill("38.5")
    page.locator("#entry-more summary").tap()
    assert page.locator("#said-lent").input_value() == "set point"
    page.locator("#said-renewed").fill("filtre")
    page.locator("#said-manifold").fill("98 kPa abs")
    page.get_by_role("button", name="Done").tap()
    page.locator("#entry-fault", has_text="did you mean filter").wait_for()
    assert page.evaluate("document.activeElement.id") == "said-renewed"
    assert violations(page) == []
    picture(page, "find-phone-conditions", whole=False)
    page.locator("#said-renewed").fill("filter")
    page.get_by_role("button", name="Done").tap()
    page.locator("#readings", has_text="set point lent, filter renewed").wait_for()
    said = rows_of(one_bench)[-1]["conditions"]
    assert said["lent"] == "set point"
    assert said["renewed"] == "filter"
    assert said["manifold_pressure"] == 98e3
    # what was renewed is so still with the next reading, and can be typed otherwise
    page.get_by_role("button", name="Enter a reading").tap()
    page.locator('[data-words="rail pressure, key on"]').tap()
    assert page.locator("#said-renewed").input_value() == "filter"


def test_a_belief_is_moved_taken_back_and_moved_by_hand_elsewhere(
    one_tab: Tab, one_bench: Bench
) -> None:
    page = one_tab(DESK)
    page.goto(FIND)
    page.locator("#move summary").click()
    page.locator("#move-cause").select_option("filter")
    page.locator("#move-p").fill("about half")
    page.get_by_role("button", name="Take that instead").click()
    page.locator("#move-fault", has_text="probability").wait_for()
    assert "{value" not in page.locator("#move-fault").inner_text()
    assert violations(page) == []
    page.reload()  # what was typed is here still
    page.locator("#move summary").click()
    assert page.locator("#move-p").input_value() == "about half"
    page.locator("#move-cause").select_option("filter")
    page.locator("#move-p").fill("30 %")
    page.locator("#move-why").fill("it was never changed")
    page.get_by_role("button", name="Take that instead").click()
    page.locator("#beliefs", has_text="it was never changed").wait_for()
    assert priors(one_bench) == {"filter": {"value": 0.3, "reason": "it was never changed"}}
    assert "30 %" in page.locator("#beliefs").inner_text()
    assert violations(page) == []
    assert narrow_targets(page) == []
    page.locator("#beliefs-title").scroll_into_view_if_needed()
    picture(page, "find-desk-beliefs", whole=False)
    page.get_by_role("button", name="Undo: priors.filter").click()
    page.locator("#beliefs", has_text="Nothing is moved").wait_for()
    assert not priors(one_bench)

    parts = one_tab(DESK)
    go(parts, "/car/van-roots/parts#t-priors")
    parts.locator("[id='v-priors.set-point']").fill("0.4")
    parts.locator("[id='v-priors.set-point']").press("Enter")
    page.locator("#beliefs", has_text="set point").wait_for()  # the other page hears of it
    assert priors(one_bench) == {"set point": 0.4}
    parts.locator("[id='v-priors.spread.pump']").fill("99")
    parts.locator("[id='e-priors.spread.pump']", has_text="0.1 to 10").wait_for()
    assert violations(parts) == []
    page.get_by_role("button", name="Back to usual: set point").click()
    page.locator("#beliefs", has_text="Nothing is moved").wait_for()
    assert not priors(one_bench)


def test_a_file_of_readings_good_rows_kept_bad_ones_refused_with_their_line(
    one_tab: Tab, one_bench: Bench, tmp_path: Path
) -> None:
    page = one_tab(PHONE)
    page.goto(FIND)
    before = len(rows_of(one_bench))
    page.get_by_text("Many at once, from a file").tap()
    file = tmp_path / "garage.csv"
    file.write_text(ROWS, encoding="utf-8")
    page.locator("#many-file").set_input_files(file)
    page.get_by_role("button", name="Store its rows").tap()
    page.locator("#many-said", has_text="2 stored, 2 refused").wait_for()
    words = page.locator("#many-said").inner_text()
    assert "line 3, value" in words and "line 5, state" in words
    assert len(rows_of(one_bench)) == before + 2
    page.locator("#readings", has_text="12.1 V").wait_for()
    page.get_by_role("button", name="Store its rows").tap()  # once more: nothing is stored twice
    page.locator("#many-said", has_text="2 were in the journal already").wait_for()
    assert len(rows_of(one_bench)) == before + 2
    assert violations(page) == []
    assert narrow_targets(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    (tmp_path / "garage.xlsx").write_bytes(b"PK")
    page.locator("#many-file").set_input_files(tmp_path / "garage.xlsx")
    page.get_by_role("button", name="Store its rows").tap()
    page.locator("#many-fault", has_text=".csv or a .toml").wait_for()


def test_a_file_that_is_no_table_stores_nothing(tmp_path: Path) -> None:
    asker = local(app_on(tmp_path))
    address = f"{HERE}/api/car/van-roots/read/upload"

    def sent(data: bytes, form: str) -> httpx.Response:
        kind = "text/csv" if form == "csv" else "application/toml"
        return asker.post(f"{address}?form={form}", content=data,
                          headers=OURS | {"content-type": kind})  # fmt: skip

    assert sent(b"", "csv").status_code == 422
    assert "UTF-8" in sent(b"kind,value\n\xff\xfe,1\n", "csv").json()["error"]["problem"]
    assert sent(b"x = [", "toml").status_code == 422
    assert sent(b"\0" * 100, "csv").status_code == 422
    assert sent(b"kind,value\n", "xls").status_code == 422
    assert sent(b"a" * (MOST_BYTES + 1), "csv").status_code == 413
    many = b"kind,value,state\n" + b"rail-pressure,38 psi,key-on\n" * 2001
    assert "2000 rows" in sent(many, "csv").json()["error"]["accepted"]
    assert asker.get("/api/car/van-roots/read").json()["readings"] == []
    toml = b'[[reading]]\nkind = "pump-voltage"\nvalue = "12 V"\nstate = "key-on"\n'
    done = sent(toml, "toml").json()
    assert [row["typed"] for row in done["stored"]] == ["12 V"]
    assert done["refused"] == []
