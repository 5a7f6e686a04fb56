"""The drawings, words, page, PDF and plain data made from invented answers."""

from __future__ import annotations

import importlib.util
import json
import re
import sys
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import keyturn
from keyturn.report import contours, json_form, page, pdf, phrases, svg, tables, words
from keyturn.report.figures import FIGURES, NARROW, WIDE, all_figures
from keyturn.report.headroom_figure import ranked
from keyturn.report.plot import Places, ticks
from keyturn.report.show import display_unit, likelihood, number, probability, shown, whole
from keyturn.report.svg import wrap
from keyturn.system.result import CheckResult, LeanedOn


def _synthetic() -> ModuleType:
    path = Path(__file__).with_name("synthetic.py")
    spec = importlib.util.spec_from_file_location("report_synthetic", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


synthetic = _synthetic()
ANSWERS: dict[str, CheckResult] = {
    **{name: synthetic.result(name) for name in ("holds", "tight", "not proven", "short")},
    "odd": synthetic.odd(),
}
NOT_A_NUMBER = re.compile(r"(?<![A-Za-z])(nan|inf|-inf)(?![A-Za-z])", re.IGNORECASE)
ELSEWHERE = re.compile(r"(?:href|src|url\()\s*=?\s*[\"'(]?\s*(?:https?:)?//", re.IGNORECASE)


def _words(drawing: str) -> str:
    """All drawn text joined without spaces: wrapping may cut a name anywhere."""
    root = ElementTree.fromstring(drawing)
    text = [e.text or "" for e in root.iter("{http://www.w3.org/2000/svg}text")]
    return "".join("".join(text).split())


def _numbers(drawing: str) -> Iterator[float]:
    for element in ElementTree.fromstring(drawing).iter():
        for key in ("d", "x", "y", "cx", "cy"):
            for piece in re.findall(r"[^\sMLZHVmlzhv,%]+", element.get(key, "")):
                yield float(piece)


@pytest.mark.parametrize("answer", ANSWERS)
@pytest.mark.parametrize("figure", FIGURES)
@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_figure_is_sound(answer: str, figure: str, width: float) -> None:
    for inline in (False, True):
        drawing = FIGURES[figure](ANSWERS[answer], width, inline=inline)
        root = ElementTree.fromstring(drawing)
        names = [e.tag.split("}")[1] for e in root][:2]
        assert names == ["title", "desc"] and root[0].text and root[1].text
        assert all(np.isfinite(value) for value in _numbers(drawing))
        assert not NOT_A_NUMBER.search(" ".join(root.itertext()))
        assert ("var(--" in drawing) == inline
        used = set(re.findall(r"url\(#([^)]+)\)", drawing))
        assert used == set(re.findall(r'<pattern id="([^"]+)"', drawing))


@pytest.mark.parametrize("answer", ANSWERS)
@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_all_names_are_drawn(answer: str, width: float) -> None:
    result = ANSWERS[answer]
    drawn = {name: _words(text) for name, text in all_figures(result, width).items()}
    for state in result.states[:1]:
        for station in state.stations:
            assert "".join(station.after.split()) in drawn["path"]
    for row in result.headroom:
        assert "".join(row.part.split()) in drawn["headroom"]
    for part in np.unique(result.envelope.limiting[result.envelope.reachable]):
        assert "".join(str(part).split()) in drawn["envelope"]
    for curve in result.pump.crossings:
        assert f"{number(curve.voltage)}V" in drawn["pump"]


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("figure", FIGURES)
def test_labels_do_not_collide(figure: str, width: float) -> None:
    """Boxes of 0.5 em a letter and 0.7 em height: narrower than any drawn letter on the whole."""
    root = ElementTree.fromstring(FIGURES[figure](ANSWERS["not proven"], width))
    boxes = []
    for e in root.iter("{http://www.w3.org/2000/svg}text"):
        size, text = float(e.get("font-size", "0")), e.text or ""
        wide = len(text) * size * 0.5
        shift = {"start": 0.0, "middle": wide / 2, "end": wide}[e.get("text-anchor", "start")]
        x, y = float(e.get("x", "0")) - shift, float(e.get("y", "0"))
        boxes.append((text, x, y - 0.7 * size, x + wide, y))
        assert x >= -0.5 and x + wide <= width + 0.5, text
    for n, (text, x1, y1, x2, y2) in enumerate(boxes):
        for other, u1, v1, u2, v2 in boxes[n + 1 :]:
            assert min(x2, u2) <= max(x1, u1) or min(y2, v2) <= max(y1, v1), (text, other)


@pytest.mark.parametrize("answer", ANSWERS)
def test_page_stands_alone(answer: str) -> None:
    html = page.page(ANSWERS[answer])
    assert not ELSEWHERE.search(html)
    assert "@import" not in html and "<script" not in html
    assert not re.search(r">\s*(nan|inf)\b", html, re.IGNORECASE)
    ids = re.findall(r'\sid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    assert ("Invented example" in html) == ANSWERS[answer].invented


def test_hostile_names_are_only_words() -> None:
    html = page.page(ANSWERS["odd"])
    assert "<script>" not in html and "&lt;script&gt;alert(" in html
    assert pdf.pdf(ANSWERS["odd"]).startswith(b"%PDF")


def test_forbidden_characters_do_not_break_the_drawing() -> None:
    drawing = svg.Drawing("t", 100, "a\x00b", "c\x1bd", inline=False)
    drawing.text(0, 10, "e\x07f\ud800")
    assert ElementTree.fromstring(drawing.render())[0].text == "a�b"


@pytest.mark.parametrize("answer", ANSWERS)
def test_pdf(answer: str) -> None:
    made = pdf.pdf(ANSWERS[answer])
    assert made.startswith(b"%PDF") and made.rstrip().endswith(b"%%EOF")
    assert made == pdf.pdf(ANSWERS[answer])


def test_pdf_page_count() -> None:
    """Counted by typst itself: one page, one picture."""
    typst = pytest.importorskip("typst")
    template = Path(pdf.__file__).with_name("templates") / "sheet.typ"
    for answer in ("not proven", "odd"):
        data = json.dumps(pdf.pdf_data(ANSWERS[answer]))
        pages = typst.compile(
            template.read_bytes(), format="svg", sys_inputs={"data": data}, ignore_system_fonts=True
        )
        assert 1 <= len(pages) <= 6  # what a person still prints: three leaves on both sides


@pytest.mark.parametrize("answer", ANSWERS)
@pytest.mark.parametrize("width", [80, 92, 100])
@pytest.mark.parametrize("full", [False, True])
def test_plain_text(answer: str, width: int, full: bool) -> None:
    result = ANSWERS[answer]
    text = words.text(result, width, full=full)
    assert max(len(line) for line in text.splitlines()) <= width
    assert not NOT_A_NUMBER.search(text)
    joined = "".join(text.split())
    for state in result.states:
        assert "".join(state.name.split())[:8] in joined
    assert ("Invented example" in text) == result.invented


@pytest.mark.parametrize("answer", ANSWERS)
def test_nothing_claims_certainty(answer: str) -> None:
    result = ANSWERS[answer]
    text = words.text(result) + re.sub(r"<style>.*?</style>", "", page.page(result), flags=re.S)
    assert not re.search(r"(?<![\d.])100 %", text)
    assert not re.search(r"(?<![\d.,])0 %", text)
    assert "safe" not in text.lower()


@pytest.mark.parametrize("name", ["pickup-screw", "kitcar-boost", "van-roots"])
def test_examples_are_read_standing_up(name: str) -> None:
    """75 lines of 92 columns: one sheet pinned to the wall (the limit is ours)."""
    folder = Path(keyturn.__file__).parent / "examples" / name
    result = keyturn.check(keyturn.load(folder), samples=100)
    short, full = words.text(result), words.text(result, full=True)
    assert len(short.splitlines()) <= 75 < len(full.splitlines())
    html = re.sub(r"<(svg|style).*?</\1>", "", page.page(result), flags=re.DOTALL)
    for text in (short, full, html):
        raw = re.search(r"\[\[|\['|\[\s*\d|\.\s*\.|;\s*\.", text)
        assert raw is None, text[raw.start() - 60 : raw.end() + 60]
    for row in result.headroom:
        line = next(x for x in short.splitlines() if x.startswith(f"  {row.part}  "))
        assert row.verdict in line
    for caution in result.cautions:
        assert "".join(caution.split())[:60] in "".join(short.split())
    assert short.count("To settle it") == 0


def test_steps_begin_with_the_limiting_part() -> None:
    result = ANSWERS["not proven"]
    steps = phrases.next_steps(result)
    assert steps[0] == result.limiting.settles and len(steps) == len(set(steps)) <= 3
    mended = replace(result.limiting, part="wiring", verdict="tight", settles=None)
    only = replace(result, limiting=mended, headroom=(mended,))
    assert phrases.next_steps(only) == ["Wiring: 6 mm² instead of 2.5 mm²; with new contacts."]


def test_only_short_and_tight_parts_are_mended() -> None:
    assert [r.part for r in tables.to_mend(ANSWERS["short"])] == ["wiring", "injectors"]
    assert tables.to_mend(ANSWERS["holds"]) == []


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("[['1000 rpm', 0.72], ['2500 rpm', 0.82]]", "0.72 at 1000 rpm, …"),
        ("[['0 kPa', '290 L/h'], ['300 kPa', '245 L/h'], ['400 ...", "290 L/h at 0 kPa, …"),
        ("71600 Pa (library)", "71.6 kPa (library)"),
        ("4.13e+07 J/kg (library)", "41.3 MJ/kg (library)"),
        ("3/8 in (library)", "3/8 in (library)"),
        ("30 degC", "30 degC"),
    ],
)
def test_typed_is_shown_plainly(typed: str, shown: str) -> None:
    """SI prefixes: 1e3 Pa = 1 kPa, 1e6 J/kg = 1 MJ/kg (SI brochure)."""
    assert phrases.typed_plainly(typed) == shown


