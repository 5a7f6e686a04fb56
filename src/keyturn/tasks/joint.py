"""A joint as it is typed: the joint file, options of the terminal, or a page; judged and drawn."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from keyturn.errors import FileRefused, Place
from keyturn.making.joint import JointResult, judge
from keyturn.making.joint_given import SEALERS, Joint
from keyturn.making.joint_tables import FLUIDS, materials, rows
from keyturn.making.shape import Outline
from keyturn.tasks.fields import JOINT
from keyturn.tasks.fields import taken as values_of
from keyturn.tasks.gasket import read_outline, read_text

ABOUT = ("version", "outline")  # keys of the file that are no part of the joint


def taken(said: Mapping[str, object], outline: Outline, file: str = "") -> Joint:
    """The joint of typed values; every fault of them together."""
    given = {key: value for key, value in said.items() if key not in ABOUT}
    return Joint(outline=outline, **values_of(JOINT, given, file))


def offered() -> dict[str, dict[str, str]]:
    """What each choice of ``JOINT`` offers, by name, in words."""
    plain = {
        "fluid": FLUIDS, "sealer": SEALERS, "bolt": tuple(rows("bolts", "size")),
        "strength": tuple(rows("bolts", "strength")),
        **{key: tuple(rows("joints", key)) for key in ("state", "thread", "flange")},
    }  # fmt: skip
    return {
        "material": {name: row.label for name, row in materials().items()},
        **{key: {name: name for name in names} for key, names in plain.items()},
    }


def read_said(path: Path) -> tuple[dict[str, Any], Outline]:
    """What a joint file says and the outline beside it; of an outline file the outline alone."""
    text, file = read_text(path), str(path)
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise FileRefused(f"is not TOML: {fault}", Place(file),
                          accepted="a joint file or an outline") from None  # fmt: skip
    if "outer" in data:
        return {}, read_outline(path)
    if data.get("version") != 1 or not isinstance(data.get("outline"), str):
        raise FileRefused(
            "is neither a joint file nor an outline", Place(file),
            accepted='version = 1, outline = "FILE.toml", material, bolt and what else is known',
            advice="see docs/joint.md",
        )  # fmt: skip
    return data, read_outline(path.parent / data["outline"])


def as_file(said: Mapping[str, object], outline: str) -> str:
    """A joint file of what was typed; ``outline`` is the name of the file beside it."""
    import tomlkit

    known = {row.key: said[row.key] for row in JOINT if row.key in said}
    return tomlkit.dumps({"version": 1, "outline": outline, **known})


def answer(joint: Joint, samples: int, seed: int) -> JointResult:
    """The verdict on a joint."""
    return judge(joint, samples=samples, seed=seed)


def drawings(result: JointResult, card: Path | None, pressure: Path | None) -> dict[Path, bytes]:
    """The torque card and the pressure on the sheet as files; a card named .pdf is to print."""
    from keyturn.report.joint_figure import pressure_figure
    from keyturn.report.torque_card import card_pdf, torque_card

    made: dict[Path, bytes] = {}
    if card is not None:
        printed = card.suffix.lower() == ".pdf"
        made[card] = card_pdf(result) if printed else torque_card(result).encode()
    if pressure is not None:
        made[pressure] = pressure_figure(result).encode()
    return made
