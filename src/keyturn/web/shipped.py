"""Scripts, styles and drawings that are shipped, served from memory.

They are read once when the server starts; an address is looked up among their names and never
becomes a path, so that there is nothing to climb out of and no folder to list. The version stands
in the address before the name, so that a script that imports "./core.js" gets the same one as the
page does, and a browser keeps all of it until a new keyturn comes.
"""

from __future__ import annotations

import gzip
import hashlib
import mimetypes
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

PLACE = "/static/"
FOREVER = "public, max-age=31536000, immutable"
TYPES = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml",
         ".woff2": "font/woff2"}  # fmt: skip


@cache
def shipped() -> dict[str, bytes]:
    """Content of every file by its name below static/."""
    found: dict[str, bytes] = {}

    def walk(folder: Traversable, above: str) -> None:
        for item in folder.iterdir():
            if item.is_dir():
                walk(item, f"{above}{item.name}/")
            else:
                found[above + item.name] = item.read_bytes()

    walk(files("keyturn.web") / "static", "")
    return found


@cache
def squeezed() -> dict[str, bytes]:
    """The same of scripts and styles, as they travel to a browser that takes gzip."""
    return {
        name: gzip.compress(data, 9, mtime=0)
        for name, data in shipped().items()
        if name.endswith((".js", ".css"))
    }


@cache
def version() -> str:
    """Another one whenever any of the files is."""
    sums = [name.encode() + hashlib.sha256(data).digest() for name, data in shipped().items()]
    return hashlib.sha256(b"".join(sorted(sums))).hexdigest()[:10]


def address(name: str) -> str:
    """Where a page finds the file called ``name``; a misspelt one fails where it is written."""
    if name not in shipped():
        raise LookupError(f"no file is shipped as {name}")
    return f"{PLACE}{version()}/{name}"


async def serve(scope: Scope, receive: Receive, send: Send) -> None:
    """The files as an application; GET and HEAD only."""
    asked, _, name = scope["path"].removeprefix(PLACE).partition("/")
    data = shipped().get(name)
    if data is None:
        answer = Response("there is no such file\n", 404, media_type="text/plain")
    elif scope["method"] not in ("GET", "HEAD"):
        answer = Response("", 405, {"allow": "GET, HEAD"})
    else:
        suffix = name[name.rfind(".") :]
        kind = TYPES.get(suffix) or mimetypes.guess_type(name)[0] or "application/octet-stream"
        # a page of an older keyturn may still ask for its own version: it gets ours, unkept
        kept = FOREVER if asked == version() else "no-store"
        headers = {"cache-control": kept, "vary": "accept-encoding"}
        if name in squeezed() and _takes_gzip(scope):
            data, headers["content-encoding"] = squeezed()[name], "gzip"
        answer = Response(data, 200, headers, kind)
    await answer(scope, receive, send)


def _takes_gzip(scope: Scope) -> bool:
    asked = [value for key, value in scope["headers"] if key == b"accept-encoding"]
    words = [word.strip() for value in asked for word in value.lower().split(b",")]
    return b"gzip" in words
