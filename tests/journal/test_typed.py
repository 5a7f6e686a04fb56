"""Typed words to a reading: SI, error of the instrument, and questions where two things are meant.

Conversions: 1 psi = 6894.757 Pa, 1 inHg = 3386.389 Pa (NIST SP 811, 2008, appendix B.8); the
tolerance is the last digit printed there.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.errors import AmbiguousValue, BuildError, Place, ValueRefused
from keyturn.evidence.reading import kinds
from keyturn.journal.slip import suspect
from keyturn.journal.typed import COLUMNS, Typed, from_words, possible, to_reading

EXAMPLES = Path(__file__).resolve().parents[2] / "src/keyturn/examples"
PSI, INHG = 6894.757, 3386.389


@pytest.fixture(scope="module")
def build() -> Build:
    return load(EXAMPLES / "pickup-screw")


def test_a_rail_pressure(build: Build) -> None:
    found = to_reading(
        Typed("rail-pressure", "43.5 psi", "key-on", volts="12.2", note="cold\nengine"), build
    )
    assert found.value == pytest.approx(43.5 * PSI, abs=43.5 * 0.0005)
    assert found.conditions.supply_voltage == 12.2
    assert found.note == "cold engine"


def test_what_was_lent_or_renewed_belongs_to_the_reading(build: Build) -> None:
    typed = Typed("rail-pressure", "43 psi", "key-on", lent=" wiring", renewed="pump,filter , ")
    said = to_reading(typed, build).conditions
    assert (said.lent, said.renewed) == ("wiring", "filter, pump")
    assert to_reading(Typed("rail-pressure", "43 psi", "key-on", lent=" "), build) == to_reading(
        Typed("rail-pressure", "43 psi", "key-on"), build
    )
    with pytest.raises(ValueRefused, match="did you mean wiring") as refused:
        to_reading(Typed("rail-pressure", "43 psi", "key-on", lent="wirring"), build)
    assert refused.value.place.key == "lent"
    with pytest.raises(ValueRefused, match="no such repair"):
        to_reading(Typed("rail-pressure", "43 psi", "key-on", renewed="as described"), build)


def test_boost_and_vacuum_are_above_and_below_ambient(build: Build) -> None:
    ambient = build.site.barometer.si

    def absolute(text: str) -> float:
        return to_reading(Typed("manifold-pressure", text, "idle"), build).value

    assert absolute("8 psi boost") == pytest.approx(ambient + 8 * PSI, abs=0.01)
    assert absolute("8 psig") == absolute("8 psi boost")
    assert absolute("18 inHg vacuum") == pytest.approx(ambient - 18 * INHG, abs=0.02)
    assert absolute("-18 inHg gauge") == absolute("18 inHg vacuum")
    assert absolute("40 kPa abs") == 4.0e4


@pytest.mark.parametrize(
    ("typed", "question"),
    [
        (Typed("manifold-pressure", "8 psi", "full-load", rpm="4000"), "gauge"),
        (Typed("rail-pressure", "40 psi", "idle"), "reference hose"),
        (Typed("rail-pressure", "40 psi", "full-load", rpm="4000", manifold="150 kPa"), "gauge"),
        (Typed("timed-volume", "0.3 gal", "key-on", pressure="40 psi", seconds="30"), "US gallon"),
        (Typed("lambda", "12.5 AFR", "idle"), "which fuel"),
    ],
)
def test_what_can_mean_two_things_is_asked(typed: Typed, question: str, build: Build) -> None:
    with pytest.raises(AmbiguousValue, match=question):
        to_reading(typed, build)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (Typed("rail-presure", "40 psi", "key-on"), "did you mean rail-pressure"),
        (Typed("rail-pressure", "40 psi"), "in which state"),
        (Typed("rail-pressure", "40 psi", "flying"), "such a state"),
        (Typed("rail-pressure", "40", "key-on"), "unit is missing"),
        (Typed("rail-pressure", "40 V", "key-on"), "value"),
        (Typed("rail-pressure", "much", "key-on"), "not a number"),
        (Typed("rail-pressure", "40 psi", "held-speed"), "at which engine speed"),
        (Typed("rail-pressure", "40 psi", "held-speed", rpm="999999"), "not a possible"),
        (Typed("rail-pressure", "40 psi", "key-on", reference="half"), "on, off"),
        (Typed("rail-pressure", "40 psi", "key-on", error="0 psi"), "above zero"),
        (Typed("rail-pressure", "40 psi", "key-on", error="2 V"), "error"),
        (Typed("rail-pressure", "40 psi", "key-on", note="x" * 501), "cannot be kept"),
        (Typed("rail-pressure", "40 psi", "key-on", note="a\x1bb"), "cannot be kept"),
        (Typed("pressure-held", "30 psi", seconds="300"), "at the start of the hold"),
        (Typed("pressure-held", "30 psi", pressure="40 psi"), "the time it took"),
        (Typed("pressure-held", "30 psi", pressure="40 psi", seconds="0"), "above zero"),
        (Typed("return-flow", "some", "idle"), "yes, no"),
    ],
)
def test_what_cannot_be_taken(typed: Typed, words: str, build: Build) -> None:
    with pytest.raises(ValueRefused, match=words):
        to_reading(typed, build)


def spread(build: Build, **words: str) -> float:
    return to_reading(Typed("rail-pressure", "50 psi", "key-on", **words), build).spread


def test_error_of_the_instrument(build: Build) -> None:
    """Common practice, no source: a dial is good to 2 % of its full scale."""
    assert spread(build, error="1.5 psi") == pytest.approx(1.5 * PSI, abs=0.01)
    assert spread(build, error="3 %") == pytest.approx(1.5 * PSI, abs=0.01)
    assert spread(build, instrument="mechanical 0-100 psi") == pytest.approx(2 * PSI, abs=0.01)
    assert spread(build, instrument="dial, 0 to 10 bar") == pytest.approx(2.0e4)
    assert spread(build, instrument="a 0-100 psi one", error="1 kPa") == pytest.approx(1.0e3)
    # no full scale said: the usual dial, 2 psi as the row is rounded
    assert spread(build, instrument="old one") == pytest.approx(2 * PSI, rel=0.002)


def test_every_kind_can_be_typed(build: Build) -> None:
    texts = {
        "pressure_gauge": "20 psi", "volume": "0.5 L", "yes_no": "no", "voltage": "0.4 V",
        "current": "9 A", "pressure": "90 kPa abs", "air_fuel_equivalence": "0.95",
        "temperature": "95 degF",
    }  # fmt: skip
    for kind in kinds().values():
        for state in kind.states:
            typed = Typed(
                kind.name, texts[kind.quantity], state, reference="on", rpm="2500",
                pressure="40 psi", seconds="30",
            )  # fmt: skip
            found = to_reading(typed, build)
            possible(found)
            assert (found.spread > 0.0) == (kind.quantity != "yes_no")


def test_impossible_values(build: Build) -> None:
    for kind, text in (("rail-pressure", "900 bar"), ("pump-voltage", "900 V")):
        with pytest.raises(ValueRefused, match="not a possible"):
            possible(to_reading(Typed(kind, text, "key-on"), build))
    caught = Typed("timed-volume", "0 mL", "key-on", pressure="40 psi", seconds="30")
    possible(to_reading(caught, build))  # a dead pump gives nothing


def test_columns_nobody_reads_are_refused() -> None:
    with pytest.raises(ValueRefused, match="did you mean instrument"):
        from_words({"kind": "lambda", "value": "1", "instrumnt": "x"}, Place())
    with pytest.raises(ValueRefused, match="value not said"):
        from_words({"kind": "lambda"}, Place())


LIKELY = st.sampled_from(
    ["psi", "psig", "psia", "bar abs", "kPa", "inHg vacuum", "V", "mV", "°F", "A", "us gal", "mL"]
)
words = st.text(max_size=12) | st.builds(
    lambda value, unit: f"{value:g} {unit}",
    st.floats(-1e6, 1e6),
    LIKELY | st.text(max_size=6),
)


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(sorted(kinds())),
    words,
    st.sampled_from(["key-on", "idle", "full-load", "held-speed"]) | st.text(max_size=6),
    st.dictionaries(st.sampled_from(COLUMNS[3:]), words, max_size=5),
)
def test_any_words_give_a_reading_or_a_refusal(
    build: Build, kind: str, value: str, state: str, rest: dict[str, str]
) -> None:
    try:
        found = to_reading(Typed(kind, value, state, **{"reference": "on", **rest}), build)
    except BuildError:
        return
    if kinds()[kind].quantity != "yes_no":
        # whatever was taken as typed can be held against a band too
        suspect(found, (1.0, 2.0), build.site.barometer.si, 14.7)
