"""The answer as one self-contained HTML page: inline style and drawings, no script, no request."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from keyturn.evidence.choose import ChooseResult
from keyturn.evidence.result import FindResult
from keyturn.report import evidence, phrases, tables
from keyturn.report.figures import NARROW, WIDE, all_figures
from keyturn.report.svg import COLOURS, clean
from keyturn.system.result import CheckResult

# each figure with the words that say how to read it; the PDF shows the same
CAPTIONS = {
    "headroom": (
        "Headroom of each part",
        "Capacity over need at the worst point of each part. The bar runs from 5 to 95 % of the"
        " samples, the heavy mark is the middle. Right of the line the part has something to"
        " spare; a bar across the line says that the values are not known well enough.",
    ),
    "path": (
        "Pressure path",
        "Gauge pressure from the tank to the injector, a step at each numbered part, with the"
        " values as typed. The hatched bar is the rail reading from 5 to 95 % of the samples."
        " The arrow spans what the injector feels: from the manifold to the rail. A gauge on the"
        " rail reads from the dash-dotted line (ambient), not from the manifold.",
    ),
    "envelope": (
        "Where it holds",
        "Speed against manifold pressure. Each region carries the name of the part with the least"
        " headroom there. Lines give the share of samples in which everything holds; the crossed"
        " ring marks the worst point of the limiting part. Hatched: above the full-load line, not"
        " reached. The map counts what changes from point to point (pump, injectors, wiring,"
        " mixture, drive); the other parts stand under headroom only.",
    ),
    "corridor": (
        "Pressure against fuel flow",
        "The band into which a log of the full-load line should fall: rail gauge pressure and"
        " pressure across the injector. A log that is low all along points at set point or gauge;"
        " one that sags with flow points at the supply.",
    ),
    "pump": (
        "Pump and path",
        "What the pump makes at several voltages at its terminals, crossed by what the path needs"
        " at full load. The band, 5 to 95 %, belongs to the voltage nearest to the working point."
        " Left of the dashed line the engine and the least bypass are not fed.",
    ),
}

# the answers of `find` and `choose`, where a build has readings and options
EVIDENCE_CAPTIONS = {
    "find": (
        "Which cause",
        "What fits the readings of this car. Bar: probability with the readings; upright mark:"
        " before them. Quantities: the thick line runs from 5 to 95 % with the readings, the thin"
        " one before them. Tests stand in the order of what they are expected to save.",
    ),
    "choose": (
        "Which purchase",
        "Every sensible set of the options in the build file, each judged as a car of its own. A"
        " numbered ring is a set that no cheaper one equals; between two rings more money buys"
        " nothing. The probability is that of all parts together, so it is lower than that of any"
        " one part.",
    ),
}

DARK = {
    "ink": "#e7ecef",
    "paper": "#12191f",
    "fuel": "#82bdec",
    "holds": "#7fcb9d",
    "tight": "#e3b561",
    "short": "#f29087",
    "air": "#c3a4e4",
    "quiet": "#98a5af",
}


def variables(colours: dict[str, str]) -> str:
    """The colours as CSS variables; pages that inline a figure need them."""
    return "".join(f"--{name}:{value};" for name, value in colours.items())


def page_data(
    result: CheckResult,
    find: FindResult | None = None,
    choose: ChooseResult | None = None,
    unanswered: Sequence[str] = (),
) -> dict[str, Any]:
    """Everything that the template shows, in words."""
    return {
        "evidence": evidence.notes(find, choose),
        "unanswered": [phrases.tidy(item) for item in unanswered],
        "result": result,
        "title": f"{result.name}: {result.verdict}",
        "invented": phrases.INVENTED if result.invented else "",
        "headline": phrases.headline(result, stamped=True),
        "gauge_note": phrases.gauge_note(result),
        "limits": phrases.limits(result),
        "steps": phrases.next_steps(result),
        "reasons": phrases.reasons(result),
        "captions": EVIDENCE_CAPTIONS | CAPTIONS,
        "missing": phrases.unstated(result),
        "flags": [phrases.tidy(item) for item in result.flags],
        "assumptions": [phrases.tidy(item) for item in result.assumptions],
        "cautions": [phrases.tidy(item) for item in result.cautions],
        "headroom": tables.headroom_table(result),
        "states": tables.states_table(result),
        "flows": tables.flows_table(result),
        "remedies": tables.remedies_table(result),
        "leaned": tables.leaned_table(result),
    }


def page(
    result: CheckResult,
    find: FindResult | None = None,
    choose: ChooseResult | None = None,
    unanswered: Sequence[str] = (),
) -> str:
    """The whole page; ``unanswered`` says why an answer of `find` or `choose` is not in it."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    def tidy(value: object) -> object:
        is_words = isinstance(value, str) and not isinstance(value, Markup)
        return clean(str(value)) if is_words else value

    def drawn(width: float) -> dict[str, Markup]:
        figures = all_figures(result, width, inline=True, find=find, choose=choose)
        # our own SVG, every word in it escaped by the writer
        return {name: Markup(svg) for name, svg in figures.items()}

    home = Environment(
        loader=PackageLoader("keyturn.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=tidy,
    )
    return home.get_template("page.html").render(
        **page_data(result, find, choose, unanswered),
        wide=drawn(WIDE),
        narrow=drawn(NARROW),
        light=variables(COLOURS),
        dark=variables(DARK),
    )
