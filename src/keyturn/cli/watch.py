"""The verb `watch`: live values, and a plain loud alarm when a limit of the step is crossed."""

from __future__ import annotations

import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TextIO

import typer

from keyturn.cli import doors
from keyturn.cli.options import BuildPath, Json
from keyturn.errors import Place, ValueRefused

if TYPE_CHECKING:
    from keyturn.logs.alarm import Change, Status
    from keyturn.logs.live import LiveValue
    from keyturn.tasks.watch import Watch
    from keyturn.tasks.watch_kept import Ended

SHOWN = 0.2  # [s] between two pictures of the values
BELL = "\a"
RED, DARK, PLAIN = "\033[1;97;41m", "\033[1;30;43m", "\033[0m"
PATTERN = {"alarm": "/////", "lost": "#####", "unrecorded": "xxxxx", "part": ".....",
           "waiting": "-----", "ok": ""}  # fmt: skip


def watch(
    build: BuildPath,
    source: Annotated[
        str,
        typer.Option(
            metavar="SOURCE",
            help="simulated, file:PATH, can:INTERFACE:CHANNEL or obd:INTERFACE:CHANNEL.",
        ),
    ] = "simulated",
    step: Annotated[
        str, typer.Option(metavar="STEP", help="Ladder step; the next one if unsaid.")
    ] = "",
    dbc: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Names of the signals on the bus.")
    ] = None,
    mapped: Annotated[
        list[str] | None,
        typer.Option(
            "--map", metavar="CHANNEL=NAME as UNIT", help="Say what a column or signal is."
        ),
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(metavar="S", help="End after so long; else by Ctrl-C.")
    ] = None,
    left: Annotated[
        bool, typer.Option("--last", help="Watch nothing: say what the last watch left.")
    ] = False,
    said: Annotated[
        list[str] | None,
        typer.Option(
            "--climb",
            metavar="FIELD=yes|no",
            help="Watch nothing: record the last watch as its step, nothing-new=yes and so on.",
        ),
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="Beside that record.")] = "",
    sure: Annotated[bool, typer.Option("--sure", help="Its numbers are right as read.")] = False,
    json: Json = None,
) -> None:
    """Watch the car live by the limits of its ladder step; every value is recorded in logs/.

    It never commands the car: from a bus only reading requests leave. The driver does not look at
    it: a passenger does, or the ears.
    """
    if seconds is not None and not 0.0 < seconds < float("inf"):
        raise ValueRefused("is no time to watch", Place(key="--seconds"), f"{seconds:g}",
                           "seconds above nought, such as 60; left out: until Ctrl-C")  # fmt: skip
    if left or said:
        _after(build, said or [], note, sure, json)
        return
    with doors.progress(f"asking the model of {build}"):
        from keyturn.tasks.log import answers
        from keyturn.tasks.watch import Watch
        from keyturn.tasks.watch_words import limits_in_words

        # with the answer as JSON on standard output, words go elsewhere
        heard = _Crier(sys.stderr if json == "-" else sys.stdout)
        made = Watch(build, source, step, dbc, answers(mapped or []), heard.hear)
    heard.say(_head(made, limits_in_words(made.numbers)))
    made.start()
    for name in ("SIGTERM", "SIGHUP"):  # a terminal that is closed ends it as Ctrl-C does
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.default_int_handler)
    try:
        _show(made, heard, seconds)
    except KeyboardInterrupt:
        heard.say("")
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # pressed twice: it is ending already
        # also when nobody reads any more: without its end it would count as cut off
        ended = made.stop()
    heard.say(_end(ended, build))
    if json is not None:
        doors.put_json(_json(ended), json)


def _after(build: Path, said: list[str], note: str, sure: bool, json: str | None) -> None:
    """What the last watch left, or that as the record of its step."""
    from keyturn.errors import CannotAnswer
    from keyturn.tasks.watch_climb import climb_of, recorded, since
    from keyturn.tasks.watch_kept import last

    with doors.progress(f"looking for the last watch of {build}"):
        ended = last(build)
    if ended is None:
        raise CannotAnswer("no watch of this car has ended", ("watch it first: keyturn watch",))
    told: dict[str, object] = _json(ended)
    if said:
        row = climb_of(build, ended, doors.changes(said), note, sure)
        words = f"{row.step} recorded clean" if row.clean else f"{row.step} is not clean: {row.why}"
        told |= {"clean": row.clean, "why": row.why}
    else:
        before = recorded(build, ended)
        lines = [f"{ended.step}, {ended.seconds:.0f} s, {ended.source}", _end(ended, build)]
        lines += [f"no clean step: {why}" for why in since(build, ended)]
        if before is not None:
            lines.append(f"recorded already as {'clean' if before.clean else 'not clean'}")
        words = "\n".join(lines)
    if json is not None:
        doors.put_json(told, json)
    if json != "-":
        doors.put(words)


