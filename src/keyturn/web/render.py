"""Templates to pages. No script and no style is written into a page: both are files of ours."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from typing import Any

from fastapi import Request
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from keyturn.report.svg import clean

# word in the navigation, what is behind it; Make and Drive take their place here when they exist
PAGES = (
    ("home", "Home"),
    ("parts", "Parts"),
    ("check", "Check"),
    ("find", "Find"),
    ("papers", "Papers"),
)
LOOKS = ("auto", "light", "dark", "sun")


@cache
def static_version(name: str) -> str:
    """Part of a file's address that changes with its content."""
    data = (files("keyturn.web") / "static" / name).read_bytes()
    return hashlib.sha256(data).hexdigest()[:10]


def static(name: str) -> str:
    return f"/static/{name}?v={static_version(name)}"


def svg(drawing: str) -> Markup:
    """A drawing of report/, in which the writer has escaped every word."""
    return Markup(drawing)


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
    home.globals.update(static=static, svg=svg, pages=PAGES)
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
