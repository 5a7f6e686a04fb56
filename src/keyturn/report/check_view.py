"""The answer of `check` as a page redraws it: words, figures of one width, points of the map."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from keyturn.report import phrases, tables
from keyturn.report.envelope_figure import map_frame
from keyturn.report.figures import FIGURES
from keyturn.report.headroom_figure import ranked
from keyturn.report.phrases import at_words, tidy, times
from keyturn.report.show import probability
from keyturn.system.result import CheckResult, Envelope, FloatArray

# array of the envelope -> (name on the page, factor to its unit, decimals that are shown)
MAPS = {
    "rail_gauge": ("rail_kpa", 1e-3, 1),
    "rail_gauge_p05": ("rail_low_kpa", 1e-3, 1),
    "rail_gauge_p95": ("rail_high_kpa", 1e-3, 1),
    "across_injector": ("across_kpa", 1e-3, 1),
    "across_injector_p05": ("across_low_kpa", 1e-3, 1),
    "across_injector_p95": ("across_high_kpa", 1e-3, 1),
    "fuel_flow": ("fuel_lph", 3.6e6, 1),
    "duty": ("duty", 100.0, 1),
    "air_fuel_equivalence": ("lambda", 1.0, 3),
}


def view(
    result: CheckResult, width: float, figures: Iterable[str], *, points: bool
) -> dict[str, Any]:
    """Plain data; ``level`` is "middle" when it carries no verdict."""
    whole = result.samples > 0
    found: dict[str, Any] = {
        "level": "bands" if whole else "middle",
        "verdict": result.verdict,
        "headline": phrases.headline(result, stamped=True),
        "samples": result.samples,
        "limiting": result.limiting.part,
        "chance": probability(result.limiting.p_holds, result.samples) if whole else "",
        "figures": {name: FIGURES[name](result, width, inline=True) for name in figures},
    }
    if whole:
        found |= {
            "limits": phrases.limits(result),
            "steps": phrases.next_steps(result),
            "reasons": phrases.reasons(result),
            "assumptions": [tidy(item) for item in result.assumptions],
            "states": _table(tables.states_table(result)),
            "headroom": [
                {
                    "part": row.part, "verdict": row.verdict, "times": times(row),
                    "chance": probability(row.p_holds, result.samples), "at": at_words(row),
                }
                for row in ranked(result.headroom)
            ],
        }  # fmt: skip
    if points:
        found["frame"] = map_frame(result, width)
        found["map"] = _map(result.envelope, result.samples)
    return found


def _table(table: tables.Table) -> dict[str, Any]:
    return {"head": table.head, "rows": table.rows, "right": table.right}


def _map(data: Envelope, samples: int) -> dict[str, Any]:
    """Every point of the envelope; lists by speed, within it by manifold pressure, in one row."""
    parts, part = np.unique(data.limiting, return_inverse=True)
    regimes, regime = np.unique(data.regime, return_inverse=True)
    chances = sorted({float(v) for v in data.p_holds.ravel() if np.isfinite(v)})
    words = [probability(share, samples) for share in chances] if samples else []
    made: dict[str, Any] = {
        "rpm": _plain(data.engine_speed * 60.0, 0),
        "map_kpa": _plain(data.manifold_pressure / 1e3, 1),
        "full_load_kpa": _plain(data.full_load_pressure / 1e3, 1),
        "parts": parts.tolist(),
        "part": part.ravel().tolist(),
        "regimes": regimes.tolist(),
        "regime": regime.ravel().tolist(),
        "reachable": data.reachable.ravel().astype(int).tolist(),
        # the words come from here: a page that rounds a share itself may round it to 0 %
        "chances": words,
        "chance": np.searchsorted(chances, data.p_holds.ravel()).tolist() if samples else [],
    }
    for name, (word, factor, decimals) in MAPS.items():
        made[word] = _plain(getattr(data, name) * factor, decimals)
    return made


def _plain(values: FloatArray, decimals: int) -> list[float | None]:
    flat = np.round(values.ravel(), decimals)
    if np.isfinite(flat).all():
        return list(flat.tolist())
    return [v if np.isfinite(v) else None for v in flat.tolist()]