@pytest.mark.parametrize(
    ("words_", "said"),
    [
        ("time it. .", "Time it."),
        ("pump.flow is assumed", "pump.flow is assumed."),
        ("was 6.0 m meant?", "Was 6.0 m meant?"),
        ("  ", ""),
    ],
)
def test_sentences_are_tidied(words_: str, said: str) -> None:
    assert phrases.tidy(words_) == said


def test_a_spread_of_temperature_is_in_kelvin() -> None:
    """1 % of 300 K is 3 K: a relative spread of an absolute temperature."""
    row = LeanedOn("fuel.temperature", "26.85 degC", "measured", 0.01, 0.5, "thermometer")
    table = tables.leaned_short(replace(ANSWERS["holds"], leaned_on=(row,)))
    assert table.rows[0][3] == "±3.0 K"


def test_pressures_are_shown_in_both_units() -> None:
    """1 psi = 6894.757 Pa (definition), so 100 kPa = 14.50 psi."""
    assert tables.amount(100e3, "pressure") == "100 kPa abs (15 psi)"
    assert tables.amount(100e3, "pressure_difference") == "100 kPa (15 psi)"
    assert tables.amount(100e3, "pressure", both=False) == "100 kPa abs"


def test_probability_words() -> None:
    """Rule of three (Hanley and Lippman-Hand 1983): no miss in n leaves up to 3/n open."""
    assert probability(1.0, 400) == ">99 %"
    assert probability(0.0, 400) == "<1 %"
    assert probability(1.0, 20) == ">85 %"  # 3/20 = 15 %
    assert probability(0.9949, 400) == "99 %"
    assert probability(0.9951, 400) == ">99 %"
    assert probability(1e-5, 400) == "<1 %"
    assert probability(0.006, 400) == "1 %"
    assert probability(0.634, 400) == "63 %"
    assert probability(float("nan")) == "not known"
    order = [likelihood(p) for p in (1.0, 0.97, 0.9, 0.7, 0.5, 0.3, 0.1, 0.0)]
    assert len(set(order)) == len(order)


