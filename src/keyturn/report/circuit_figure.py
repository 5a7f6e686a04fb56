"""The drawn circuit: tank, pump, line, rail, regulator and return as numbered parts on a line.

It is drawn from the sheet, not from a finished build, so that it follows what is typed even while
the build cannot be judged yet. Every part stands in a cell: number, symbol, name, what was typed.
"""

from __future__ import annotations

from dataclasses import dataclass

from keyturn.build.schema import grades
from keyturn.build.sheet import Entry, Group, Sheet
from keyturn.report.svg import LINE, SMALL, THICK, THIN, Drawing, points, wrap

CELL, ROW = 118.0, 128.0
LEVEL = 42.0  # of the line below the top of a row
# how well the number under a part is known: a line under it, from full to dotted
MARKS: dict[str, str | None] = {
    "measured": None, "datasheet": "14 3", "handbook": "7 3", "hearsay": "3 3", "assumed": "1 4",
}  # fmt: skip


@dataclass(frozen=True)
class Piece:
    """One numbered part of the drawing; ``base`` is its table in build.toml."""

    number: int
    base: str
    symbol: str
    name: str
    typed: str
    grade: str


def pieces(sheet: Sheet) -> tuple[list[Piece], list[Piece]]:
    """The way from tank to rail, and the way back from the regulator."""
    groups = {s.name: s.groups for s in sheet.sections}
    feed, back = list(groups.get("feed", ())), list(groups.get("return", ()))
    kinds = [group.part for group in feed]
    pump, regulator = groups["pump"][0], groups["regulator"][0]
    if "pump" not in kinds:
        feed.insert(int(kinds[:1] == ["strainer"]), pump)
    at_tank = _text(regulator, "place") == "tank"
    if at_tank and "regulator" not in kinds:
        feed.append(regulator)
    feed = [regulator if g.part == "regulator" else pump if g.part == "pump" else g for g in feed]
    if not at_tank:
        feed = [group for group in feed if group is not regulator]
    ahead = [_piece(group, 0) for group in feed]
    ahead.insert(0, Piece(0, "fuel", "tank", "tank", _text(groups["fuel"][0], "kind"), ""))
    ahead.append(_piece(groups["injectors"][0], 0))
    behind = [] if at_tank else [_piece(regulator, 0)]
    behind += [_piece(group, 0) for group in back]
    numbered = [
        Piece(n, p.base, p.symbol, p.name, p.typed, p.grade)
        for n, p in enumerate([*ahead, *behind], 1)
    ]
    return numbered[: len(ahead)], numbered[len(ahead) :]


def _text(group: Group, name: str) -> str:
    return next((entry.text for entry in group.entries if entry.name == name), "")


def _piece(group: Group, number: int) -> Piece:
    if group.section == "pump":
        count = _text(group, "count")
        name = "pump" if count in ("", "1") else f"{count} pumps, {_text(group, 'arrangement')}"
        return Piece(number, "pump", "pump", name, *_said(group, "flow"))
    if group.section == "regulator":
        typed, grade = _said(group, "set")
        name = f"regulator, {_text(group, 'reference') or 'reference not said'}"
        return Piece(number, "regulator", "regulator", name, typed, grade)
    if group.section == "injectors":
        typed, grade = _said(group, "flow")
        count = _text(group, "count")
        return Piece(number, "injectors", "rail", f"rail, {count or 'with'} injectors".strip(),
                     typed, grade)  # fmt: skip
    count = _text(group, "count")
    name = f"{count} × {group.title}" if count not in ("", "1") else group.title
    return Piece(number, group.base, group.part or "hose", name, *_line_words(group))


def _line_words(group: Group) -> tuple[str, str]:
    """What decides of a part of a line: bore and length, loss, or drop and its flow."""
    if group.part in ("hose", "tube"):
        bore, worse = _said(group, "size" if _text(group, "size") else "diameter")
        long, grade = _said(group, "length")
        return f"{bore} × {long}", _worst(worse, grade)
    if group.part == "fitting":
        if _text(group, "kind"):
            return _text(group, "kind"), "handbook"
        loss, grade = _said(group, "loss")
        return f"loss {loss}", grade
    drop, grade = _said(group, "drop")
    at, worse = _said(group, "at_flow")
    return f"{drop} at {at}", _worst(grade, worse)


