"""A new user's way without any build folder: board, photo, edits, proof, cut, joint; all typed.

The photo is rendered from an invented part, so that the cut file can be held against the truth.
"""

from __future__ import annotations

import math
import re
import sys
from pathlib import Path

import pytest

from keyturn.cli.outcome import run
from keyturn.making import dxf, svg_file
from keyturn.making.contours import moved
from keyturn.making.outline_file import from_text
from keyturn.making.paper import bounds
from keyturn.making.shape import Outline

sys.path.append(str(Path(__file__).parents[1] / "making"))

BOLT = 0.6  # [mm] the default clearance that the cut adds
# a face 8 mm above the board in a photo of 4 megapixels: between the bounds of 3 and of 12
CENTRE, EDGE, DIAMETER = 0.15, 0.35, 0.10


def typed(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    code = run(words)
    told = capsys.readouterr()
    assert code == 0, told.err
    return told.out


def true_length(words: str, part: Outline, true: Outline) -> float:
    """What callipers would read on the real part where the proof asks for a length."""
    import numpy as np
    from score import matched  # the traced holes have names of their own

    at, there = (np.array([(h.x, h.y) for h in one.holes]) for one in (part, true))
    fit = matched(at, there)
    assert fit is not None
    names = re.findall(r"hole \d+", words)
    if not names:
        return 96.0  # the whole width or height of that invented flange
    number = {hole.name: int(fit[2][n]) for n, hole in enumerate(part.holes)}
    a, b = (true.holes[number[name]] for name in names)
    return math.dist((a.x, a.y), (b.x, b.y)) + (a.diameter + b.diameter) / 2.0


def test_from_the_board_to_the_joint(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from renderer import render, seeded, throttle
    from score import scored

    monkeypatch.chdir(tmp_path)
    scene = seeded(3, throttle(3), size=(2400, 1800), max_tilt=20.0)
    true = scene.part.outline
    (tmp_path / "photo.jpg").write_bytes(render(scene, gps=True).data)
    typed(capsys, "gasket", "board")
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF-")
    long, short = scene.check_lengths
    told = typed(
        capsys, "gasket", "trace", "photo.jpg", "--thickness", f"{scene.face_height} mm",
        "--check-long", f"{long} mm", "--check-short", f"{short} mm", "--hole-size", "6.6 mm",
        "--name", "throttle", "-o", "lid.toml", "--figure", "lid.svg",
    )  # fmt: skip
    assert told.count("hole 1") >= 1 and "±" in told and "no real part yet" in told
    assert len(told.splitlines()) == len(set(told.splitlines()))  # nothing is said twice
    file = tmp_path / "lid.toml"
    file.write_text(file.read_text().replace("[outer]", "# mine: ask for the steel ruler\n[outer]"))
    typed(capsys, "gasket", "edit", "lid.toml", "--set", "thickness=1.5", "--set",
          "hole.1.name=upper left")  # fmt: skip
    part = from_text(file.read_text())
    assert "# mine: ask for the steel ruler" in file.read_text()
    assert (part.thickness, part.holes[0].name) == (1.5, "upper left")
    typed(capsys, "gasket", "edit", "lid.toml", "--set", "hole.1.name=hole 1")
    typed(capsys, "gasket", "proof", "lid.toml", "--pdf", "proof.pdf")
    asked = [line for line in typed(capsys, "gasket", "proof", "lid.toml").splitlines()
             if "drawn" in line]  # fmt: skip
    part = from_text(file.read_text())
    read = ",".join(f"{true_length(line, part, true):.2f}mm" for line in asked)
    assert "confirmed" in typed(capsys, "gasket", "proof", "lid.toml", "--measured", read)
    told = typed(capsys, "gasket", "cut", "lid.toml", "--dxf", "lid.dxf", "--svg", "lid.out.svg",
                 "--growth", "0", "--sheet", "300x200", "--speed", "20")  # fmt: skip
    assert "read back and found equal" in told and "waste" in told
    made = dxf.to_outline(dxf.read((tmp_path / "lid.dxf").read_bytes()))
    left, low, right, high = bounds(made)  # on the sheet; the truth lies about its middle
    found = scored(moved(made, 0, -(left + right) / 2, -(low + high) / 2), true)
    assert found is not None
    assert (found["found"], found["extra"]) == (4, 0)
    assert max(found["centre"]) < CENTRE
    assert max(abs(off - BOLT) for off in found["diameter"]) < DIAMETER
    assert max([found["outer"], *found["ports"]]) < EDGE
    assert len(svg_file.read((tmp_path / "lid.out.svg").read_bytes()).contours) == 6
    told = typed(capsys, "joint", "lid.toml", "--material", "cork-nbr-70", "--bolt", "M6",
                 "--boost", "50 kPa", "--card", "card.svg", "--out", "lid.joint.toml",
                 "--samples", "60")  # fmt: skip
    assert "N m" in told and "order" in told
    assert "TORQUE CARD" in (tmp_path / "card.svg").read_text()
    assert "torque" in typed(capsys, "joint", "lid.joint.toml", "--torque", "5 N m", "--samples",
                             "60")  # fmt: skip
