"""SVG in millimetres: A commands from bulges, y downwards as SVG has it, a group for each layer."""

from __future__ import annotations

import math
import re
from xml.sax.saxutils import escape, quoteattr

from keyturn.errors import FileRefused, Place
from keyturn.making.contours import LAYERS, Contour, Cutting, Layer, Mark, quartered
from keyturn.making.shape import STRAIGHT, ClosedPath, Corner, Hole, arc_of

COLOURS = {"CUT_OUTER": "#ff0000", "CUT_INNER": "#00a000", "HOLES": "#0000ff", "MARK": "#808080"}
HAIR = 0.1  # [mm] stroke
DIGITS = 9  # decimals of a millimetre
MARGIN = 1.0  # [mm] around the part where there is no sheet
MOST_BYTES = 20_000_000
NUMBER = re.compile(r"[-+]?\d*\.?\d+(?:[eE][-+]?\d+)?")


def write(cutting: Cutting) -> bytes:
    """The cutting as an SVG file; ``width`` and ``height`` in mm, one user unit is 1 mm."""
    if cutting.sheet is not None:
        left, bottom, right, top = 0.0, 0.0, *cutting.sheet
    else:
        left, bottom, right, top = cutting.bounds()
        left, bottom, right, top = left - MARGIN, bottom - MARGIN, right + MARGIN, top + MARGIN
    width, height = _number(right - left), _number(top - bottom)
    rows = [
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{width}mm"'
        f' height="{height}mm" viewBox="{_number(left)} {_number(-top)} {width} {height}">',
        "<title>Cut file, millimetres, 1:1</title>",
    ]
    # one element a group, so that the order of the cut is kept
    rows += [
        f'<g id="c{n}" class="{c.layer}" fill="none" stroke="{COLOURS[c.layer]}"'
        f' stroke-width="{HAIR}">{_element(c.shape)}</g>'
        for n, c in enumerate(cutting.contours, 1)
    ]
    rows += [
        f'<text class="MARK" x="{_number(mark.x)}" y="{_number(-mark.y)}"'
        f' font-size="{_number(mark.height)}" text-anchor="middle" dominant-baseline="central"'
        f' font-family="monospace" fill="{COLOURS["MARK"]}">{escape(mark.words)}</text>'
        for mark in cutting.marks
    ]
    return "\n".join([*rows, "</svg>", ""]).encode("utf-8")


def _number(value: float) -> str:
    text = f"{value:.{DIGITS}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _element(shape: ClosedPath | Hole) -> str:
    if isinstance(shape, Hole):
        where = f'cx="{_number(shape.x)}" cy="{_number(-shape.y)}"'
        return f'<circle {where} r="{_number(shape.diameter / 2.0)}"/>'
    return f"<path d={quoteattr(path_data(shape))}/>"


def path_data(path: ClosedPath) -> str:
    """The path as SVG data with y downwards; no arc is longer than a quarter."""
    corners = quartered(path).corners
    steps = [f"M {_number(corners[0].x)} {_number(-corners[0].y)}"]
    for n, a in enumerate(corners):
        b = corners[(n + 1) % len(corners)]
        end, arc = f"{_number(b.x)} {_number(-b.y)}", arc_of(a, b)
        if arc is None:
            # Z draws the last line
            steps += [] if n == len(corners) - 1 else [f"L {end}"]
        else:
            # counter-clockwise with y up is against the positive sense of SVG
            sweep = 0 if a.bulge > 0.0 else 1
            radius = _number(arc[2])
            steps.append(f"A {radius} {radius} 0 0 {sweep} {end}")
    return " ".join([*steps, "Z"])


def read(data: bytes, file: str = "") -> Cutting:
    """The cutting that an SVG written here holds: read by its numbers, not by what wrote them.

    Raises
    ------
    FileRefused
        Not such a file, or one whose user unit is not a millimetre.
    """
    from xml.etree import ElementTree

    place = Place(file or None)
    if len(data) > MOST_BYTES or b"<!" in data:
        raise FileRefused("is not a cut file in SVG", place, accepted="SVG as keyturn writes it")
    try:
        root = ElementTree.fromstring(data)
        contours, marks = _walk(root)
    except (ElementTree.ParseError, ValueError, KeyError, IndexError, TypeError):
        raise FileRefused("is not a cut file in SVG", place,
                          accepted="SVG as keyturn writes it") from None  # fmt: skip
    box = [float(v) for v in root.get("viewBox", "0 0 0 0").split()]
    size = [root.get("width", ""), root.get("height", "")]
    shown = [float(text[:-2]) if re.fullmatch(r"[\d.]+mm", text) else math.nan for text in size]
    if len(box) != 4 or not all(abs(a - b) < 1e-6 for a, b in zip(shown, box[2:], strict=True)):
        raise FileRefused("is not drawn at 1:1 in millimetres", place,
                          accepted="width and height in mm, equal to the view box")  # fmt: skip
    return Cutting(tuple(contours), tuple(marks))


def _walk(root: object) -> tuple[list[Contour], list[Mark]]:
    contours: list[Contour] = []
    marks: list[Mark] = []
    for element in root:  # type: ignore[attr-defined]
        tag, kind = element.tag.rpartition("}")[2], element.get("class")
        if tag == "text":
            x, y, high = (float(element.get(key)) for key in ("x", "y", "font-size"))
            marks.append(Mark(x, -y, high, element.text or ""))
        elif tag == "g":
            layer: Layer = next(name for name in LAYERS if name == kind)
            contours += [Contour(layer, _shape(child)) for child in element]
    return contours, marks


def _shape(element: object) -> ClosedPath | Hole:
    get = element.get  # type: ignore[attr-defined]
    if get("r") is not None:
        return Hole(float(get("cx")), -float(get("cy")), 2.0 * float(get("r")))
    return ClosedPath(tuple(_corners(get("d"))))


def _corners(data: str) -> list[Corner]:
    """Corners and bulges from M, L, A and Z with absolute numbers."""
    points: list[tuple[float, float]] = []
    bulges: list[float] = []
    for letter, body in re.findall(r"([A-Za-z])([^A-Za-z]*)", data):
        numbers = [float(text) for text in NUMBER.findall(body)]
        if letter == "Z":
            break
        x, y = numbers[-2], -numbers[-1]
        if letter == "A":
            rx, ry, _, large, sweep = numbers[:5]
            chord = math.dist(points[-1], (x, y))
            if rx != ry or large != 0:
                raise ValueError(letter)
            angle = 2.0 * math.asin(min(1.0, chord / (2.0 * rx)))
            bulges.append(math.tan(angle / 4.0) * (-1.0 if sweep else 1.0))
        elif letter == "L":
            bulges.append(0.0)
        elif letter != "M" or points:
            raise ValueError(letter)
        points.append((x, y))
    if len(bulges) == len(points) - 1:
        bulges.append(0.0)  # Z drew the last line, unless an arc came home
        if math.dist(points[0], points[-1]) < STRAIGHT:
            points.pop()
            bulges.pop()
    return [Corner(x, y, bulge) for (x, y), bulge in zip(points, bulges, strict=True)]
