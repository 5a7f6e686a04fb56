"""Service 01 parameters against rows of SAE J1979 as public listings print them.

Sources: the table of parameters as listed at aidilj.com (2012), and an open ECU simulator's list of
parameters (B. Stateham, pids.h). The examples are the formula worked by hand for the bytes named.
The text of the standard was not at hand; the voltage of parameter 24 is from memory.
"""

from __future__ import annotations

import math

import pytest

from keyturn.logs.obd import decode, listed, parameters

KELVIN = 273.15
# parameter, bytes, channel, SI value, half of the last digit that is stated
ROWS = [
    (0x04, "7f", "calculated_load", 0.49804, 5e-6),
    (0x05, "7b", "coolant_temperature", 83 + KELVIN, 1e-9),
    (0x0A, "64", "rail_gauge", 300e3, 1e-6),
    (0x0B, "a5", "manifold_pressure", 165e3, 1e-6),
    (0x0C, "1af8", "engine_speed", 1726.0 / 60, 1e-9),
    (0x0D, "50", "vehicle_speed", 80 / 3.6, 1e-9),
    (0x0F, "58", "inlet_temperature", 48 + KELVIN, 1e-9),
    (0x10, "2ee0", "air_flow", 0.120, 1e-9),
    (0x11, "cc", "throttle", 0.800, 1e-9),
    (0x22, "0eff", "across_injector", 303.28e3, 5.0),
    (0x23, "012c", "rail_gauge", 3000e3, 1e-6),
    (0x24, "73334ccc", "lambda", 0.89999, 5e-6),
    (0x24, "73334ccc", "lambda_probe_voltage", 2.39990, 5e-6),
    (0x33, "54", "barometer", 84e3, 1e-6),
    (0x42, "35e8", "voltage", 13.800, 1e-9),
    (0x44, "6e00", "lambda_target", 0.859375, 1e-9),
    (0x46, "3c", "ambient_temperature", 20 + KELVIN, 1e-9),
    # the trap rows: signed scales
    (0x06, "80", "short_fuel_trim", 0.0, 1e-12),
    (0x07, "79", "long_fuel_trim", -0.0546875, 1e-12),
    (0x0E, "80", "ignition_advance", 0.0, 1e-12),
    (0x0E, "00", "ignition_advance", math.radians(-64), 1e-12),
]


@pytest.mark.parametrize(("pid", "data", "name", "value", "half"), ROWS)
def test_row(pid: int, data: str, name: str, value: float, half: float) -> None:
    found = {one.name: one.value for one in decode(pid, bytes.fromhex(data))}
    assert found[name] == pytest.approx(value, abs=half, rel=0)


def test_every_parameter_has_a_row() -> None:
    named = {(pid, row.name) for pid, rows in parameters().items() for row in rows}
    assert named == {(pid, name) for pid, _, name, _, _ in ROWS}


# Values as printed in the open drive logs of a 1.5 L car (carOBD, obdiidata): each has to come out
# of one whole byte or word. Parameter, bytes, printed value, its unit in SI, tolerance: half of the
# last printed digit, and for percentages half a step of the single-precision number that they were
# printed from (246/255 stands as 96.470589, which no rounding of the exact number gives).
PRINTED = [
    (0x11, 1, 96.470589, 0.01, 5e-6),
    (0x11, 1, 40.784313, 0.01, 5e-6),
    (0x0C, 2, 2000.75, 1 / 60, 5e-3),
    (0x07, 1, -5.46875, 0.01, 5e-6),
]


@pytest.mark.parametrize(("pid", "width", "printed", "unit", "half"), PRINTED)
def test_printed_values_of_real_drives_are_whole_numbers(
    pid: int, width: int, printed: float, unit: float, half: float
) -> None:
    every = (decode(pid, raw.to_bytes(width, "big"))[0].value / unit for raw in range(256**width))
    assert sum(abs(value - printed) <= half for value in every) == 1


# The formulas of the standard turned round, in the units of the standard.
BACK = {
    "engine_speed": lambda si: si * 60 * 4,
    "rail_gauge": lambda si: si / 1e3 / 3,
    "manifold_pressure": lambda si: si / 1e3,
    "coolant_temperature": lambda si: si - KELVIN + 40,
    "throttle": lambda si: si * 255,
    "voltage": lambda si: si * 1000,
    "lambda_target": lambda si: si * 32768,
    "ignition_advance": lambda si: (math.degrees(si) + 64) * 2,
    "long_fuel_trim": lambda si: si * 128 + 128,
}
PIDS = {
    "engine_speed": 0x0C, "rail_gauge": 0x0A, "manifold_pressure": 0x0B, "throttle": 0x11,
    "coolant_temperature": 0x05, "voltage": 0x42, "lambda_target": 0x44,
    "ignition_advance": 0x0E, "long_fuel_trim": 0x07,
}  # fmt: skip


@pytest.mark.parametrize("name", PIDS)
def test_every_raw_number_comes_back(name: str) -> None:
    pid = PIDS[name]
    row = parameters()[pid][0]
    for raw in range(256**row.bytes):
        value = decode(pid, raw.to_bytes(row.bytes, "big"))[0].value
        if raw in (row.top, row.bottom):
            assert math.isnan(value)
        else:
            # rounding of the last bits of a float only
            assert abs(BACK[name](value) - raw) < 1e-6


def test_the_end_of_a_scale_is_no_value() -> None:
    """255 kPa absolute and 765 kPa gauge are the ends of one byte: more looks the same."""
    for pid in (0x0A, 0x0B):
        (one,) = decode(pid, b"\xff")
        assert math.isnan(one.value) and "end of its scale" in one.note


def test_list_of_parameters() -> None:
    """BE 1F A8 13 is the example of public texts on service 01 (encyclopaedia, from memory)."""
    assert listed(0x00, bytes.fromhex("be1fa813")) == {
        0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C,
        0x1F, 0x20,
    }  # fmt: skip


@pytest.mark.parametrize("data", [b"", b"\x1a", b"\x1a\xf8\x00"])
def test_wrong_length_is_no_value(data: bytes) -> None:
    assert decode(0x0C, data) == []
