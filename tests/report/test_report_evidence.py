"""The answers of `find` and `choose` in the page, the PDF and the drawings."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import pytest

import keyturn
from keyturn.errors import CannotAnswer
from keyturn.report import page, pdf
from keyturn.report.choose_figure import choose_figure
from keyturn.report.figures import NARROW, WIDE, all_figures
from keyturn.report.find_figure import find_figure
from keyturn.system.result import CheckResult
from keyturn.tasks import read, report
from keyturn.tasks.new import new
from keyturn.tasks.report import Evidence, evidence, write_report

TEXT = "{http://www.w3.org/2000/svg}text"
LEAST_LETTER = 11.0  # px: smaller ones are hard to read on a phone; our own rule


@pytest.fixture(scope="module")
def van(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report") / "van"
    new(folder, "van-roots")
    for value, state in (("38 psi", "key-on"), ("36 psi", "idle")):
        read.read(folder, read.Typed("rail-pressure", value, state=state))
    return folder


@pytest.fixture(scope="module")
def more(van: Path) -> Evidence:
    return evidence(van)


@pytest.fixture(scope="module")
def result(van: Path) -> CheckResult:
    return keyturn.check(keyturn.load(van), samples=50)


def drawn(more: Evidence, width: float) -> dict[str, str]:
    assert more.find is not None and more.choose is not None
    return {"find": find_figure(more.find, width), "choose": choose_figure(more.choose, width)}


def test_a_build_with_readings_and_options_has_both(more: Evidence) -> None:
    assert more.find is not None and more.find.readings == 2
    assert more.choose is not None and "2 readings" in more.choose.basis
    assert more.unanswered == ()


def test_a_build_without_readings_has_no_cause(tmp_path: Path) -> None:
    new(tmp_path / "car", "kitcar-boost")
    bare = evidence(tmp_path / "car")
    assert bare.find is None and bare.choose is not None


def test_no_answer_is_said_and_the_rest_is_written(
    van: Path, result: CheckResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise CannotAnswer("the readings contradict each other", ("read again",))

    monkeypatch.setattr(report, "find", refuse)
    monkeypatch.setattr(report, "choose", refuse)
    refused = evidence(van)
    assert refused.find is None and refused.choose is None and len(refused.unanswered) == 2
    written = write_report(result, tmp_path / "made", refused)
    assert "contradict each other" in written[0].read_text("utf-8")
    assert not (tmp_path / "made" / "find.svg").exists()


def test_the_page_shows_them_and_stands_alone(more: Evidence, result: CheckResult) -> None:
    html = page.page(result, more.find, more.choose)
    for name in ("find", "choose"):
        assert html.count(f'id="{name}"') == 1
        assert f'id="{name}"' not in page.page(result)
    assert "<script" not in html and "src=" not in html
    assert more.choose is not None
    for row in more.choose.frontier[0].options:
        assert row in html


def test_names_of_options_are_only_words(more: Evidence, result: CheckResult) -> None:
    assert more.choose is not None
    nasty = "<script>alert(1)</script>"
    row = replace(more.choose.frontier[0], options=(nasty,))
    gain = replace(more.choose.gains[0], option=nasty, useless=True, free=False)
    hostile = replace(more.choose, frontier=(row,), gains=(gain,), sentence=nasty)
    html = page.page(result, None, hostile)
    assert "<script>" not in html and "&lt;script&gt;alert(" in html
    assert pdf.pdf(result, None, hostile).startswith(b"%PDF")


def test_the_pdf_holds_them(more: Evidence, result: CheckResult) -> None:
    data = pdf.pdf_data(result, more.find, more.choose)
    assert {"find", "choose"} <= set(data["figures"])
    assert json.loads(json.dumps(data, allow_nan=False))["evidence"]["find"]
    assert pdf.pdf(result, more.find, more.choose).startswith(b"%PDF")


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("name", ["find", "choose"])
def test_labels_do_not_collide(name: str, width: float, more: Evidence) -> None:
    """Boxes of 0.5 em a letter and 0.7 em height: narrower than any drawn letter on the whole."""
    boxes = []
    for e in ElementTree.fromstring(drawn(more, width)[name]).iter(TEXT):
        size, text = float(e.get("font-size", "0")), e.text or ""
        wide = len(text) * size * 0.5
        shift = {"start": 0.0, "middle": wide / 2, "end": wide}[e.get("text-anchor", "start")]
        x, y = float(e.get("x", "0")) - shift, float(e.get("y", "0"))
        assert x >= -0.5 and x + wide <= width + 0.5, text
        boxes.append((text, x, y - 0.7 * size, x + wide, y))
    for n, (text, x1, y1, x2, y2) in enumerate(boxes):
        for other, u1, v1, u2, v2 in boxes[n + 1 :]:
            assert min(x2, u2) <= max(x1, u1) or min(y2, v2) <= max(y1, v1), (text, other)


def test_no_letter_is_too_small_for_a_phone(more: Evidence, result: CheckResult) -> None:
    figures = all_figures(result, NARROW, find=more.find, choose=more.choose)
    assert {"find", "choose", "headroom"} <= set(figures)
    for name, figure in figures.items():
        sizes = [float(e.get("font-size", "0")) for e in ElementTree.fromstring(figure).iter(TEXT)]
        assert min(sizes) >= LEAST_LETTER, name


def test_a_frontier_near_the_top_is_not_squeezed(more: Evidence) -> None:
    """All above one half: the scale begins at 50, and says so."""
    assert more.choose is not None
    high = tuple(replace(row, p=0.9 + 0.01 * n) for n, row in enumerate(more.choose.frontier))
    words = choose_figure(replace(more.choose, frontier=high))
    assert "scale begins at 50" in words
    assert "scale begins at 50" not in choose_figure(more.choose)
