"""At least sixty rendered photos against the bounds; run by make validate."""

from __future__ import annotations

import pytest
import suite

pytestmark = pytest.mark.validate


def test_the_suite_has_at_least_sixty_photos() -> None:
    assert sum(kind.photos * kind.together for kind in suite.CATEGORIES.values()) >= 60


@pytest.mark.parametrize("name", list(suite.CATEGORIES))
def test_every_bound_of_the_category_holds(name: str) -> None:
    rows = [suite.run(name, seed) for seed in range(1, suite.CATEGORIES[name].photos + 1)]
    line = suite.summary(name, rows)
    assert line["holds"], suite.render_row(line)
    told = suite.honesty(rows)
    assert suite.honest(told), told
