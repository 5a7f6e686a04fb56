"""A watch of an invented pickup on python-can's virtual bus, for the bench and for the tests."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can

import keyturn
from keyturn.logs.alarm import Change, Status
from keyturn.tasks.watch import Watch

STEP = "L9"  # full boost; it asks for some 345 kPa of the rail at this load
NAMED = 512  # the frame that has names
DBC = """VERSION ""
NS_ :
BS_:
BU_: ECU
BO_ 512 Fuel: 8 ECU
 SG_ rail_gauge : 0|16@1+ (0.1,0) [0|6500] "kPa gauge" ECU
 SG_ manifold_pressure : 16|16@1+ (0.1,0) [0|6500] "kPa absolute" ECU
 SG_ engine_speed : 32|16@1+ (0.25,0) [0|16000] "rpm" ECU
 SG_ voltage : 48|16@1+ (0.001,0) [0|65] "V" ECU
"""


def frame(rail: float, voltage: int = 13500) -> can.Message:
    """The four channels: ``rail`` [Pa], 150 kPa, 3000 rev/min, ``voltage`` [mV]."""
    values = (round(rail / 100), 1500, 12000, voltage)
    data = b"".join(value.to_bytes(2, "little") for value in values)
    return can.Message(arbitration_id=NAMED, data=data, is_extended_id=False)


def pickup(folder: Path) -> Path:
    """An invented car with the names of its bus beside it."""
    shutil.copytree(Path(keyturn.__file__).parent / "examples/pickup-screw", folder)
    (folder / "bus.dbc").write_text(DBC)
    return folder


def watched(
    car: Path,
    channel: str,
    heard: Callable[[tuple[Change, ...], Status], Any] | None = None,
) -> Watch:
    """A watch that runs, on a bus that is open: what is sent from now on is heard."""
    made = Watch(car, f"can:virtual:{channel}", STEP, car / "bus.dbc", heard=heard)
    made.start()
    return made
