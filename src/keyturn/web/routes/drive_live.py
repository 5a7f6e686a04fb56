"""Live: a watch begun, looked at, acknowledged, ended and recorded; the verb `watch` as pages."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response, StreamingResponse

from keyturn.build.read import load
from keyturn.errors import KeyturnError, Place, ValueRefused
from keyturn.logs.alarm import MEASURES
from keyturn.logs.can_bus import package
from keyturn.procedure.ladder import measures
from keyturn.tasks import ladder as ladder_task
from keyturn.tasks.log import ORIGINALS, answers
from keyturn.tasks.watch import Watch, numbers
from keyturn.tasks.watch_climb import AT_PUMP, PUMP, asked, climb_of, since
from keyturn.tasks.watch_words import first, limits_in_words, stop_rule
from keyturn.web.faults import described
from keyturn.web.live import last_entry
from keyturn.web.live_values import (
    LABELS,
    QUANTITY,
    Room,
    clock_now,
    ended_row,
    looks,
    recorded_words,
)
from keyturn.web.render import page
from keyturn.web.shelf import Car

router = APIRouter()

MOST_FILES = 200
Word = Annotated[str, Field(max_length=60)]
Token = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{8,64}$")]
FileName = Annotated[str, Field(max_length=200)]
Step = Annotated[str, Query(max_length=10)]
FAULTS = {
    "": "Drives the step as the model says",
    "weak-pump": "A pump that grows weak: what the alarm is like",
    "silent": "Falls silent after some seconds",
    "lost": "The adapter is pulled off after some seconds",
}
INTERFACES = ("socketcan", "slcan", "gs_usb", "pcan", "kvaser", "ixxat", "vector", "virtual")
CHANNEL_OF = {"rail-pressure": "rail_gauge"} | {
    name: QUANTITY.get(row[0], row[0]) for name, row in MEASURES.items()
}
RATES = (500_000, 250_000, 125_000, 1_000_000)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class SourceIn(_Strict):
    """Where the values come from. Files are named as they stand in logs/, buses by their kind."""

    kind: Literal["simulated", "file", "obd", "can"]
    fault: Literal["", "weak-pump", "silent", "lost"] = ""
    name: FileName = ""
    # the choices stand once, as tuples; the checker wants them written out here (valid-type)
    interface: Literal[INTERFACES] = "socketcan"  # type: ignore[valid-type]
    channel: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{0,40}$")] = ""
    rate: Literal[RATES] = 500_000  # type: ignore[valid-type]
    mapping: Annotated[list[Annotated[str, Field(max_length=200)]], Field(max_length=40)] = []


class StartIn(_Strict):
    token: Token
    source: SourceIn
    step: Annotated[str, Field(max_length=10)] = ""


class WatchIn(_Strict):
    """The watch that is meant, by the name of its record: a page may lag behind."""

    watch: FileName


class SeenIn(WatchIn):
    up_to: Annotated[int, Field(ge=0, le=10**9)]


class ClimbIn(WatchIn):
    token: Token
    said: Annotated[dict[Word, Literal["yes", "no"]], Field(max_length=4)]
    voltage: Annotated[str, Field(max_length=40)] = ""  # at the pump, by a meter
    note: Annotated[str, Field(max_length=300)] = ""
    sure: bool = False


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


def _room(request: Request, car: Car) -> Room:
    found: Room = request.app.state.watches.of(car)
    return found


# --- pages and their pieces -------------------------------------------------------------------
@router.get("/car/{name}/drive/live", include_in_schema=False)
def live_page(request: Request, name: str) -> Response:
    """The page; the limits of the step and whatever runs already are asked for by it."""
    car = _car(request, name)
    return page(
        request, "drive_live.html", car=car, here="drive", invented=load(car.folder).invented,
        faults=FAULTS, interfaces=INTERFACES, rates=RATES, looks=looks(), labels=LABELS,
        quantities=QUANTITY, **_sources(car),
    )  # fmt: skip


@router.get("/car/{name}/drive/live/step", include_in_schema=False)
def step_piece(request: Request, name: str, step: Step = "") -> Response:
    """The steps to choose from, and the limits of one, stated beforehand."""
    car = _car(request, name)
    told: dict[str, Any] = {"fault": None, "view": None}
    try:
        found = _room(request, car).ladder(car)
        chosen = ladder_task.watched_of(found, step)
        told["view"] = {
            "rows": [
                {"name": door.rung.name, "words": door.rung.words, "open": door.open,
                 "clean": at < found.level}
                for at, door in enumerate(found.openings)
            ],
            "rung": chosen.rung, "open": chosen.open, "overridden": chosen.overridden,
            "limits": limits_in_words(numbers(load(car.folder), chosen)),
            "first": first(chosen.rung.mode), "stop": stop_rule(chosen.rung),
        }  # fmt: skip
    except KeyturnError as refusal:
        told["fault"] = described(refusal)
    return page(request, "drive_live_step.html", car=car, **told)


@router.get("/car/{name}/drive/live/ended", include_in_schema=False)
def ended_piece(request: Request, name: str) -> Response:
    """What the last watch left, and whether it can stand as the record of its step."""
    car = _car(request, name)
    room = _room(request, car)
    room.find()
    ended, recorded, fault = room.ended, room.recorded, room.fault
    view = None
    if ended is not None:
        row = ended_row(ended)
        try:
            row["against"] = (*since(car.folder, ended), *row["against"])
        except KeyturnError as refusal:
            row["no_evidence"] = described(refusal)["problem"]
        view = row | {
            "recorded": recorded, "log_read": "log-read" in ended.record,
            "pump": PUMP in ended.record, "at_pump": AT_PUMP in asked(ended),
            "numbers": [
                (measures()[key].words, worst.value, CHANNEL_OF[key])
                for key, worst in ended.worst.items()
            ],
        }  # fmt: skip
    return page(request, "drive_live_ended.html", car=car, view=view, fault=fault)


def _sources(car: Car) -> dict[str, Any]:
    """What there is to watch: logs that may grow, files with the names of a bus, python-can."""
    bus = ""
    for module in ("can", "cantools"):
        try:
            package(module)
        except KeyturnError as refusal:
            row = described(refusal)
            bus = f"{row['problem']}: {row.get('do', '')}"
            break
    return {
        "logs": _files(car, (".csv", ".tsv", ".txt")),
        "names": _files(car, (".dbc",)),
        "no_bus": bus,
    }


def _files(car: Car, kinds: tuple[str, ...]) -> list[str]:
    """Names in logs/ that a watch could read; its own records are not among them."""
    folder = car.folder / ORIGINALS
    if not folder.is_dir():
        return []
    found = [
        path.name
        for path in folder.iterdir()
        if path.suffix.lower() in kinds
        and path.is_file()
        and not path.is_symlink()
        and not path.name.startswith((".", "watch-"))
    ]
    return sorted(found)[-MOST_FILES:]


# --- JSON -------------------------------------------------------------------------------------
@router.get("/api/car/{name}/watch")
def watch_json(request: Request, name: str) -> dict[str, Any]:
    """How the watch of a build stands, what the last one left, what could be watched."""
    car = _car(request, name)
    room = _room(request, car)
    room.find()
    ended = room.ended
    return {
        "watch": room.about() | room.now() if room.watch is not None else None,
        "ended": ended_row(ended) if ended is not None else None,
        "sources": _sources(car),
    }


@router.get("/api/car/{name}/watch/clock")
async def clock(name: str) -> dict[str, int]:
    """The clock [ms] that every state is dated by: a page finds out how late they come."""
    return {"t": clock_now()}


@router.get("/api/car/{name}/watch/values", include_in_schema=False)
async def values(request: Request, name: str) -> Response:
    """The event stream: "watch" when one begins or ends, a state twenty times a second."""
    car = _car(request, name)
    if request.app.state.watches.full:
        raise HTTPException(429, "too many pages look already; close some")
    frames = _room(request, car).listen(request.app.state.live)
    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return StreamingResponse(frames, media_type="text/event-stream", headers=headers)


@router.post("/api/car/{name}/watch/start")
def start(request: Request, name: str, body: StartIn) -> dict[str, Any]:
    """Begin a watch; sent again under the same token it is begun once."""
    car = _car(request, name)
    source, names = _chosen(car, body.source)
    room = _room(request, car)
    told = ladder_task.watched_of(room.ladder(car), body.step)
    begin = partial(Watch, car.folder, source, dbc=names, mapping=answers(body.source.mapping),
                    told=told)  # fmt: skip
    room.start(begin, body.token)
    return room.about()


@router.post("/api/car/{name}/watch/stop")
def stop(request: Request, name: str, body: WatchIn) -> dict[str, Any]:
    """End it; what was recorded is on the disk when this is answered."""
    ended = _room(request, _car(request, name)).stop(body.watch)
    return {"ended": ended_row(ended) if ended is not None else None}


@router.post("/api/car/{name}/watch/acknowledge")
def acknowledge(request: Request, name: str, body: SeenIn) -> dict[str, Any]:
    """Somebody saw the alarms up to that number; it stands in the record."""
    room = _room(request, _car(request, name))
    watch, seen = room.watch, 0
    if watch is not None and body.watch == room.id:
        seen = len(watch.acknowledge(body.up_to))
        room.wake()
    return {"seen": seen}


@router.post("/api/car/{name}/watch/climb")
def climb(request: Request, name: str, body: ClimbIn) -> dict[str, Any]:
    """Record the step by what was watched: clean only when nothing speaks against it."""
    car = _car(request, name)
    room = _room(request, car)
    room.find()
    ended = room.ended
    if ended is None or ended.path.name != body.watch:
        raise ValueRefused(
            "that watch is not at hand any more", typed=body.watch,
            advice="its log is in the build: read it on Logs, type the numbers on Steps",
        )  # fmt: skip
    with car.writing:
        said = {**body.said, **({PUMP: body.voltage} if body.voltage.strip() else {})}
        row = climb_of(car.folder, ended, said, body.note, body.sure, body.token)
    room.recorded = words = recorded_words(row)
    room.wake()
    last = last_entry(car)
    request.app.state.live.tell(car.name, "journal", {"last": last})
    return {"clean": row.clean, "why": row.why, "words": words, "last": last}


def _chosen(car: Car, asked: SourceIn) -> tuple[str, Path | None]:
    """The source as the task names it; files only from among those that were listed."""
    if asked.kind == "simulated":
        return ":".join(filter(None, ("simulated", asked.fault))), None
    if asked.kind == "file":
        if asked.name not in _files(car, (".csv", ".tsv", ".txt")):
            raise ValueRefused("there is no such log in the build", Place(key="source"), asked.name,
                               advice="start the logger into logs/ first")  # fmt: skip
        return f"file:{asked.name}", None
    if not asked.channel:
        raise ValueRefused("which channel of the interface?", Place(key="source"),
                           accepted="such as can0, ttyUSB0 or PCAN_USBBUS1")  # fmt: skip
    names = None
    if asked.kind == "can":
        if asked.name not in _files(car, (".dbc",)):
            raise ValueRefused("a bus without names says nothing", Place(key="source"), asked.name,
                               advice="put its DBC file into logs/")  # fmt: skip
        names = car.folder / ORIGINALS / asked.name
    return f"{asked.kind}:{asked.interface}:{asked.channel}:{asked.rate}", names
