"""A small SVG writer: every figure is drawn with it, in the page, alone and in the PDF.

``inline=True`` paints with CSS variables of the page (light and dark); otherwise the colours are
written out and the paper is white, so that the file stands alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape, quoteattr

COLOURS = {
    "ink": "#1c2a36",  # what is drawn: axes, parts, words
    "paper": "#ffffff",
    "fuel": "#14598f",  # fuel under pressure, as predicted
    "holds": "#2c7248",
    "tight": "#96600a",
    "short": "#ab2a22",  # also what is demanded and the worst point
    "air": "#6a4a86",
    "quiet": "#6a7680",  # help lines, what cannot be reached
}
FONT = "'DejaVu Sans', 'Segoe UI', Roboto, 'Helvetica Neue', Arial, 'DejaVu Sans Mono', sans-serif"
GLYPH = 0.602  # advance of the monospaced font above in em; the others are narrower on the whole
TEXT = 12.0
SMALL = 11.0
THIN, LINE, THICK = 0.7, 1.3, 2.4

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")

_MOTIFS = {
    "diagonal": (7, "M-1 8L8 -1M-1 1L1 -1M6 8L8 6"),
    "back": (7, "M-1 -1L8 8M6 -1L8 1M-1 6L1 8"),
    "level": (6, "M0 3H6"),
    "upright": (6, "M3 0V6"),
    "grid": (8, "M0 4H8M4 0V8"),
    "cross": (8, "M0 0L8 8M8 0L0 8"),
    "dots": (7, "M2 2h1.4v1.4h-1.4zM5.5 5.5h1.4v1.4h-1.4z"),
}


def clean(text: str) -> str:
    """Text without the characters that XML forbids."""
    return _CONTROL.sub("�", text)


def text_width(text: str, size: float = TEXT) -> float:
    """An upper estimate of the drawn width."""
    return len(text) * GLYPH * size


def wrap(text: str, width: float, size: float = TEXT) -> list[str]:
    """Lines not wider than ``width``; a word that is too long is cut, nothing is dropped."""
    room = max(3, int(width / (GLYPH * size)))
    lines: list[str] = []
    line = ""
    for word in text.split():
        while len(word) > room:
            head = room - len(line) - 1 if line else room
            if head < 3:
                lines.append(line)
                line, head = "", room
            line = f"{line} {word[:head]}".strip()
            word = word[head:]
            lines.append(line)
            line = ""
        if line and len(line) + 1 + len(word) > room:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    if line or not lines:
        lines.append(line)
    return lines


def points(pairs: Iterable[Sequence[float]], close: bool = False) -> str:
    """Path data through the pairs."""
    steps = [f"{x:.1f} {y:.1f}" for x, y in pairs]
    return "M" + "L".join(steps) + ("Z" if close else "") if steps else ""


class Drawing:
    """One figure; ``name`` makes its ids unique when several stand in one page."""

    def __init__(self, name: str, width: float, title: str, about: str, *, inline: bool) -> None:
        self.name = name
        self.width = width
        self.height = 0.0
        self.title = title
        self.about = about
        self.inline = inline
        self._defs: dict[str, str] = {}
        self._marks: list[str] = []

    def colour(self, token: str) -> str:
        if token not in COLOURS:
            return token
        return f"var(--{token})" if self.inline else COLOURS[token]

    def _add(self, tag: str, attributes: dict[str, object], body: str | None = None) -> None:
        words = "".join(
            f" {key.rstrip('_').replace('_', '-')}={quoteattr(clean(str(value)))}"
            for key, value in attributes.items()
            if value is not None
        )
        self._marks.append(f"<{tag}{words}/>" if body is None else f"<{tag}{words}>{body}</{tag}>")

    def path(
        self,
        data: str,
        stroke: str = "ink",
        width: float = LINE,
        *,
        dash: str | None = None,
        fill: str = "none",
        opacity: float | None = None,
    ) -> None:
        """A path; ``opacity`` is that of the fill."""
        if not data:
            return
        edge: dict[str, object] = {"stroke": "none"}
        if stroke != "none":
            edge = {"stroke": self.colour(stroke), "stroke_width": width, "stroke_dasharray": dash}
            edge["stroke_linejoin"] = "round"
        self._add("path", {"d": data, "fill": self.colour(fill), "fill_opacity": opacity, **edge})

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        stroke: str = "ink",
        width: float = LINE,
        dash: str | None = None,
    ) -> None:
        self.path(points(((x1, y1), (x2, y2))), stroke, width, dash=dash)

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        fill: str = "none",
        stroke: str = "none",
        line: float = THIN,
        opacity: float | None = None,
    ) -> None:
        corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
        self.path(points(corners, close=True), stroke, line, fill=fill, opacity=opacity)

    def ring(
        self, x: float, y: float, radius: float, stroke: str = "ink", fill: str = "paper"
    ) -> None:
        where = {"cx": f"{x:.1f}", "cy": f"{y:.1f}", "r": radius}
        paint = {"fill": self.colour(fill), "stroke": self.colour(stroke), "stroke_width": LINE}
        self._add("circle", {**where, **paint})

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = TEXT,
        *,
        anchor: str = "start",
        colour: str = "ink",
        bold: bool = False,
        turn: float | None = None,
    ) -> None:
        """Words with their base line at y."""
        spin = None if turn is None else f"rotate({turn:g} {x:.1f} {y:.1f})"
        where = {"x": f"{x:.1f}", "y": f"{y:.1f}", "font_size": size, "text_anchor": anchor}
        look = {"fill": self.colour(colour), "font_weight": "bold" if bold else None}
        self._add("text", {**where, **look, "transform": spin}, escape(clean(words)))

    def place(self, x: float, y: float, figure: str) -> float:
        """Another finished figure inside this one, corner at x, y; returns its height."""
        height = float(re.search(r'height="([\d.]+)"', figure)[1])  # type: ignore[index]
        self._marks.append(figure.strip().replace("<svg ", f'<svg x="{x:g}" y="{y:g}" ', 1))
        return height

    def spot(self, x: float, y: float, width: float, height: float, to: str) -> None:
        """A place that can be touched; what happens then is the page's affair."""
        where = {"x": f"{x:.1f}", "y": f"{y:.1f}", "width": f"{width:.1f}"}
        touched = {"height": f"{height:.1f}", "fill": "transparent", "data-to": to}
        self._add("rect", {**where, **touched})

    def pattern(self, motif: str, token: str) -> str:
        """A paint of a pale tint with the motif drawn over it."""
        key = f"{self.name}-{motif}-{token}"
        size, data = _MOTIFS[motif]
        ink = self.colour(token)
        self._defs[key] = (
            f'<pattern id="{key}" width="{size}" height="{size}" patternUnits="userSpaceOnUse">'
            f'<rect width="{size}" height="{size}" fill="{ink}" fill-opacity="0.10"/>'
            f'<path d="{data}" fill="none" stroke="{ink}" stroke-width="0.8"'
            ' stroke-opacity="0.55"/></pattern>'
        )
        return f"url(#{key})"

    def render(self) -> str:
        """The finished SVG element."""
        size = f"0 0 {self.width:g} {self.height:.0f}"
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{size}" width="{self.width:g}"'
            f' height="{self.height:.0f}" role="img" aria-labelledby="{self.name}-t {self.name}-d"'
            f' font-family="{FONT}">'
            f'<title id="{self.name}-t">{escape(clean(self.title))}</title>'
            f'<desc id="{self.name}-d">{escape(clean(self.about))}</desc>'
        )
        paper = "" if self.inline else '<rect width="100%" height="100%" fill="#ffffff"/>'
        defs = f"<defs>{''.join(self._defs.values())}</defs>" if self._defs else ""
        return head + defs + paper + "".join(self._marks) + "</svg>\n"
