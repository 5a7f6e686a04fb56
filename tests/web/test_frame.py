"""The frame of every page in a real browser: at both sizes, with axe-core."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from browser import DESK, PHONE, narrow_targets, violations


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_the_first_page_opens_without_fault(tab: Callable[..., Any], size: dict[str, int]) -> None:
    page = tab(size)
    page.goto("/")
    assert page.get_by_role("link", name="van-roots").is_visible()
    assert violations(page) == []
    assert narrow_targets(page) == []
