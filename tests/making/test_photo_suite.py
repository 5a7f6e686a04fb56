"""At least sixty rendered photos against the goals, and hard ones; minutes, so not by make test.

Stated bounds are judged over whole classes of pictures, by scripts/validate.py --only gasket.
"""

from __future__ import annotations

import pytest
import suite

pytestmark = pytest.mark.validate


def test_the_suite_has_at_least_sixty_photos() -> None:
    photos = [k.photos * k.together for k in suite.CATEGORIES.values() if not k.glass]
    assert sum(photos) >= 60


@pytest.mark.parametrize("name", list(suite.CATEGORIES))
def test_every_goal_of_the_category_holds(name: str) -> None:
    seeds = range(1, suite.CATEGORIES[name].photos + 1)
    line = suite.summary(name, [suite.run(name, seed, draws=0) for seed in seeds])
    assert line["holds"], line


@pytest.mark.parametrize("name", list(suite.HARD))
def test_no_hard_picture_is_wrong_in_silence(name: str) -> None:
    rows = [suite.run(name, n + 1, draws=0) for n in range(len(suite.HARD[name].options))]
    ends = [suite.outcome(name, row) for row in rows]
    assert "silent" not in ends, ends
