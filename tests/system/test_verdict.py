"""Verdict words on ratios made by hand: each word, and the cases that must not be green."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from keyturn.build.model import Curve, Grade, Value
from keyturn.system.draws import Draws
from keyturn.system.headroom import Need
from keyturn.system.result import Headroom
from keyturn.system.verdict import band, judge, shares, worst


class Known:
    """Stands in for a build: only what can be drawn."""

    def __init__(self, *values: Value) -> None:
        self.values = values

    def known(self) -> Iterator[Value | Curve]:
        yield from self.values


def value(key: str, spread: float, grade: Grade) -> Value:
    return Value(
        si=1.0, spread=spread, law="scale", grade=grade, quantity="ratio", key=key, typed="1"
    )


def judged(centre: float, spread: float, grade: Grade, keys: tuple[str, ...] = ()) -> Headroom:
    known = value("pump.flow", spread, grade)
    draws = Draws(Known(known), 2000, np.random.default_rng(1))  # type: ignore[arg-type]
    ones = np.ones((1, 1))
    need = Need("pump", "flow", "flow", ones, centre * draws.of(known), ones[0], ones[0], keys)
    return judge(need, draws)


@pytest.mark.parametrize(
    ("centre", "spread", "grade", "word"),
    [
        (1.5, 0.05, "datasheet", "holds"),
        (1.05, 0.05, "datasheet", "tight"),
        (0.97, 0.05, "measured", "short"),
        (0.6, 0.05, "datasheet", "short"),
        (1.1, 0.30, "datasheet", "not proven"),
        (0.9, 0.30, "datasheet", "not proven"),
    ],
)
def test_words(centre: float, spread: float, grade: Grade, word: str) -> None:
    assert judged(centre, spread, grade).verdict == word


@pytest.mark.parametrize("grade", ["hearsay", "assumed"])
def test_a_rumour_is_never_green_by_a_hair(grade: Grade) -> None:
    """97 % of the samples hold, but all of the spread is rumour."""
    answer = judged(1.35, 0.15, grade)
    assert answer.p_holds > 0.95
    assert answer.verdict == "not proven"
    assert answer.settles


def test_a_rumour_with_a_wide_margin_may_hold() -> None:
    assert judged(3.0, 0.15, "hearsay", ("pump.flow",)).verdict == "holds"


def test_a_rumour_is_short_only_when_even_a_lucky_one_is() -> None:
    assert judged(0.75, 0.25, "hearsay", ("pump.flow",)).verdict == "not proven"
    assert judged(0.4, 0.25, "hearsay", ("pump.flow",)).verdict == "short"


def test_share_of_holding_is_that_of_the_log_normal() -> None:
    """P(1.1 exp(0.1 z) >= 1) = Phi(ln 1.1 / 0.1) = 0.8298; a hypercube errs far less than 1 %."""
    assert judged(1.1, 0.1, "datasheet").p_holds == pytest.approx(0.8298, abs=0.003)


def test_shares_of_a_product_are_its_variances() -> None:
    """ln of a product of log-normals is linear: shares are 9/10 and 1/10 exactly."""
    many = (value("a", 0.3, "measured"), value("b", 0.1, "measured"))
    draws = Draws(Known(*many), 4000, np.random.default_rng(2))  # type: ignore[arg-type]
    found = {
        known.key: share
        for share, known in shares((draws.of(many[0]) * draws.of(many[1]))[:, 0], draws)
    }
    # sampling error of a squared correlation at 4000 samples is about 1 %
    assert found["a"] == pytest.approx(0.9, abs=0.02)
    assert found["b"] == pytest.approx(0.1, abs=0.02)


def test_worst_word_wins_over_least_ratio() -> None:
    rows = (
        judged(1.5, 0.05, "datasheet"),
        judged(1.1, 0.3, "hearsay"),
        judged(0.97, 0.05, "measured"),
    )
    assert worst(rows).verdict == "short"
    assert worst(rows[:2]).verdict == "not proven"


def test_band_of_nothing_is_not_a_number() -> None:
    assert np.isnan(band(np.full(5, np.nan)).p50)
