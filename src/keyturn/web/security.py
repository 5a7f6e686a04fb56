"""The door: everything that comes in passes here first, everything that goes out passes here last.

Plain ASGI around the whole application, because middleware that only knows requests and responses
covers neither an event stream nor a websocket, nor the answer to an exception. It judges who asks,
under which name and from which page, counts a body while it is read, and writes the headers.
"""

from __future__ import annotations

import asyncio
import ipaddress
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

from fastapi import Request
from starlette.datastructures import MutableHeaders
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from keyturn.web.config import Config, Limits
from keyturn.web.faults import answer, wants_json
from keyturn.web.sessions import Sessions
from keyturn.web.shipped import PLACE

LOCAL = "keyturn.local"  # key of a scope: whether this very computer asks
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,  # a route may state its own, as the report page does
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=(), payment=(), usb=()",
    "cache-control": "no-store",  # files that are shipped state their own
}
QUIET = ("GET", "HEAD", "OPTIONS")  # methods that change nothing
BEFORE_PAIRING = ("/door", "/api/door")  # and what is shipped
FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip", "via")
# last words of addresses that take a file instead of JSON
LOGS = "logs"
FILE_ADDRESSES = ("archive", "import", "upload", LOGS)


@dataclass(frozen=True)
class Refusal:
    """Why a request goes no further."""

    status: int
    problem: str
    do: str = ""
    headers: dict[str, str] = field(default_factory=dict)

    def response(self, request: Request) -> Response:
        row = {"kind": "refused", "problem": self.problem} | ({"do": self.do} if self.do else {})
        made = answer(request, row, self.status)
        made.headers.update(self.headers)
        return made


WRONG_NAME = Refusal(
    403, "this server is not asked under that name",
    "use an address that it printed when it started; more names with --name",
)  # fmt: skip
FOREIGN = Refusal(
    403, "this was not asked by a page of keyturn",
    "use the pages; a program of your own has to send the Origin header",
)  # fmt: skip
NOT_FROM_HERE = Refusal(403, "this server answers this computer only", "start it with --lan")
UNPAIRED = Refusal(401, "this device is not paired", "open /door and type the code")
TOO_LARGE = Refusal(413, "that is larger than the server takes", headers={"connection": "close"})
TOO_SLOW = Refusal(408, "the rest of it never came", "send it again", {"connection": "close"})
NO_LENGTH = Refusal(400, "the length of the body cannot be read")
NOT_JSON = Refusal(415, "the body is not JSON", "send it as application/json")
NO_ADDRESS = Refusal(404, "there is no such page")


class _Stopped(Exception):
    """Ends the reading of a body; the answer was decided already."""


class _Body:
    """``receive`` that counts: what is announced is not believed, what comes is measured."""

    def __init__(self, receive: Receive, most: int, silence: float, seconds: float) -> None:
        self._receive = receive
        self._most = most
        self._silence = silence
        self._left = seconds  # of waiting for the other side; our own work does not count
        self._read = 0
        self._whole = False
        self.refusal: Refusal | None = None

    async def __call__(self) -> Message:
        if self._whole:
            return await self._receive()  # waits for the other side to go away, however long
        began = time.monotonic()
        try:
            message = await asyncio.wait_for(self._receive(), min(self._silence, self._left))
        except TimeoutError:
            raise self._stop(TOO_SLOW) from None
        self._left = max(0.0, self._left - (time.monotonic() - began))
        if message["type"] == "http.request":
            self._read += len(message.get("body", b""))
            if self._read > self._most:
                raise self._stop(TOO_LARGE)
            self._whole = not message.get("more_body", False)
        return message

    def _stop(self, refusal: Refusal) -> _Stopped:
        self.refusal = refusal
        return _Stopped()


