"""Rendered photos and scans of invented parts, traced and held against their truth.

What was measured lies in build/gasket under the sum of all files it rests on, so a run that was
stopped goes on where it was, and none goes on with another program.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from validation.section import MISSED, ROOT, cells, say, table

Row = dict[str, Any]
FOLDER = ROOT / "build" / "gasket"
RESTS_ON = ("src/keyturn/making", "tests/making/renderer", "tests/making/suite.py",
            "tests/making/score.py")  # fmt: skip
LEAST, MOST = 0.90, 0.99  # share of true errors inside of a stated 95 % bound

HOW = """Pictures of {photos} seeded scenes by the ray-cast renderer of the tests, whose truth is
known. No real sensor, lens or part is behind any of these figures: of a real part no better than
0.15 mm in the middle and 0.3 mm at the worst is claimed, and that is printed with every outline.
Errors in millimetres after a rigid fit of the hole pattern, without scale; the goals of a category
in brackets. Check lengths and thickness were read without error here. Diameters after one hole was
read with callipers; before, they are off by what stands under bias.
"""
INSIDE = """Share of true errors inside the stated 95 % bound, to be {least:.0%} to {most:.0%}. Each
trace with {draws} sets of readings that carry the errors the bound assumes; outline and ports by
points every millimetre. "read": after one hole was read with callipers, again with its error. The
constants of the bound were set on photos of other seeds.
"""
HARD = """Pictures that cannot be measured well. Right: within what is promised of a real part
(centres 0.15 mm in the middle and 0.3 at the worst, paths 0.25 everywhere, diameters 0.05 in the
middle once one hole was read); told: not right, and the reason stands among the warnings; silent is
what must not be.
"""


def suite_of_tests() -> Any:
    sys.path[:0] = [p for p in (str(ROOT / "tests" / "making"), str(ROOT / "src"))
                    if p not in sys.path]  # fmt: skip
    import suite

    return suite


def _sum() -> str:
    """Of the text of every file the rows rest on."""
    files: list[Path] = []
    for name in RESTS_ON:
        path = ROOT / name
        files += sorted(path.rglob("*.py")) if path.is_dir() else [path]
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def _one(job: tuple[str, int, Path | None]) -> Row:
    return dict(suite_of_tests().run(*job))


def say_row(row: Row) -> str:
    if "refused" in row:
        return f"refused: {row['refused']}"
    if "centre" not in row:
        return "its holes do not match the truth"
    centre = sorted(row["centre"])
    return (
        f"{row['found']}/{row['holes']} holes, centres {centre[len(centre) // 2]:.3f}"
        f"/{centre[-1]:.3f}, outline {row['outer']:.3f}, ports"
        f" {max(row['ports'], default=0.0):.3f}, {row['seconds']:.1f} s"
    )


def measured(
    names: Sequence[str], most: int | None, processes: int, pictures: Path | None = None
) -> list[Row]:
    """Rows of the categories, those that were measured before not again."""
    suite = suite_of_tests()
    counts = {name: kind.photos for name, kind in suite.CATEGORIES.items()}
    counts |= {name: len(kind.options) for name, kind in suite.HARD.items()}
    wanted = [(name, seed) for name in names
              for seed in range(1, min(counts[name], most or counts[name]) + 1)]  # fmt: skip
    FOLDER.mkdir(parents=True, exist_ok=True)
    store = FOLDER / f"rows-{_sum()}.jsonl"
    lines = store.read_text(encoding="utf-8").splitlines() if store.exists() else []
    done = {(row["category"], row["seed"]): row for row in map(json.loads, lines)}
    left = [(*job, pictures) for job in wanted if job not in done]
    with ProcessPoolExecutor(processes) as pool, store.open("a", encoding="utf-8") as file:
        for n, row in enumerate(pool.map(_one, left), 1):
            done[row["category"], row["seed"]] = json.loads(json.dumps(row, default=_plain))
            file.write(json.dumps(row, default=_plain) + "\n")
            file.flush()
            say(f"{n}/{len(left)} {row['category']} {row['seed']}: {say_row(row)}")
    return [done[job] for job in wanted]


def _plain(value: Any) -> Any:
    number = float(value)
    return None if math.isnan(number) else number


def summed(rows: Sequence[Row]) -> tuple[Any, bool]:
    """What the page shows, and whether every bound holds."""
    suite = suite_of_tests()
    found = {name: [row for row in rows if row["category"] == name]
             for name in dict.fromkeys(row["category"] for row in rows)}  # fmt: skip
    lines = [suite.summary(name, of) for name, of in found.items() if name in suite.CATEGORIES]
    hard = []
    for name, of in found.items():
        if name in suite.HARD:
            ends = [suite.outcome(name, row) for row in of]
            hard.append({"category": name, "photos": len(of),
                         **{end: ends.count(end) for end in ("refused", "right", "told", "silent")},
                         "reasons": sorted({_short(row["refused"]) for row in of
                                            if "refused" in row})})  # fmt: skip
    inside = suite.coverage(rows)
    good = (
        all(line["holds"] for line in lines)
        and not any(line["silent"] for line in hard)
        and all(LEAST <= share <= MOST for kinds in inside.values() for share in kinds.values())
    )
    return {"lines": lines, "inside": inside, "hard": hard, "draws": suite.DRAWS,
            "photos": len(rows)}, good  # fmt: skip


def _short(reason: str) -> str:
    """The first words of a refusal, without its numbers."""
    words = re.split(r"[:;\n]| \(", reason)[0].strip()
    return re.sub(r"\d+", "...", words)


def run(processes: int = 1, pictures: Path | None = None) -> tuple[Any, bool]:
    """Every category of the suite and every hard picture."""
    suite = suite_of_tests()
    return summed(measured([*suite.CATEGORIES, *suite.HARD], None, processes, pictures))


def render(results: Any) -> str:
    """Three tables: errors, stated bounds, hard pictures."""
    text = "\n" + HOW.format(photos=results["photos"])
    text += table("pictures", "of them", "refused", "holes found", "centres: middle", "largest",
                  "diameters: middle", "largest", "bias", "outline: largest", "ports: largest",
                  "pieces too many", "CPU each", "")  # fmt: skip
    for line in results["lines"]:
        text += _line(line)
    text += "\n" + INSIDE.format(least=LEAST, most=MOST, draws=results["draws"])
    kinds = list(next(iter(results["inside"].values()), {}))
    text += table("pictures", *kinds, "")
    for name, told in results["inside"].items():
        held = all(LEAST <= share <= MOST for share in told.values())
        text += cells(name, *(f"{told[kind]:.1%}" for kind in kinds), "" if held else MISSED)
    text += "\n" + HARD
    text += table("pictures", "of them", "refused", "right", "told", "silent", "reasons", "")
    for line in results["hard"]:
        text += cells(line["category"], *(str(line[key]) for key in
                      ("photos", "refused", "right", "told", "silent")),
                      "; ".join(line["reasons"]), MISSED if line["silent"] else "")  # fmt: skip
    return text


def _line(line: Row) -> str:
    name, bounds = line["category"], suite_of_tests().CATEGORIES[line["category"]].bounds
    held = "" if line["holds"] else MISSED
    if "centre_median" not in line:
        return cells(name, str(line["photos"]), str(len(line["refused"])), *[""] * 10, held)
    path = "" if bounds.path_max is None else f" ({bounds.path_max:g})"
    return cells(
        name, str(line["photos"]), str(len(line["refused"])), f"{line['found']}/{line['holes']}",
        f"{line['centre_median']:.3f} ({bounds.centre_median:g})",
        f"{line['centre_max']:.3f} ({bounds.centre_max:g})",
        f"{line['diameter_median']:.3f} ({bounds.diameter_median:g})",
        f"{line['diameter_max']:.3f}", f"{line['diameter_bias']:+.3f}",
        f"{line['outer_max']:.3f}{path}", f"{line['port_max']:.3f}{path}",
        f"{line['pieces_off']:.0%}", f"{line['seconds']:.1f} s ({bounds.seconds:g})", held,
    )  # fmt: skip
