"""What is decided about a column is true, or it is asked: never a wrong unit without a word.

The drives are invented. Factors of units: SI brochure and NIST SP 811; stoichiometric numbers on
instruments: common practice.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from keyturn.errors import AmbiguousValue, ValueRefused
from keyturn.logs.mapping import Proposal
from keyturn.logs.stored import read_frame
from keyturn.tasks.log import Imported, import_log, recording

PSI, BAR, INHG = 6894.757293168361, 1e5, 3386.389
WEATHER = 99.5e3  # of the site in the build
Columns = dict[str, np.ndarray]


def drive(seed: int = 1, stretch: str = "whole") -> Columns:
    """SI; ``stretch`` "whole" has engine off and pump off, "running" has not, "boost" is a pull."""
    rng = np.random.default_rng(seed)
    time = np.arange(1200) / 20.0
    off, pump = time < 5.0, time > 2.0
    pull = np.clip((time - 30.0) / 8.0, 0.0, 1.0) * (time < 42.0)
    speed = np.where(off, 0.0, rng.uniform(700, 950) + rng.uniform(2500, 5000) * pull) / 60.0
    top = rng.uniform(120e3, 220e3)
    idle = rng.uniform(28e3, 50e3)
    manifold = np.where(off, WEATHER, idle + (top - idle) * np.sqrt(pull))
    manifold += rng.normal(0, 400, len(time))
    rail = np.where(pump, rng.uniform(250e3, 420e3) + rng.normal(0, 2e3, len(time)), 300.0)
    lam = np.where(pull > 0.1, 0.82, 1.0) + rng.normal(0, 0.006, len(time))
    pulse = np.where(off, 0.0, 1e-3 + manifold * 5e-8)
    found = {
        "time": time, "speed": speed, "manifold": manifold, "rail": rail, "lambda": lam,
        "pulse": pulse, "duty": pulse * speed / 2,
    }  # fmt: skip
    rows = {"whole": time >= 0, "running": time > 6.0, "boost": pull > 0.55}[stretch]
    return {name: values[rows] for name, values in found.items()}


def bring(car: Path, columns: Columns, name: str = "log.csv", **how: object) -> Imported:
    path = car.parent / name
    lines = [",".join(columns)]
    lines += [",".join(f"{v:.5g}" for v in row) for row in zip(*columns.values(), strict=True)]
    path.write_text("\n".join(lines) + "\n")
    return import_log(car, path, **how)  # type: ignore[arg-type]


def named(truth: Columns, **columns: np.ndarray) -> Columns:
    return {"Time (s)": truth["time"], "RPM": truth["speed"] * 60, **columns}


def as_read(values: np.ndarray, unit: float, side: str) -> np.ndarray:
    """Absolute pressure as a sensor of this unit and side would log it."""
    return (values - (WEATHER if side == "gauge" else 0.0)) / unit


@pytest.mark.parametrize("stretch", ["whole", "running", "boost"])
@pytest.mark.parametrize("side", ["gauge", "absolute"])
@pytest.mark.parametrize("unit", [PSI, 1e3, BAR, INHG], ids=["psi", "kPa", "bar", "inHg"])
def test_a_manifold_pressure_is_right_or_asked(
    car: Path, unit: float, side: str, stretch: str
) -> None:
    decided = 0
    for seed in range(6):
        truth = drive(seed, stretch)
        columns = named(truth, MAP=as_read(truth["manifold"], unit, side))
        item = bring(car, columns, f"{seed}.csv").proposal["manifold_pressure"]
        name = {PSI: "psi", 1e3: "kPa", BAR: "bar", INHG: "inHg"}[unit]
        if item.question:
            assert f"MAP as {name} {side}" in item.options
            continue
        decided += 1
        # the weather of the site and of the car differ by no more than a sensor's zero
        expected = columns["MAP"] * item.scale + item.offset
        assert expected == pytest.approx(truth["manifold"], abs=1.5e3), item
    # to ask always is no answer: with the engine off in the log its barometer and idle tell. Only
    # a gauge in psi and one in inHg both start at zero, and their vacuums are one half the other
    alike = side == "gauge" and unit in (PSI, INHG)
    assert decided == 6 or stretch != "whole" or alike
    # one side of the weather, no idle, engine never off: anything decided there were a guess
    assert decided == 0 or stretch != "boost"


@pytest.mark.parametrize("stretch", ["whole", "running"])
@pytest.mark.parametrize("side", ["gauge", "absolute"])
@pytest.mark.parametrize("unit", [PSI, 1e3, BAR], ids=["psi", "kPa", "bar"])
def test_a_rail_pressure_is_right_or_asked(car: Path, unit: float, side: str, stretch: str) -> None:
    for seed in range(6):
        truth = drive(seed, stretch)
        logged = as_read(truth["rail"] + WEATHER, unit, side)
        item = bring(car, named(truth, FuelPressure=logged), f"{seed}.csv").proposal["rail_gauge"]
        if stretch == "running":
            # nothing in the file tells 43 psi gauge from 43 psi absolute
            assert item.question
            assert {"gauge", "absolute"} == {option.split()[-1] for option in item.options[:-1]}
        else:
            assert item.question is None
            assert logged * item.scale + item.offset == pytest.approx(truth["rail"], abs=1.5e3)


def test_the_pressure_across_tells_the_side_of_the_rail(car: Path) -> None:
    truth = drive(3, "running")
    columns = named(
        truth,
        **{
            "MAP (kPa abs)": truth["manifold"] / 1e3,
            "Fuel Pressure (psi)": (truth["rail"] + WEATHER) / PSI,
            "Injector Differential Pressure (psi)": (
                truth["rail"] + WEATHER - truth["manifold"]
            ) / PSI,
        },
    )  # fmt: skip
    item = bring(car, columns).proposal["rail_gauge"]
    assert item.question is None
    assert item.unit == "psi absolute"
    assert any("rail less manifold" in reason for reason in item.reasons)


@pytest.mark.parametrize(
    ("display", "unit"), [(14.7, "AFR of petrol"), (9.765, "AFR of E85"), (1.0, "lambda")]
)
def test_a_mixture_that_dwells_at_its_ratio_is_known(car: Path, display: float, unit: str) -> None:
    for seed in range(5):
        truth = drive(seed)
        columns = named(truth, Wideband=truth["lambda"] * display)
        item = bring(car, columns, f"{seed}.csv").proposal["lambda"]
        assert item.question is None
        assert item.unit == unit


def test_a_mixture_that_dwells_nowhere_is_asked(car: Path) -> None:
    truth = drive(2)
    lam = np.where(truth["lambda"] < 0.9, 0.8, 0.87) + 0.01 * np.sin(truth["time"])
    item = bring(car, named(truth, AFR=lam * 14.7)).proposal["lambda"]
    assert item.question
    assert any("petrol" in option for option in item.options)
    assert any("E10" in option for option in item.options)


def test_a_rich_idle_on_the_scale_of_petrol_is_not_taken_for_e10(car: Path) -> None:
    # lambda 0.96 on a display of 14.7 reads 14.1, the ratio of E10
    truth = drive(2)
    lam = np.where(truth["lambda"] < 0.9, 0.82, 0.96) + 0.003 * np.sin(truth["time"] * 5)
    item = bring(car, named(truth, AFR=lam * 14.7)).proposal["lambda"]
    assert item.question
    assert "AFR as AFR of petrol" in item.options


def test_a_narrow_probe_in_volts_is_no_lambda(car: Path) -> None:
    truth = drive(2)
    columns = named(truth, **{"O2 (V)": 0.45 + 0.4 * np.sin(truth["time"] * 9)})
    assert "lambda" not in bring(car, columns).proposal


@pytest.mark.parametrize(("times", "unit"), [(100.0, "percent"), (1.0, "one")])
def test_a_share_or_a_percentage(car: Path, times: float, unit: str) -> None:
    truth = drive(4)
    columns = named(truth, TPS=times * np.clip((truth["manifold"] - 30e3) / 1e5, 0.02, 1.0))
    assert bring(car, columns).proposal["throttle"].unit == unit


@pytest.mark.parametrize(("sign", "unit"), [(1.0, "deg"), (-1.0, "deg negative")])
def test_retard_counts_up_or_down(car: Path, sign: float, unit: str) -> None:
    truth = drive(4)
    taken_back = np.where(truth["lambda"] < 0.9, 2.5, 0.0)
    columns = named(truth, **{"Knock Retard (deg)": sign * taken_back})
    brought = bring(car, columns, confirm=True)
    assert brought.proposal["knock_retard"].unit == unit
    assert brought.recording is not None
    found = read_frame(brought.recording)["knock_retard"]
    assert np.degrees(found) == pytest.approx(taken_back)
    # and so it is remembered
    assert bring(car, columns, "next.csv").confirmed
    both = {**columns, "Knock Retard (deg)": 3 * np.sin(truth["time"])}
    assert bring(car, both, "both.csv").proposal["knock_retard"].question


def test_a_temperature_that_can_be_either_is_asked(car: Path) -> None:
    truth = drive(4)
    warming = 25 + truth["time"] / 2
    assert bring(car, named(truth, CLT=warming)).proposal["coolant_temperature"].question
    hot = 150 + truth["time"]
    item = bring(car, named(truth, CLT=hot), "hot.csv").proposal["coolant_temperature"]
    assert (item.unit, item.question) == ("degF", None)


def test_a_written_unit_that_the_values_speak_against_is_asked(car: Path) -> None:
    truth = drive(5)
    columns = named(truth, **{"Fuel Pressure (psi)": truth["rail"] / 1e3})
    item = bring(car, columns).proposal["rail_gauge"]
    assert item.question and "psi" in item.question
    taken = bring(car, columns, "log.csv", confirm=True)
    assert taken.recording is not None
    assert "rail_gauge" not in taken.recording.channels
    assert any("rail_gauge is left out" in note for note in taken.notes)


def test_a_gauge_that_is_written_absolute_is_doubted(car: Path) -> None:
    # an owner's dash showed 14.7 psi with the pump off: gauge and absolute mixed
    truth = drive(5)
    columns = named(truth, **{"Fuel Pressure (psi gauge)": (truth["rail"] + WEATHER) / PSI})
    item = bring(car, columns).proposal["rail_gauge"]
    said = bring(
        car, columns, mapping={"rail_gauge": "Fuel Pressure (psi gauge) as psi gauge"}
    ).proposal["rail_gauge"]
    assert item.question or item.unit == "psi absolute" or item.confidence < 0.96
    assert said.question is None
    assert said.unit == "psi gauge"


def test_a_clock_that_can_be_any_unit_is_asked(car: Path) -> None:
    truth = drive(1)
    columns = named(truth, MAP=truth["manifold"] / 1e3)
    columns["Time (s)"] = np.arange(len(truth["time"]), dtype=float)
    columns = {name.replace(" (s)", ""): values for name, values in columns.items()}
    item = bring(car, columns).proposal["time"]
    assert item.question
    with pytest.raises(AmbiguousValue, match="steps"):
        bring(car, columns, confirm=True)
    taken = bring(car, columns, mapping={"time": "Time as ms"}, confirm=True).recording
    assert taken is not None
    assert taken.rate == pytest.approx(1000.0)


def test_two_columns_that_fit_alike_are_asked(car: Path) -> None:
    truth = drive(1)
    columns = named(truth, Wideband=truth["lambda"], WBO2=truth["lambda"] + 0.02)
    item = bring(car, columns).proposal["lambda"]
    assert item.question
    assert {"Wideband as lambda", "WBO2 as lambda"} <= set(item.options)


def test_what_moves_together_counts(car: Path) -> None:
    truth = drive(1)
    good = named(truth, **{
        "Inj PW (ms)": truth["pulse"] * 1e3, "Injector Duty (%)": truth["duty"] * 100
    })  # fmt: skip
    bad = {**good, "Injector Duty (%)": 20 + 10 * np.sin(truth["time"])}
    first = bring(car, good, "good.csv").proposal["duty"]
    second = bring(car, bad, "bad.csv").proposal["duty"]
    assert any("r = 1.00" in reason for reason in first.reasons)
    assert second.confidence < first.confidence - 0.15


@pytest.mark.parametrize(
    "name",
    ["Oil Pressure (psi)", "Brake Pressure (bar)", "Target Boost (kPa)", "Fuel Trim (%)",
     "Injector Dead Time (ms)", "Boost Duty (%)", "Idle Target RPM", "MAP Volts (V)",
     "Knock Count", "Turbo Speed (rpm)", "Lambda Target", "AFR Error", "Time Since Start (s)"],
)  # fmt: skip
def test_other_things_are_no_channel(car: Path, name: str) -> None:
    truth = drive(1)
    columns = named(truth, **{name: 30 + 20 * np.sin(truth["time"])})
    found = bring(car, columns).proposal
    others = [item for item in found.items if item.channel not in ("time", "lambda_target")]
    assert all(item.column != name for item in others)


def test_names_of_a_diagnostic_port(car: Path) -> None:
    # shape of the names as phone programs write them: empty brackets, a misspelling, a last comma
    truth = drive(1)
    path = car.parent / "port.csv"
    columns = {
        "ENGINE_RUN_TINE ()": truth["time"], "ENGINE_RPM ()": truth["speed"] * 60,
        "VEHICLE_SPEED ()": truth["speed"] * 0.9, "INTAKE_MANIFOLD_PRESSURE ()":
        truth["manifold"] / 1e3, "ABSOLUTE_BAROMETRIC_PRESSURE ()": truth["time"] * 0 + 99,
        "CONTROL_MODULE_VOLTAGE ()": truth["time"] * 0 + 13.9,
        "FUEL_AIR_COMMANDED_EQUIV_RATIO ()": truth["lambda"],
    }  # fmt: skip
    rows = [",".join(columns)]
    rows += [",".join(f"{v:.5g}" for v in row) + "," for row in zip(*columns.values(), strict=True)]
    path.write_text("\n".join(rows) + "\n")
    found = import_log(car, path, {"time": "ENGINE_RUN_TINE () as s"}).proposal
    assert found["engine_speed"].column == "ENGINE_RPM ()"
    assert found["manifold_pressure"].unit == "kPa absolute"
    assert found["barometer"].column == "ABSOLUTE_BAROMETRIC_PRESSURE ()"
    assert found["voltage"].unit == "V"
    assert found["vehicle_speed"].question
    assert "lambda" not in found


# --- confirmed once, remembered ---------------------------------------------------------------


def test_nothing_is_taken_before_it_is_confirmed_and_then_it_is_remembered(car: Path) -> None:
    one, two = drive(1), drive(2)
    first = bring(car, named(one, MAP=one["manifold"] / 1e3), "one.csv")
    assert not first.confirmed
    assert not (car / "logs" / "mapping.toml").exists()
    assert bring(car, named(one, MAP=one["manifold"] / 1e3), "one.csv", confirm=True).confirmed
    second = bring(car, named(two, MAP=two["manifold"] / 1e3), "two.csv")
    assert second.confirmed and second.remembered
    other = bring(car, named(two, Boost=two["manifold"] / 1e3), "three.csv")
    assert not other.confirmed


def test_a_remembered_unit_that_no_longer_fits_is_asked_again(car: Path) -> None:
    one, two = drive(1), drive(2)
    bring(car, named(one, FP=one["rail"] / PSI), "one.csv", confirm=True)
    assert bring(car, named(two, FP=two["rail"] / PSI), "two.csv").confirmed
    changed = bring(car, named(two, FP=two["rail"] / 1e3), "three.csv")
    assert not changed.confirmed
    assert changed.proposal["rail_gauge"].question
    absolute = bring(car, named(two, FP=(two["rail"] + WEATHER) / PSI), "four.csv")
    assert not absolute.confirmed
    assert "absolute" in (absolute.proposal["rail_gauge"].question or "")


def test_what_was_said_to_be_nothing_stays_so(car: Path) -> None:
    one, two = drive(1), drive(2)
    bring(
        car, named(one, MAP=one["manifold"] / 1e3, FP=one["rail"] / PSI), "one.csv",
        mapping={"rail_gauge": "none"}, confirm=True,
    )  # fmt: skip
    again = bring(car, named(two, MAP=two["manifold"] / 1e3, FP=two["rail"] / PSI), "two.csv")
    assert again.recording is not None
    assert set(again.recording.channels) == {"engine_speed", "manifold_pressure"}


def test_a_mapping_may_be_put_right_later(car: Path) -> None:
    truth = drive(1, "running")
    columns = named(truth, FP=truth["rail"] / PSI)
    first = bring(car, columns, mapping={"rail_gauge": "FP as psi absolute"}, confirm=True)
    second = bring(car, columns, mapping={"rail_gauge": "FP as psi gauge"}, confirm=True)
    assert first.recording is not None and second.recording is not None
    low, high = (
        read_frame(found.recording, ["rail_gauge"])["rail_gauge"]
        for found in (first, second)
        if found.recording is not None
    )
    # the barometer of the site, typed in the build as an altitude: 200 m to 1 % of 99 kPa
    assert np.median(high - low) == pytest.approx(WEATHER, rel=0.01)
    assert recording(car, "log.csv").channels["rail_gauge"].unit == "psi gauge"


def test_a_unit_that_is_none_is_refused(car: Path) -> None:
    truth = drive(1)
    columns = named(truth, FP=truth["rail"] / PSI)
    item = bring(car, columns, mapping={"rail_gauge": "FP as furlongs"}).proposal["rail_gauge"]
    assert item.question and "furlongs" in item.question
    with pytest.raises(ValueRefused, match="unit of time"):
        bring(car, columns, mapping={"time": "Time (s) as weeks"})


def test_every_option_offered_is_an_answer(car: Path) -> None:
    truth = drive(2, "running")
    columns = named(
        truth, FP=truth["rail"] / PSI, CLT=30 + truth["time"] / 9, AFR=12.3 + 0 * truth["time"],
        Speed=truth["speed"], MAF=truth["speed"],
    )  # fmt: skip
    found = bring(car, columns).proposal
    assert len(found.questions) >= 5
    for item in found.questions:
        for option in item.options:
            after: Proposal = bring(car, columns, mapping={item.channel: option}).proposal
            if option == "none":
                assert item.channel not in after
            else:
                assert after[item.channel].question is None, option