def test_display_units() -> None:
    """Conversions from the definitions: 1 L/h = 1e-3/3600 m3/s, 0 degC = 273.15 K (SI brochure)."""
    assert shown(1e-3 / 3600, "flow") == pytest.approx(1.0, rel=1e-12)
    assert shown(273.15, "temperature") == pytest.approx(0.0, abs=1e-12)
    assert display_unit("engine_speed")[0] == "rev/min"
    assert display_unit("no such quantity") == ("", 1.0, 0.0)
    assert number(float("nan")) == "–" and whole(-0.2) == "0" and number(-3.0) == "−3.00"


KEYS = (
    {"schema", "name", "invented", "verdict", "sentence", "limiting", "headroom", "states"}
    | {"full_load", "envelope", "corridor", "remedies", "leaned_on", "missing", "flags"}
    | {"cautions", "assumptions", "samples", "seed"}
)


@pytest.mark.parametrize("answer", ANSWERS)
def test_json_form(answer: str) -> None:
    result = ANSWERS[answer]
    data = json.loads(json.dumps(json_form.to_json(result), allow_nan=False))
    assert data["schema"] == "keyturn.check.v1" and set(data) >= KEYS
    assert set(data["limiting"]) == {"part", "rpm", "map_kpa"}
    row = {"part", "need", "has", "unit", "ratio", "p_holds", "verdict", "at", "why", "settles"}
    assert row <= set(data["headroom"][0])
    state = data["states"][-1]
    flat = """state rpm map_kpa rail_gauge_kpa across_injector_kpa pump_flow_lph engine_flow_lph
    return_flow_lph pump_volts pump_amps duty lambda regime stations"""
    assert set(flat.split()) <= set(state)
    assert set(state["rail_gauge_kpa"]) == {"p05", "p50", "p95"}
    assert state["rail_gauge_kpa"]["p50"] == pytest.approx(441.0)  # 441 kPa was put in
    speeds, pressures = len(data["envelope"]["rpm"]), len(data["envelope"]["map_kpa"])
    for name in ("across_injector_kpa", "duty", "lambda", "p_holds", "limiting"):
        rows = data["envelope"][name]
        assert len(rows) == speeds and {len(r) for r in rows} == {pressures}
    if answer == "odd":
        assert state["lambda"] is None and data["headroom"][0]["ratio"] is None


