"""The verbs gasket and joint from the terminal: answers, refusals, files whole or not at all."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from keyturn.cli.outcome import run
from keyturn.making import dxf
from keyturn.making.edit import rectangle
from keyturn.making.outline_file import from_text, to_text
from keyturn.making.shape import Hole, Outline, flattened


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that is no build, with the outline of an invented lid."""
    spots = ((-50, -30), (0, -30), (50, -30), (50, 30), (0, 30), (-50, 30))
    holes = tuple(Hole(x, y, 6.6, name=f"hole {n}") for n, (x, y) in enumerate(spots, 1))
    (tmp_path / "lid.toml").write_text(
        to_text(Outline(rectangle(0, 0, 120, 80, 0), holes, (rectangle(0, 0, 80, 40, 0),), "lid"))
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], *typed: str) -> tuple[int, str, str]:
    code = run(typed)
    told = capsys.readouterr()
    return code, told.out, told.err


def test_the_board_is_a_pdf(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys, "gasket", "board", "-o", "b.pdf")[0] == 0
    assert (here / "b.pdf").read_bytes().startswith(b"%PDF-")
    code, _, fault = said(capsys, "gasket", "board", "--paper", "a9", "-o", "c.pdf")
    assert code == 2 and "letter" in fault
    assert not (here / "c.pdf").exists()