class _Crier:
    """Bell and word on a terminal; lines of words into a file."""

    def __init__(self, out: TextIO) -> None:
        self.out, self.terminal = out, out.isatty()

    def say(self, text: str) -> None:
        self.out.write(("\r\033[K" if self.terminal else "") + text + "\n")
        self.out.flush()

    def hear(self, changes: tuple[Change, ...], status: Status) -> None:
        """At once, from whatever thread found it."""
        for change in changes:
            if change.began:
                word = status.look.word if change.kind == "alarm" else ""
                bell = BELL if self.terminal else ""
                self.say(f"{bell}*** {word + ': ' if word else ''}{change.words} ***")
            else:
                self.say(f"    {change.words}")

    def picture(self, values: tuple[LiveValue, ...], status: Status) -> None:
        """One line over itself: the word of the whole, then the values."""
        look, sign = status.look, PATTERN[status.state]
        colour = {"alarm": RED, "lost": DARK, "unrecorded": DARK}.get(status.state, "")
        bell = BELL if look.tone else ""
        word = f"{colour}{sign} {look.word} {sign}{PLAIN if colour else ''}"
        cells = "  ".join(_cell(value) for value in values[:6])
        self.out.write(f"\r\033[K{bell}{word}  {cells}")
        self.out.flush()


def _show(made: Watch, heard: _Crier, seconds: float | None) -> None:
    end = time.monotonic() + (seconds if seconds is not None else float("inf"))
    last = ""
    while (left := end - time.monotonic()) > 0.0:
        time.sleep(min(SHOWN, left))
        status = made.status()
        if heard.terminal:
            heard.picture(made.values(), status)
        elif status.state != last:
            heard.say("; ".join((status.look.word, *status.words, *_missing(status))))
            last = status.state


def _missing(status: Status) -> tuple[str, ...]:
    return tuple(f"not watched: {name}" for name in status.unwatched)


def _cell(value: LiveValue) -> str:
    from keyturn import units

    name = value.name.replace("_", " ")
    if value.value is None or value.age is None:
        return f"{name} -- ({value.words})"
    shown = units.show(value.value, value.name, digits=4)
    return f"{name} {shown}" + (f" ({value.words})" if value.state != "ok" else "")


def _head(made: Watch, limits: tuple[str, ...]) -> str:
    from keyturn.tasks.watch_words import first, stop_rule

    rung = made.told.rung
    lines = [f"{rung.name} {rung.words}, by {made.source_words}"]
    if not made.told.open:
        lines.append(f"{rung.name} IS NOT OPEN: see keyturn steps BUILD ladder")
    lines += [f"OVERRIDDEN: {words}" for words in made.told.overridden]
    lines += [f"  {words}" for words in limits]
    lines.append(f"at an alarm: {first(rung.mode)} {stop_rule(rung)}")
    return "\n".join(lines)


def _end(ended: Ended, build: Path) -> str:
    from keyturn.tasks.watch_climb import AT_PUMP, PUMP, asked, no_evidence

    lines = [f"{ended.lines} lines in {ended.path}"]
    if ended.frames is not None:
        lines.append(f"{ended.frame_lines} frames of the bus in {ended.frames}")
    if ended.unwritten:
        lines.append(f"{ended.unwritten} LINES WERE NOT RECORDED")
    lines += [f"crossed: {words}" for words in ended.crossed]
    lines += [f"not watched: {name}" for name in ended.unwatched]
    lines += [f"no clean step: {words}" for words in ended.against if "alarm: " not in words]
    if not ended.against:
        lines.append("nothing speaks against a clean step; smell, look underneath, listen")
    if not no_evidence(ended):
        answers = " ".join(f"--climb {name}=yes" for name in asked(ended) if name != AT_PUMP)
        lines.append(f"to record {ended.step}: keyturn watch {build} {answers}")
        if PUMP in ended.record:
            taken = f"--climb {AT_PUMP}=yes if it was taken there, " * (AT_PUMP in asked(ended))
            lines.append(
                "  its voltage tells of the wiring only at the pump: add "
                f"{taken}--climb {PUMP}=13.4V by a meter, or --climb {AT_PUMP}=no"
            )
    lines.append(f"next: keyturn log {build} {ended.path} --confirm")
    return "\n".join(lines)


def _json(ended: Ended) -> dict[str, object]:
    return {
        "step": ended.step, "record": str(ended.path), "lines": ended.lines,
        "unwritten": ended.unwritten, "seconds": round(ended.seconds, 3),
        "crossed": list(ended.crossed), "not_watched": list(ended.unwatched),
        "against": list(ended.against), "cut": ended.cut,
        "frames": None if ended.frames is None else str(ended.frames),
        "frame_lines": ended.frame_lines,
    }  # fmt: skip
