"""DXF R2010 in millimetres: LWPOLYLINE with bulges and CIRCLE, a layer for each kind of cut."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from typing import Any

from keyturn.errors import FileRefused, Place
from keyturn.making.contours import LAYERS, Contour, Cutting, Layer, Mark
from keyturn.making.offset import reversed_path
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, area

COLOURS = {"CUT_OUTER": 1, "CUT_INNER": 3, "HOLES": 5, "MARK": 8}  # red, green, blue, grey
MILLIMETRES = 4  # $INSUNITS
METRIC = 1  # $MEASUREMENT
MOST_BYTES = 20_000_000
MOST_ENTITIES = 20_000


def write(cutting: Cutting) -> bytes:
    """The cutting as a DXF file, entities in the order of the cut."""
    from ezdxf._options import options
    from ezdxf.enums import TextEntityAlignment
    from ezdxf.filemanagement import new

    options.write_fixed_meta_data_for_testing = True  # the same cutting, the same bytes
    document = new("R2010", units=MILLIMETRES)
    document.header["$INSUNITS"] = MILLIMETRES
    document.header["$MEASUREMENT"] = METRIC
    for layer in LAYERS:
        document.layers.add(layer, color=COLOURS[layer])
    space = document.modelspace()
    for contour in cutting.contours:
        shape, look = contour.shape, {"layer": contour.layer}
        if isinstance(shape, Hole):
            space.add_circle((shape.x, shape.y), shape.diameter / 2.0, dxfattribs=look)
        else:
            rows = [(corner.x, corner.y, corner.bulge) for corner in shape.corners]
            space.add_lwpolyline(rows, format="xyb", close=True, dxfattribs=look)
    for mark in cutting.marks:
        words = space.add_text(mark.words, height=mark.height, dxfattribs={"layer": "MARK"})
        words.set_placement((mark.x, mark.y), align=TextEntityAlignment.MIDDLE_CENTER)
    if cutting.sheet is not None:
        left, bottom, right, top = 0.0, 0.0, *cutting.sheet
    else:
        left, bottom, right, top = cutting.bounds()
    document.header["$EXTMIN"], document.header["$EXTMAX"] = (left, bottom, 0), (right, top, 0)
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode("utf-8")


def read(data: bytes, file: str = "") -> Cutting:
    """The cutting that a DXF file holds.

    Raises
    ------
    FileRefused
        Not a DXF, not in millimetres, or with something that is no closed path and no circle.
    """
    from ezdxf import filemanagement
    from ezdxf.lldxf.const import DXFError

    place = Place(file or None)
    if len(data) > MOST_BYTES:
        raise FileRefused("is too large", place, accepted=f"up to {MOST_BYTES // 1_000_000} MB")
    try:
        document = filemanagement.read(io.StringIO(data.decode("utf-8")))
    except (DXFError, UnicodeDecodeError, ValueError, IndexError, KeyError, TypeError):
        raise FileRefused("is not a DXF that can be read", place,
                          accepted="DXF R2000 or later, as text") from None  # fmt: skip
    if document.header.get("$INSUNITS", 0) != MILLIMETRES:
        raise FileRefused("does not say that it is in millimetres", place,
                          accepted="$INSUNITS 4")  # fmt: skip
    contours, marks = [], []
    for count, entity in enumerate(document.modelspace()):
        if count >= MOST_ENTITIES:
            raise FileRefused("holds too many things", place, accepted=f"up to {MOST_ENTITIES}")
        kind = entity.dxftype()
        if kind == "TEXT":
            marks.append(_mark(entity))
        elif kind in ("CIRCLE", "LWPOLYLINE"):
            contours.append(_contour(entity, place))
        else:
            raise FileRefused(f"holds a {kind}, which is no cut", place,
                              accepted="closed LWPOLYLINE, CIRCLE, TEXT")  # fmt: skip
    return Cutting(tuple(contours), tuple(marks))


def _mark(entity: Any) -> Mark:
    _, at, _ = entity.get_placement()
    return Mark(float(at.x), float(at.y), float(entity.dxf.height), str(entity.dxf.text))


def _contour(entity: Any, place: Place) -> Contour:
    layer: Layer | None = next((name for name in LAYERS if name == entity.dxf.layer), None)
    if layer is None:
        raise FileRefused(f"has something on the layer {entity.dxf.layer}", place,
                          accepted=", ".join(LAYERS))  # fmt: skip
    if entity.dxftype() == "CIRCLE":
        x, y, _ = entity.dxf.center
        return Contour(layer, Hole(float(x), float(y), 2.0 * float(entity.dxf.radius)))
    if not entity.closed:
        raise FileRefused("has a path that is not closed", place, accepted="closed LWPOLYLINE")
    corners = tuple(
        Corner(float(x), float(y), float(bulge)) for x, y, bulge in entity.get_points(format="xyb")
    )
    if not all(math.isfinite(v) for p in corners for v in (p.x, p.y, p.bulge)):
        raise FileRefused("has a corner that is not a number", place)
    return Contour(layer, ClosedPath(corners))


def to_outline(cutting: Cutting, name: str = "gasket") -> Outline:
    """One part from what a file holds.

    Raises
    ------
    FileRefused
        There is no outside, or more than one.
    """
    outside = [c.shape for c in cutting.contours if c.layer == "CUT_OUTER"]
    if len(outside) != 1:
        raise FileRefused(f"holds {len(outside)} outer paths", accepted="one, on CUT_OUTER")
    outer = outside[0]
    if isinstance(outer, Hole):
        from keyturn.making.contours import circle

        outer = circle(outer)
    holes = [c.shape for c in cutting.contours if c.layer == "HOLES"]
    inner = [c.shape for c in cutting.contours if c.layer == "CUT_INNER"]
    both = [*holes, *inner]
    return Outline(
        outer=_around(outer),
        holes=tuple(replace(shape, source="DXF") for shape in both if isinstance(shape, Hole)),
        ports=tuple(_around(shape) for shape in both if isinstance(shape, ClosedPath)),
        name=name,
    )


def _around(path: ClosedPath) -> ClosedPath:
    return path if area(path) > 0.0 else reversed_path(path)