def _said(group: Group, name: str) -> tuple[str, str]:
    """What was typed for a key and its grade; what is assumed when nothing was."""
    entry = next((entry for entry in group.entries if entry.name == name), None)
    if entry is None or not entry.given:
        words = entry.default if entry is not None else ""
        return words or "not said", "assumed"
    return _short(entry), "handbook" if name == "size" else entry.grade


def _short(entry: Entry) -> str:
    if not entry.points:
        return entry.text
    at, value = entry.points[0]
    return f"{value} at {at}, …"


def _worst(*said: str) -> str:
    order = grades()
    known = [grade for grade in said if grade in order]
    return max(known, key=order.index) if known else "assumed"


def circuit(sheet: Sheet, width: float = 720.0, *, inline: bool = False) -> str:
    """The circuit in rows that run to and fro; the way back is drawn in dashes."""
    ahead, behind = pieces(sheet)
    about = "; ".join(f"{p.number} {p.name}: {p.typed or 'no value'}" for p in [*ahead, *behind])
    drawing = Drawing(f"circuit{width:.0f}", width, "Fuel circuit", about, inline=inline)
    across = max(2, int(width / CELL))
    cell = width / across
    top = _rows(drawing, ahead, across, cell, 0.0, dash=None)
    regulator = next(p.number for p in [*ahead, *behind] if p.base == "regulator")
    words = f"back to the tank, from the regulator ({regulator})"
    drawing.text(0, top + 10, words, SMALL, colour="quiet")
    top = _rows(drawing, behind, across, cell, top + 8, dash="7 4", home=True)
    drawing.height = _legend(drawing, top + 8)
    return drawing.render()