def test_cut_files_come_together(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, told, _ = said(capsys, "gasket", "cut", "lid.toml", "--dxf", "l.dxf", "--svg", "l.svg",
                         "--pdf", "l.pdf", "--kerf", "0.2mm", "--sheet", "300x200",
                         "--copies", "2", "--speed", "20")  # fmt: skip
    assert code == 0 and "2 parts" in told and "read back and found equal" in told
    cuts = dxf.read((here / "l.dxf").read_bytes()).contours
    assert len(cuts) == 16 and cuts[-1].layer == "CUT_OUTER"
    code, told, _ = said(capsys, "gasket", "cut", "lid.toml", "--json", "-")
    assert code == 0 and json.loads(told)["schema"] == "keyturn.cut.v1"
    before = sorted(path.name for path in here.iterdir())
    for wrong in (["--sheet", "40x30"], ["--kerf", "9mm"], ["--sheet", "40"], ["--kerf", "wide"]):
        code, _, fault = said(capsys, "gasket", "cut", "lid.toml", "--dxf", "x.dxf", *wrong)
        assert code == 2 and "accepted" in fault
    assert sorted(path.name for path in here.iterdir()) == before


def test_an_edit_and_a_proof(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, told, _ = said(capsys, "gasket", "edit", "lid.toml", "--set", "hole.2.role=dowel",
                         "--set", "port.1.grow=0.5", "--figure", "lid.svg")  # fmt: skip
    assert code == 0 and "lid.toml written" in told
    assert from_text((here / "lid.toml").read_text()).holes[1].role == "dowel"
    assert (here / "lid.svg").read_text().startswith("<svg")
    code, told, _ = said(capsys, "gasket", "proof", "lid.toml", "--pdf", "proof.pdf")
    asked = [float(line.split("drawn ")[1].split(" mm")[0]) for line in told.splitlines()
             if "drawn" in line]  # fmt: skip
    assert code == 0 and len(asked) == 3
    values = ",".join(f"{value:.2f}mm" for value in asked)
    code, told, _ = said(capsys, "gasket", "proof", "lid.toml", "--measured", values)
    assert code == 0 and "confirmed" in told
    assert from_text((here / "lid.toml").read_text()).scale_verified
    before = (here / "lid.toml").read_bytes()
    code, _, fault = said(capsys, "gasket", "proof", "lid.toml", "--measured", "4.2in,1in,1in")
    assert code == 2 and fault
    assert (here / "lid.toml").read_bytes() == before


def test_an_ear_is_drawn_and_made(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The edge is at y = -40; an ear stands out to the hole's middle less its radius and land."""
    lines = ("gasket", "edit", "lid.toml", "--figure", "lid.svg")
    code, told, _ = said(capsys, *lines, "--set", "hole.2.y=-37", "--set", "name=eared")
    assert code == 0 and "eared" in told
    drawn = (here / "lid.svg").read_text()
    assert "(an ear)" in drawn and 'stroke-dasharray="2 3"' in drawn
    code, _, _ = said(capsys, *lines, "--ear", "hole 2", "--land", "4mm")
    assert code == 0
    low = min(y for _, y in flattened(from_text((here / "lid.toml").read_text()).outer, 0.001))
    assert low == pytest.approx(-37 - (6.6 + 0.6) / 2 - 4.0, abs=0.002)
    assert "an ear" not in (here / "lid.svg").read_text()
    before = (here / "lid.toml").read_bytes()
    code, _, fault = said(capsys, "gasket", "edit", "lid.toml", "--ear", "hole 2", "--land", "0")
    assert code == 2 and "0.5 to 50 mm" in fault
    assert (here / "lid.toml").read_bytes() == before


def test_a_thickness_is_asked_for(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "p.jpg").write_bytes(b"no photo")
    lines = ("--check-long", "250", "--check-short", "180")
    code, _, fault = said(capsys, "gasket", "trace", "p.jpg", *lines)
    assert code == 2 and "level" in fault
    code, _, fault = said(capsys, "gasket", "trace", "p.jpg", "--level", *lines[:2])
    assert code == 2 and "check_short" in fault
    code, _, fault = said(capsys, "gasket", "scan", "p.jpg", *lines)
    assert code == 2 and "dots per inch" in fault
    for typed in (["--thickness", "0mm"], ["--thickness", "8mm"], ["--level"]):
        code, _, fault = said(capsys, "gasket", "trace", "p.jpg", *lines, *typed)
        assert code == 2 and fault.startswith("keyturn: ")
    code, _, fault = said(capsys, "gasket", "trace", "none.jpg", "--level")
    assert code == 2 and "cannot read" in fault
    assert not (here / "outline.toml").exists()


def test_callipers_ask_for_more(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "m.toml").write_text(
        "".join(
            f"[[hole]]\nx = {x}\ny = {y}\ndiameter = 6\n" for x, y in ((0, 0), (60, 0), (30, 40))
        )
    )
    code, _, fault = said(capsys, "gasket", "measure", "m.toml")
    assert code == 3 and "measure from hole" in fault
    code, told, _ = said(capsys, "gasket", "measure", "m.toml", "--plan", "3")
    assert code == 0 and len(told.splitlines()) == 3
    with (here / "m.toml").open("a") as file:
        for a, b, far in ((1, 2, 66.0), (2, 3, 56.0), (1, 3, 56.0)):
            file.write(f"[[distance]]\nfrom = {a}\nto = {b}\nvalue = {far}\n")
    code, told, _ = said(capsys, "gasket", "measure", "m.toml", "-o", "tri.toml")
    assert code == 0 and "tri.toml written" in told
    # sides of 60, 50 and 50 mm between centres: 40 mm high, by Pythagoras
    part = from_text((here / "tri.toml").read_text())
    assert part.holes[2].y - part.holes[0].y == pytest.approx(40.0, abs=0.1)


def test_a_joint_from_the_terminal(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "j.toml").write_text(
        'version = 1\noutline = "lid.toml"\nmaterial = "cork-nbr-70"\nbolt = "M6"\n'
        'thickness = "1.5 mm"\nboost = "50 kPa"\n'
    )
    code, told, _ = said(capsys, "joint", "j.toml", "--card", "card.svg", "--samples", "30",
                         "--json", "j.json")  # fmt: skip
    assert code == 0 and "N m" in told and "order" in told
    assert "TORQUE CARD" in (here / "card.svg").read_text()
    answer = json.loads((here / "j.json").read_text())
    assert answer["schema"] == "keyturn.joint.v1" and len(answer["passes"]) >= 4
    code, _, fault = said(capsys, "joint", "j.toml", "--material", "epdm-70")
    assert code == 2 and "wrong sheet" in fault
    code, _, fault = said(capsys, "joint", "lid.toml")
    assert code == 2 and "material" in fault and "bolt" in fault
    options = ("--material", "cork-nbr-70", "--bolt", "M6", "--thickness", "1.5mm", "--preload",
               "3 kN", "--engagement", "14 mm", "--no-washer", "--sleeved", "--sealer", "grease",
               "--samples", "30")  # fmt: skip
    code, told, _ = said(capsys, "joint", "lid.toml", *options, "--full", "--out", "made.toml")
    assert code == 0 and "Sleeves take part" in told and "grease" in told
    code, again, _ = said(capsys, "joint", "made.toml", "--samples", "30", "--full")
    assert code == 0 and again == told.replace("  made.toml written\n", "")