class Guard:
    """Around the whole application."""

    def __init__(self, app: ASGIApp, config: Config, sessions: Sessions) -> None:
        self.app = app
        self.config = config
        self.sessions = sessions
        self._authorities = config.authorities()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket":
            scope[LOCAL] = self._is_local(scope)
            if self._judge(scope) is None:
                await self.app(scope, receive, send)
            else:
                await receive()
                await send({"type": "websocket.close", "code": 1008})
        elif scope["type"] == "http":
            scope[LOCAL] = self._is_local(scope)
            await self._http(scope, receive, send)

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope)
        refusal = self._judge(scope) or self._judge_body(scope)
        started = False

        async def out(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        if refusal is not None:
            await self._refused(refusal, request)(scope, receive, out)
            return
        body = self._counted(scope, receive)

        async def unless_stopped(message: Message) -> None:
            # what the application says about a body that was cut off here is beside the point
            if body.refusal is None or started:
                await out(message)

        try:
            await self.app(scope, body, unless_stopped)
        except Exception:
            if body.refusal is None:
                raise
        if body.refusal is not None and not started:
            await body.refusal.response(request)(scope, receive, out)

    def _refused(self, refusal: Refusal, request: Request) -> Response:
        if refusal is UNPAIRED and not wants_json(request):
            then = quote(request.url.path)
            return RedirectResponse(f"/door?then={then}", 303)
        return refusal.response(request)

    def _counted(self, scope: Scope, receive: Receive) -> _Body:
        limits = self.config.limits
        seconds = limits.upload_time if takes_file(scope["path"]) else limits.body_time
        return _Body(receive, most_of(limits, scope["path"]), limits.silence, seconds)

    # --- who asks, and for what --------------------------------------------------------------
    def _is_local(self, scope: Scope) -> bool:
        """Whether this very computer asks, and not through something that passes on for others."""
        if any(headers_of(scope, name) for name in FORWARDED):
            return False
        return is_loopback(scope) or (not self.config.lan and is_loopback(scope) is None)

    def _judge(self, scope: Scope) -> Refusal | None:
        hosts = headers_of(scope, "host")
        if len(hosts) != 1 or hosts[0].lower() not in self._authorities:
            return WRONG_NAME
        if not scope[LOCAL] and not self.config.lan:
            return NOT_FROM_HERE
        path = scope["path"]
        if any(ord(sign) < 0x20 or sign in "\x7f\\" for sign in path):
            return NO_ADDRESS
        if not _from_our_page(scope, hosts[0].lower()):
            return FOREIGN
        is_open = path in BEFORE_PAIRING or path.startswith(PLACE)
        if not scope[LOCAL] and not is_open and not self._is_paired(scope):
            return UNPAIRED
        return None

    def _is_paired(self, scope: Scope) -> bool:
        key = Request({**scope, "type": "http"}).cookies.get(cookie_name(self.config), "")
        return self.sessions.known(key)

    def _judge_body(self, scope: Scope) -> Refusal | None:
        lengths = headers_of(scope, "content-length")
        if any(not length.isdecimal() for length in lengths) or len(lengths) > 1:
            return NO_LENGTH
        length = int(lengths[0]) if lengths else 0
        if length > most_of(self.config.limits, scope["path"]):
            return TOO_LARGE
        has_body = length > 0 or bool(headers_of(scope, "transfer-encoding"))
        if has_body and not takes_file(scope["path"]):
            kinds = [kind.partition(";")[0].strip() for kind in headers_of(scope, "content-type")]
            if kinds != ["application/json"]:
                return NOT_JSON
        return None


def headers_of(scope: Scope, name: str) -> list[str]:
    """Every value of a header; there may be several, or none."""
    wanted = name.encode()
    rows: Iterable[tuple[bytes, bytes]] = scope["headers"]
    return [value.decode("latin-1").strip() for key, value in rows if key.lower() == wanted]


def is_loopback(scope: Scope) -> bool | None:
    """Whether the address that asks is this computer's own; None when it is no address at all."""
    client: Any = scope.get("client")
    try:
        return ipaddress.ip_address(client[0]).is_loopback
    except (TypeError, ValueError, IndexError):
        return None


def _from_our_page(scope: Scope, host: str) -> bool:
    """Whether a page of ours asks, as far as the browser says.

    Methods that change something and websockets have to say where they come from. The event stream
    and everything else that is only fetched must not come from elsewhere; a link to a page may.
    """
    origins = headers_of(scope, "origin")
    sites = headers_of(scope, "sec-fetch-site")
    if any(origin.lower() != f"http://{host}" for origin in origins) or len(origins) > 1:
        return False
    if scope["type"] == "websocket" or scope["method"] not in QUIET:
        return bool(origins) and all(site == "same-origin" for site in sites)
    is_link = (
        headers_of(scope, "sec-fetch-mode") == ["navigate"]
        and headers_of(scope, "sec-fetch-dest") == ["document"]
        and not scope["path"].startswith("/api/")
    )
    return is_link or all(site in ("same-origin", "none") for site in sites)


def takes_file(path: str) -> bool:
    return path.rpartition("/")[2] in FILE_ADDRESSES


def most_of(limits: Limits, path: str) -> int:
    """How many bytes may come to an address."""
    if path.endswith(f"/{LOGS}"):
        return limits.log
    return limits.upload if takes_file(path) else limits.body


def cookie_name(config: Config) -> str:
    """Browsers share cookies between the ports of a machine, so that the port stands in it."""
    return f"keyturn-{config.port}"
