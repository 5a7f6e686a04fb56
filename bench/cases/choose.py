"""`choose` over 10,000 combinations of invented options on two examples, on two cores."""

from __future__ import annotations

import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import keyturn
from keyturn.tasks.choose import choose
from report import Report

EXAMPLES = Path(keyturn.__file__).parent / "examples"
# alternatives of seven kinds: more than 10,000 sets together with the free correction
KINDS = (
    ("pump", 120, [f'"pump.age" = "{share} %"' for share in (90, 96, 98, 100)]),
    ("wire", 30, [f'"wiring.contacts" = "{ohm} mohm"' for ohm in (6, 8, 10, 12)]),
    ("pulley", 80, [f'"blower.blower_pulley" = "{mm} mm"' for mm in (78, 82, 86, 90)]),
    ("set point", 15, [f'"regulator.set" = "{kpa} kPa"' for kpa in (280, 320, 350, 400)]),
    ("cooler", 240, [f'"cooler.effectiveness" = "{share} %"' for share in (70, 80, 85)]),
    ("ceiling", 5, [f'"control.duty_ceiling" = "{share} %"' for share in (80, 85, 90)]),
    ("fuel", 2, [f'"fuel.temperature" = "{degrees} degC"' for degrees in (20, 25)]),
)


def large(example: str, folder: Path) -> Path:
    """An example with all of these options instead of its own."""
    text = (EXAMPLES / example / "build.toml").read_text("utf-8").split("[[option]]")[0]
    for kind, price, changes in KINDS:
        for number, change in enumerate(changes, start=1):
            text += f'\n[[option]]\nname = "{kind} {number}"\nprice = {price + 7 * number}\n'
            text += f'time = "1 h"\nchanges = {{{change}}}\n'
    target = folder / "build.toml"
    target.write_text(text, encoding="utf-8")
    return target


def run(report: Report) -> None:
    # once only: each takes most of a minute of work, and start-up is nothing against it
    for example in ("pickup-screw", "van-roots"):  # neither control unit corrects for pressure
        with tempfile.TemporaryDirectory() as folder, ProcessPoolExecutor(2) as pool:
            found = choose(large(example, Path(folder)), pool, samples=200)
        report.want(f"choose {example}, combinations judged", found.considered, ">=", 10_000)
        name = f"choose {example}, 10,000 combinations x 200 samples, 2 cores [s]"
        report.want(name, found.seconds, "<=", 60.0)
