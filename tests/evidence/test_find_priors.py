"""Priors that the user moves in build.toml or with --prior."""

from __future__ import annotations

import re

import pytest

import garage
from keyturn.build.model import Build
from keyturn.build.read import from_text
from keyturn.errors import UnknownKey, ValueRefused
from keyturn.evidence.causes import causes
from keyturn.evidence.find import find
from keyturn.evidence.infer import prepare
from keyturn.evidence.unknowns import unknowns
from keyturn.report.find_words import text, to_json

BARE = (garage.EXAMPLES / "pickup-screw" / "build.toml").read_text("utf-8")
MOVED = """
[priors]
filter = 0.3
"leak in the tank" = {value = 0.1, reason = "hose of unknown grade"}

[priors.spread]
pump = {value = 2, reason = "three pumps swapped about"}
"""


def build(more: str) -> Build:
    return from_text(BARE + more)


def share(car: Build, name: str, moved: dict[str, float] | None = None) -> float:
    return next(row.prior for row in causes(car, moved) if row.name == name)


def test_the_file_moves_priors_and_the_command_line_wins() -> None:
    car = build(MOVED)
    assert share(car, "filter") == 0.3
    assert share(car, "leak in the tank") == 0.1
    assert share(car, "filter", {"filter": 0.2}) == 0.2
    assert sum(row.prior for row in causes(car)) == pytest.approx(1.0)
    plain = build("")
    # the others keep their proportion
    ratio = share(plain, "wiring") / share(plain, "gauge")
    assert share(car, "wiring") / share(car, "gauge") == pytest.approx(ratio)


def test_a_spread_is_made_wider() -> None:
    usual, wide = (
        {row.name: row.fault.spread for row in unknowns(car) if row.fault is not None}
        for car in (build(""), build(MOVED))
    )
    assert wide["pump"] == 2.0 * usual["pump"]
    assert {name for name in usual if usual[name] != wide[name]} == {"pump"}


@pytest.mark.parametrize(
    ("typed", "error", "words"),
    [
        ('[priors]\n"filtr" = 0.3', UnknownKey, "did you mean filter?"),
        ("[priors]\nfilter = 1.0", ValueRefused, "probability"),
        ("[priors]\nfilter = true", ValueRefused, "probability"),
        ("[priors]\nfilter = nan", ValueRefused, "probability"),
        ("[priors]\nfilter = {vale = 0.3}", UnknownKey, "did you mean value?"),
        ("[priors]\nfilter = {value = 0.3, reason = 3}", ValueRefused, "reason"),
        ("[priors]\nfilter = {reason = 'said so'}", ValueRefused, "probability"),
        ("[priors]\nfilter = 0.6\npump = 0.4", ValueRefused, "less than 1"),
        ("[priors.spread]\npump = 30", ValueRefused, "factor"),
        ("[priors.spread]\npum = 2", UnknownKey, "did you mean pump?"),
        ("[priors.spread]\ndemand = 2", UnknownKey, "unknown"),
    ],
)
def test_what_cannot_be_taken_is_refused(typed: str, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=re.escape(words)):
        build("\n" + typed)


def test_the_line_of_a_faulty_prior_is_said() -> None:
    with pytest.raises(UnknownKey) as refused:
        build('\n[priors]\n"leek in the tank" = 0.3')
    assert refused.value.place.line == len(BARE.splitlines()) + 3


def test_a_cause_that_the_car_cannot_have_is_refused_when_asked() -> None:
    with pytest.raises(ValueRefused, match="no such cause in this build"):
        causes(garage.model_of("v8-5400").build, {"return line": 0.2})
    with pytest.raises(ValueRefused) as refused:
        causes(build(""), {"filtr": 0.2})
    assert refused.value.advice == "did you mean filter?"


def test_the_answer_lists_what_was_moved() -> None:
    car = build(MOVED)
    assert prepare(car).build.priors
    result = find(car, (garage.psi("key-on", 36.0),), seed=0, moved={"gauge": 0.2, "filter": 0.25})
    where = {row.name: row.where for row in result.moved}
    assert where == {
        "gauge": "--prior", "filter": "--prior", "leak in the tank": "build.toml",
        "pump": "build.toml",
    }  # fmt: skip
    said = " ".join(text(result).split())
    assert "Prior of leak in the tank moved to 10 % from" in said
    assert "hose of unknown grade" in said
    assert [row["name"] for row in to_json(result)["moved_priors"]] == list(where)
    assert find(build(""), (garage.psi("key-on", 36.0),), seed=0).moved == ()