def test_worst_part_comes_first() -> None:
    verdicts = [row.verdict for row in ranked(ANSWERS["short"].headroom)]
    assert verdicts[:3] == ["short", "not proven", "tight"]


def test_nothing_unstated_is_lost_or_told_twice() -> None:
    result = replace(
        ANSWERS["holds"], missing=("pump.flow is hearsay: time it", "belt.1.wrap is assumed: chalk")
    )
    assert phrases.unstated(result) == ["belt.1.wrap is assumed: chalk."]  # pump.flow: leaned on
    full = words.text(result, full=True)
    assert "pump.flow: Timed flow into a can." in full and "belt.1.wrap is assumed" in full


def test_contour_of_a_cone_is_a_circle() -> None:
    """Analytic: z = x^2 + y^2 at level r^2 is the circle of radius r.

    Linear interpolation of z along an edge of length h errs by at most h^2/(8 r) of radius.
    """
    x = np.linspace(-1.0, 1.0, 41)
    z = x[:, None] ** 2 + x[None, :] ** 2
    chains = contours.lines(x, x, z, 0.49)
    assert len(chains) == 1
    radius = np.hypot(*np.array(chains[0]).T)
    assert np.abs(radius - 0.7).max() < 0.05**2 / 8 / 0.7 * 2
    assert np.hypot(*(np.array(chains[0][0]) - np.array(chains[0][-1]))) < 1e-9


def test_region_has_the_area_of_the_disc() -> None:
    """Analytic: area of the region r^2 - x^2 - y^2 > 0; chords lose about h^2/r^2 of it."""
    x = np.linspace(-1.0, 1.0, 81)
    z = 0.49 - x[:, None] ** 2 - x[None, :] ** 2
    area = 0.0
    for polygon in contours.region(x, x, z):
        a = np.array(polygon)
        b = np.roll(a, -1, axis=0)
        area += abs(float(np.sum(a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]))) / 2
    assert area == pytest.approx(np.pi * 0.49, rel=0.025**2 / 0.49)


def test_not_a_number_cells_have_no_contour() -> None:
    z = np.full((5, 5), np.nan)
    axis = np.arange(5.0)
    assert contours.lines(axis, axis, z, 0.5) == []


def test_ticks_are_round_and_inside() -> None:
    marks = ticks(-33.0, 612.0, 6)
    assert marks == [0.0, 200.0, 400.0, 600.0]
    assert ticks(1.0, 1.0, 5) == [] and ticks(float("nan"), 1.0, 5) == []


def test_wrap_drops_nothing() -> None:
    for text in ("a b", "one verylongwordwithoutanyblankinit end", "x" * 300, ""):
        lines = wrap(text, 60.0)
        assert "".join("".join(lines).split()) == "".join(text.split())


def test_places_prefer_the_free_spot() -> None:
    places = Places((0, 0, 100, 100), [(0, 0, 50, 50)])
    assert places.best([(10, 10, 20, 10), (60, 60, 20, 10)]) == (60, 60, 20, 10)
    out, free = places.costs([(90, 90, 20, 20), (60, 10, 20, 20)]).tolist()
    assert free == 0.0
    assert out > 0.0
