"""Common practice, no source."""

from __future__ import annotations

import pytest

from keyturn.physics import wire


def test_fuse_carries_three_quarters_for_long():
    assert wire.fuse_load(15.0, 20.0) == pytest.approx(1.0)
    assert wire.fuse_load(18.0, 20.0) > 1.0


def test_ten_gauge_keeps_a_large_pump_within_half_a_volt():
    # The trade fits 10 AWG feed and ground to a large pump and allows 0.5 V in all: 15 A, 4 m
    # each way, at 40 degC, contacts not counted. 16 AWG must fail.
    loss = [
        wire.voltage_drop(15.0, wire.resistance(8.0, wire.wire_area(number), 313.15))
        for number in (10, 16)
    ]
    assert loss[0] < 0.5 < loss[1]
