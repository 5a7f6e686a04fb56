"""The report and its PDF, the journal out and in, the whole build as one file."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from browser import DESK, PHONE, Bench, downloaded, go, narrow_targets, picture, violations

Tab = Callable[..., Any]
PAPERS = "/car/van-roots/papers"


def read(bench: Bench, value: str, token: str) -> None:
    body = {"kind": "rail-pressure", "state": "key-on", "value": value, "token": token}
    done = httpx.post(f"{bench.url}/api/car/van-roots/read", json=body, timeout=60,
                      headers={"origin": bench.url})  # fmt: skip
    assert done.status_code == 200


def test_the_report_is_printed_and_the_journal_carried(
    tab: Tab, bench: Bench, tmp_path: Path
) -> None:
    read(bench, "44 psi", "papers-001")
    page = tab(DESK)
    page.goto(PAPERS)
    with page.expect_download() as coming:
        page.get_by_role("link", name="PDF to print").click()
    assert coming.value.suggested_filename == "van-roots-report.pdf"
    assert Path(coming.value.path()).read_bytes().startswith(b"%PDF-")
    assert b"<svg" in downloaded(page, "Pressure path")
    exported = tmp_path / "journal.jsonl"
    exported.write_bytes(downloaded(page, "Export the journal"))
    assert json.loads(exported.read_text().splitlines()[0])["entries"] == 1
    page.locator("#journal-file").set_input_files(exported)
    page.locator("#journal-import").click()
    page.locator("#says", has_text="nothing was added").wait_for()
    exported.write_text("no journal\n")
    page.locator("#journal-file").set_input_files(exported)
    page.locator("#journal-import").click()
    page.locator("#journal-fault", has_text="JSON").wait_for()
    assert violations(page) == []
    assert narrow_targets(page) == []
    picture(page, "papers-desk")


def test_a_build_goes_out_and_comes_in_as_one_file(tab: Tab, bench: Bench, tmp_path: Path) -> None:
    read(bench, "44 psi", "papers-002")
    page = tab(DESK)
    page.goto(PAPERS)
    whole = tmp_path / "whole.zip"
    whole.write_bytes(downloaded(page, "Export the build"))
    page.locator("#build-file").set_input_files(whole)
    page.locator("#build-import").click()
    page.locator("#build-fault", has_text="name").wait_for()
    page.locator("#build-name").fill("second-van")
    page.locator("#build-import").click()
    page.wait_for_url("**/car/second-van/home")
    rows = httpx.get(f"{bench.url}/api/car/second-van/read", timeout=60).json()["readings"]
    assert [row["typed"] for row in rows] == ["44 psi"]


def test_the_first_page_takes_a_build_from_a_file(tab: Tab, bench: Bench, tmp_path: Path) -> None:
    read(bench, "44 psi", "papers-004")
    whole = tmp_path / "whole.zip"
    whole.write_bytes(httpx.get(f"{bench.url}/api/car/van-roots/archive", timeout=60).content)
    page = tab(PHONE)
    go(page, "/")
    page.get_by_role("link", name="Let a phone in").click()
    page.wait_for_url("**/door")
    assert page.locator(".foot").get_by_role("link", name="All builds").is_visible()
    page.go_back()
    page.wait_for_selector("body[data-ready=yes]")
    page.get_by_role("button", name="Bring it in").click()
    page.locator("#e-import", has_text="short name").wait_for()
    page.locator("#i-folder").fill("brought-van")
    (tmp_path / "no.zip").write_bytes(b"no archive at all")
    page.locator("#i-file").set_input_files(tmp_path / "no.zip")
    page.get_by_role("button", name="Bring it in").click()
    page.locator("#e-import", has_text="not what is taken here").wait_for()
    page.locator("#i-file").set_input_files(whole)
    page.get_by_role("button", name="Bring it in").click()
    page.wait_for_url("**/car/brought-van/home")
    rows = httpx.get(f"{bench.url}/api/car/brought-van/read", timeout=60).json()["readings"]
    assert [row["typed"] for row in rows] == ["44 psi"]


def test_the_report_page_has_a_policy_of_its_own(one_tab: Tab) -> None:
    page = one_tab(PHONE)
    answer = page.goto(f"{PAPERS}/report.html")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    # the style is applied: on a phone the narrow drawings are shown, not the wide ones
    assert page.locator(".narrow svg").first.is_visible()
    assert not page.locator(".wide svg").first.is_visible()
    picture(page, "papers-phone-report", whole=False)


@pytest.mark.parametrize("look", ["dark", "sun"])
def test_papers_in_other_light(one_tab: Tab, one_bench: Bench, look: str) -> None:
    page = one_tab(PHONE)
    page.context.add_cookies([{"name": "look", "value": look, "url": one_bench.url}])
    read(one_bench, "44 psi", "papers-003")  # under one token: stored once
    page.goto(PAPERS)
    assert violations(page) == []
    assert narrow_targets(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    picture(page, f"papers-phone-{look}")