def _rows(
    d: Drawing, row: list[Piece], across: int, cell: float, top: float, *,
    dash: str | None, home: bool = False,
) -> float:  # fmt: skip
    """Cells to the right, then to the left, and so on; returns the foot of the last row."""
    if not row:
        d.text(8, top + 30, "no line of its own: straight into the tank", SMALL)
        return top + 44
    for n, piece in enumerate(row):
        deep, along = divmod(n, across)
        way = 1 if deep % 2 == 0 else -1
        at = along if way > 0 else across - 1 - along
        x, y = cell * (at + 0.5), top + deep * ROW + LEVEL
        if n + 1 < len(row):
            _on(d, x, y, way, cell, turns=along == across - 1, dash=dash)
        elif home:
            end = x + way * cell * (0.46 if at not in (0, across - 1) else 0.36)
            d.line(x, y, end, y, "fuel", LINE, dash)
            tip = ((end - way * 8, y - 4), (end, y), (end - way * 8, y + 4))
            d.path(points(tip), "fuel", LINE)
            d.text(end + way * 5, y + 4, "tank", SMALL, anchor="start" if way > 0 else "end")
        _cell(d, piece, x, y, cell, way)
    return top + ROW * ((len(row) - 1) // across + 1)


def _on(
    d: Drawing, x: float, y: float, way: int, cell: float, *, turns: bool, dash: str | None
) -> None:
    """The line to the next cell; at the end of a row it goes down outside of the words."""
    if not turns:
        d.line(x, y, x + way * cell, y, "fuel", LINE, dash)
        return
    edge = x + way * (cell / 2 - 2)
    pairs = ((x, y), (edge, y), (edge, y + ROW), (x, y + ROW))
    d.path(points(pairs), "fuel", LINE, dash=dash)


def _cell(d: Drawing, piece: Piece, x: float, y: float, cell: float, way: int) -> None:
    _SYMBOLS.get(piece.symbol, _hose)(d, x, y, way)
    left = x - cell / 2 + 6
    d.ring(left + 12, y - 27, 10)
    d.text(left + 12, y - 23, str(piece.number), SMALL, anchor="middle", bold=True)
    foot = y + 34
    for words in wrap(piece.name, cell - 14, SMALL)[:2]:
        d.text(left, foot, words, SMALL, bold=True)
        foot += 13
    for words in wrap(piece.typed, cell - 14, SMALL)[:2] if piece.typed else []:
        d.text(left, foot, words, SMALL)
        foot += 13
    if piece.grade:
        grade_mark(d, left, foot - 7, 65.0, piece.grade)
    d.spot(x - cell / 2, y - LEVEL, cell, ROW, piece.base)


def grade_mark(d: Drawing, x: float, y: float, length: float, grade: str) -> None:
    """A line from full (measured) to dotted (assumed)."""
    heavy = 2.6 if grade in ("measured", "assumed", "hearsay") else 2.0
    d.line(x, y, x + length, y, "ink", heavy, MARKS.get(grade, "1 4"))


def _legend(d: Drawing, top: float) -> float:
    x, y = 0.0, top + 6
    d.text(x, y, "known by:", SMALL, colour="quiet")
    x += 66
    for grade in grades():
        if x + 104 > d.width:
            x, y = 66.0, y + 18
        grade_mark(d, x, y - 4, 26, grade)
        d.text(x + 31, y, grade, SMALL)
        x += 108
    return y + 10


# --- symbols, on a line at height y that runs to the right (way 1) or to the left (way -1) --------


def _tank(d: Drawing, x: float, y: float, way: int) -> None:
    d.box(x - 30, y - 18, 60, 38, "paper", "ink", THICK)
    for level, short in ((y - 2, 0), (y + 5, 6), (y + 12, 12)):
        d.line(x - 24 + short, level, x + 24 - short, level, "fuel", THIN)


def _strainer(d: Drawing, x: float, y: float, way: int) -> None:
    d.box(x - 15, y - 14, 30, 28, "paper", "ink", LINE)
    d.line(x, y - 14, x, y + 14, "ink", LINE, "3 3")
    d.line(x + 5, y - 14, x + 5, y + 14, "ink", LINE, "3 3")


def _filter(d: Drawing, x: float, y: float, way: int) -> None:
    d.path(points(((x - 19, y), (x, y - 19), (x + 19, y), (x, y + 19)), close=True), fill="paper")
    d.line(x, y - 19, x, y + 19, "ink", LINE, "3 3")


def _pump(d: Drawing, x: float, y: float, way: int) -> None:
    d.ring(x, y, 20)
    tip = ((x + way * 20, y), (x + way * 4, y - 9), (x + way * 4, y + 9))
    d.path(points(tip, close=True), fill="ink")


def _check_valve(d: Drawing, x: float, y: float, way: int) -> None:
    d.box(x - 17, y - 13, 34, 26, "paper", "ink", LINE)
    d.path(points(((x + way * 10, y - 11), (x - way * 6, y), (x + way * 10, y + 11))))
    d.ring(x + way * 3, y, 6)


def _hose(d: Drawing, x: float, y: float, way: int) -> None:
    d.box(x - 34, y - 5, 68, 10, "paper", "ink", LINE)
    for step in range(-30, 34, 8):
        d.line(x + step - 3, y + 5, x + step + 3, y - 5, "ink", THIN)


def _tube(d: Drawing, x: float, y: float, way: int) -> None:
    d.box(x - 38, y - 4, 76, 8, "paper", "ink", LINE)


def _fitting(d: Drawing, x: float, y: float, way: int) -> None:
    d.box(x - 9, y - 9, 18, 18, "paper", "ink", LINE)
    for edge in (-16, 9):
        d.box(x + edge, y - 12, 7, 24, "paper", "ink", LINE)


def _regulator(d: Drawing, x: float, y: float, way: int) -> None:
    d.box(x - 17, y - 13, 34, 30, "paper", "ink", LINE)
    spring = [(x - 6 + 12 * (n % 2), y - 13 - 3 * n) for n in range(6)]
    d.path(points(spring), "ink", LINE)
    tip = ((x + way * 4, y - 2), (x + way * 11, y + 2), (x + way * 4, y + 6))
    d.line(x - way * 11, y + 2, x + way * 11, y + 2)
    d.path(points(tip))


def _rail(d: Drawing, x: float, y: float, way: int) -> None:
    d.box(x - 42, y - 7, 84, 14, "paper", "ink", THICK)
    for n in range(4):
        at = x - 30 + n * 20
        d.path(points(((at - 4, y + 7), (at - 4, y + 15), (at, y + 21), (at + 4, y + 15),
                       (at + 4, y + 7))))  # fmt: skip


_SYMBOLS = {
    "tank": _tank, "strainer": _strainer, "filter": _filter, "pump": _pump,
    "check-valve": _check_valve, "hose": _hose, "tube": _tube, "fitting": _fitting,
    "regulator": _regulator, "rail": _rail,
}  # fmt: skip
