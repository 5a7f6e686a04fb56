"""Templates to pages. No script and no style is written into a page: both are files of ours."""

from __future__ import annotations

from functools import cache
from typing import Any

from fastapi import Request
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from keyturn import units
from keyturn.glossary import display_unit
from keyturn.report import show
from keyturn.report.show import both_pressures
from keyturn.report.svg import clean
from keyturn.web.shipped import address
from keyturn.web.words import unit_words

# word in the navigation, what is behind it
PAGES = (
    ("home", "Home"),
    ("parts", "Parts"),
    ("check", "Check"),
    ("find", "Find"),
    ("make", "Make"),
    ("drive", "Drive"),
    ("papers", "Papers"),
)
LOOKS = ("auto", "light", "dark", "sun")


def svg(drawing: str) -> Markup:
    """A drawing of report/, in which the writer has escaped every word."""
    return Markup(drawing)


def quantity(si: float, name: str) -> Markup:
    """A number that the page can show in another unit; see static/js/units.js."""
    words = words_of(si, name)
    return Markup('<data class="q" value="{}" data-quantity="{}">{}</data>').format(
        f"{si:.6g}", name, words
    )


def words_of(si: float, name: str) -> str:
    """An SI value in the unit that is shown first; pressures in kPa and psi."""
    first = display_unit(name)
    if first in ("kPa", "bar"):
        return both_pressures(si)
    number = show.number(units.from_si(si, name, "" if first == "-" else first))
    return f"{number} {unit_words(first)}".strip()


def _tidy(value: object) -> object:
    is_words = isinstance(value, str) and not isinstance(value, Markup)
    return clean(str(value)) if is_words else value


@cache
def environment() -> Environment:
    home = Environment(
        loader=PackageLoader("keyturn.web", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_tidy,
    )
    home.globals.update(static=address, svg=svg, pages=PAGES, q=quantity, shown=unit_words)
    return home


def page(request: Request, template: str, status: int = 200, **data: Any) -> HTMLResponse:
    """One page. ``car`` (a `shelf.Car`) and ``here`` (a word of PAGES) when it belongs to one."""
    asked = request.cookies.get("look", "auto")
    data.setdefault("car", None)
    data.setdefault("here", "")
    text = environment().get_template(template).render(
        look=asked if asked in LOOKS else "auto", request=request, **data
    )  # fmt: skip
    return HTMLResponse(text, status)
