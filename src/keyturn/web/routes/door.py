"""The door: a device types the code here; this computer shows it and can turn everyone out."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, HTTPException, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import JSONResponse, Response

from keyturn.web import qr
from keyturn.web.config import Config
from keyturn.web.pairing import Pairing, ShutOut, WrongCode
from keyturn.web.render import page
from keyturn.web.security import LOCAL, cookie_name
from keyturn.web.sessions import OLDEST, Sessions

router = APIRouter(tags=["door"])


class Typed(BaseModel):
    """The code as it was typed; spaces and hyphens do not matter."""

    model_config = ConfigDict(extra="forbid")
    code: Annotated[str, Field(min_length=1, max_length=20)]


class Stand(BaseModel):
    """Whether this device may come in."""

    paired: bool


class Devices(BaseModel):
    """How many devices were turned out."""

    turned_out: int


@router.get("/door", include_in_schema=False)
def door(request: Request) -> Response:
    """On this computer the code, its drawing and the devices; elsewhere a place to type it."""
    state = request.app.state
    if not request.scope[LOCAL]:
        return page(request, "door.html", mine=False, here="door")
    config: Config = state.config
    code = state.pairing.show() if config.lan else None
    return page(
        request, "door.html", mine=True, here="door", lan=config.lan, code=code,
        address=lan_address(config), devices=state.sessions.devices(),
        minutes=state.pairing.left(code) if code else 0,
        drawing=qr.drawing(f"{lan_address(config)}door#{code.digits}") if code else "",
    )  # fmt: skip


@router.get("/api/door")
def stand(request: Request) -> Stand:
    """Whether this device may come in."""
    config, sessions = request.app.state.config, request.app.state.sessions
    key = request.cookies.get(cookie_name(config), "")
    return Stand(paired=bool(request.scope[LOCAL]) or sessions.known(key))


@router.post("/api/door", response_model=Stand)
def pair(request: Request, typed: Typed) -> Response:
    """Take the code of a device and give it a key of its own."""
    pairing: Pairing = request.app.state.pairing
    sessions: Sessions = request.app.state.sessions
    config: Config = request.app.state.config
    address = request.client.host if request.client else ""
    if not config.lan:
        raise HTTPException(403, "this server answers this computer only; there is no code")
    try:
        pairing.spend(typed.code, address)
    except WrongCode:
        raise HTTPException(403, "that is not the code, or it was used or is too old") from None
    except ShutOut as fault:
        minutes = math.ceil(fault.wait / 60)
        raise HTTPException(
            429, f"too many wrong codes; wait {minutes} min, or make a new code at the computer",
            {"retry-after": str(math.ceil(fault.wait))},
        ) from None  # fmt: skip
    key = sessions.open(address, device_name(request.headers.get("user-agent", "")))
    made = JSONResponse({"paired": True})
    # no Secure: the garage network speaks plain HTTP, and a cookie marked so would not come back
    made.set_cookie(cookie_name(config), key, max_age=int(OLDEST), path="/",
                    httponly=True, samesite="strict")  # fmt: skip
    return made


@router.post("/api/door/code", status_code=204)
def renew(request: Request) -> None:
    """Make a new code, which also ends a lock-out; at this computer only."""
    _only_here(request)
    request.app.state.pairing.renew()


@router.delete("/api/door/devices")
def turn_out(request: Request) -> Devices:
    """Turn every device out, also those that are listening; at this computer only."""
    _only_here(request)
    count = request.app.state.sessions.close_all()
    request.app.state.live.end_all()
    return Devices(turned_out=count)


def _only_here(request: Request) -> None:
    if not request.scope[LOCAL]:
        raise HTTPException(403, "that can be done at the computer itself only")


def lan_address(config: Config) -> str:
    """Where a device on the same network finds this server."""
    name = config.hosts[0] if config.hosts else config.host
    return f"http://{f'[{name}]' if ':' in name else name}:{config.port}/"


def device_name(agent: str) -> str:
    """A word for the kind of device, from what its browser calls itself."""
    kinds = {"iPhone": "iPhone", "iPad": "iPad", "Android": "Android", "Windows": "Windows",
             "Macintosh": "Mac", "Linux": "Linux"}  # fmt: skip
    return next((word for sign, word in kinds.items() if sign in agent), "a device")
