"""All figures of an answer by name: the same drawing in the page, alone and in the PDF."""

from __future__ import annotations

from typing import Protocol

from keyturn.evidence.choose import ChooseResult
from keyturn.evidence.result import FindResult
from keyturn.report.choose_figure import choose_figure
from keyturn.report.corridor_figure import corridor
from keyturn.report.envelope_figure import envelope
from keyturn.report.find_figure import find_figure
from keyturn.report.headroom_figure import headroom_bars
from keyturn.report.path_figure import pressure_path
from keyturn.report.pump_figure import pump_curves
from keyturn.system.result import CheckResult

WIDE, NARROW = 720.0, 358.0


class Figure(Protocol):
    def __call__(
        self, result: CheckResult, width: float = WIDE, *, inline: bool = False
    ) -> str: ...


FIGURES: dict[str, Figure] = {
    "headroom": headroom_bars,
    "path": pressure_path,
    "envelope": envelope,
    "corridor": corridor,
    "pump": pump_curves,
}
"""Name -> figure, in the order of the page."""


def all_figures(
    result: CheckResult,
    width: float = WIDE,
    *,
    inline: bool = False,
    find: FindResult | None = None,
    choose: ChooseResult | None = None,
) -> dict[str, str]:
    """Every figure as SVG text; those of `find` and `choose` first where there is an answer."""
    drawn = {}
    if find is not None:
        drawn["find"] = find_figure(find, width, inline=inline)
    if choose is not None:
        drawn["choose"] = choose_figure(choose, width, inline=inline)
    return drawn | {name: draw(result, width, inline=inline) for name, draw in FIGURES.items()}
