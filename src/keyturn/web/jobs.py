"""Long work in a process of its own: it can be watched, and stopping it is killing it.

At most two run at once, the others wait their turn. A job that dies of whatever cause says so.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import secrets
import signal
import sys
import threading
import time
import traceback
import weakref
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from importlib import import_module
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any

from keyturn.errors import KeyturnError, ValueRefused
from keyturn.web.missing import NoSuchJob
from keyturn.web.shelf import Car

MOST_AT_ONCE = 2
MOST_WAITING = 8
MOST_KEPT = 20  # finished jobs whose results can still be fetched
TOLD_EVERY = 0.1  # [s] between two words of progress

Tell = Callable[[str, str, dict[str, Any]], None]


@dataclass(eq=False)
class Job:
    """One piece of long work. ``state``: waiting, running, done, stopped or failed."""

    id: str
    car: str
    word: str
    state: str = "waiting"
    done: int = 0
    of: int = 0
    words: str = ""
    result: Any = None
    error: dict[str, Any] | None = None
    process: SpawnProcess | None = field(default=None, repr=False)
    stopping: bool = field(default=False, repr=False)
    answered: bool = field(default=False, repr=False)  # the result came, which may be nothing

    @property
    def over(self) -> bool:
        return self.state in ("done", "stopped", "failed")

    def news(self) -> dict[str, Any]:
        """What the live channel says of it."""
        return {name: getattr(self, name) for name in ("id", "word", "done", "of", "state")}

    def row(self) -> dict[str, Any]:
        """Everything, as the JSON twin shows it."""
        full: dict[str, Any] = {**self.news(), "words": self.words}
        if self.result is not None:
            full["result"] = self.result
        if self.error is not None:
            full["error"] = self.error
        return full


class Jobs:
    """All jobs of one server."""

    def __init__(self, tell: Tell, most_at_once: int = MOST_AT_ONCE) -> None:
        self._tell = tell
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._turns = threading.Semaphore(most_at_once)
        self._running: set[SpawnProcess] = set()
        # also when the server ends without having closed: no work outlives it
        self._last_act = weakref.finalize(self, _kill_all, self._running)

    def start(self, car: Car, word: str, target: str, arguments: dict[str, Any]) -> Job:
        """Run ``target`` ("module:function") as ``function(progress, **arguments)`` elsewhere.

        ``progress(done, of, words)`` may be called at any rate; what the function returns has to
        be JSON and becomes the result.
        """
        job = Job(secrets.token_urlsafe(9), car.name, word)
        with self._lock:
            if sum(not known.over for known in self._jobs.values()) >= MOST_WAITING:
                raise ValueRefused(
                    "too much is being worked on already",
                    advice="stop something, or wait until it is done",
                )
            self._forget()
            self._jobs[job.id] = job
        threading.Thread(
            target=self._run, args=(job, target, arguments), name=f"job {job.id}", daemon=True
        ).start()
        return job

    def get(self, car: str, number: str) -> Job:
        """The job of that number, if it belongs to the build called ``car``."""
        job = self._jobs.get(number)
        if job is None or job.car != car:
            raise NoSuchJob(number)
        return job

    def of(self, car: str) -> list[Job]:
        """The jobs of a build, oldest first."""
        with self._lock:
            return [job for job in self._jobs.values() if job.car == car]

    def stop(self, car: str, number: str) -> Job:
        """Kill it; a job that is over stays as it is."""
        job = self.get(car, number)
        with self._lock:
            job.stopping = True
            if job.process is not None:
                _kill(job.process)
            elif not job.over:
                job.state = "stopped"
        self._say(job)
        return job

    def _say(self, job: Job) -> None:
        """Tell how it stands; told by two at once, the older word must not come last."""
        with self._lock:
            self._tell(job.car, "job", job.news())

    def close(self) -> None:
        """Stop everything; the server is going."""
        with self._lock:
            for job in self._jobs.values():
                job.stopping = True
        self._last_act()

    def _forget(self) -> None:
        finished = [number for number, job in self._jobs.items() if job.over]
        for number in finished[: max(0, len(finished) - MOST_KEPT + 1)]:
            del self._jobs[number]

    def _run(self, job: Job, target: str, arguments: dict[str, Any]) -> None:
        with self._turns:
            context = multiprocessing.get_context("spawn")
            ours, theirs = context.Pipe(duplex=False)
            process = context.Process(target=_work, args=(theirs, target, arguments))
            with self._lock:
                if job.stopping:
                    job.state = "stopped"
                    return
                process.start()
                self._running.add(process)
                job.process, job.state = process, "running"
            theirs.close()
            try:
                self._hear(job, ours)
            finally:
                process.join()
                self._end(job, process)
        self._say(job)

    def _hear(self, job: Job, pipe: Connection) -> None:
        """Follow the work until its end of the pipe is closed."""
        self._say(job)
        with pipe, suppress(EOFError, OSError):
            while True:
                kind, *said = pipe.recv()
                if kind == "progress":
                    job.done, job.of, job.words = said
                    self._say(job)
                elif kind == "result":
                    job.result, job.answered = json.loads(said[0]), True
                else:
                    job.error = said[0]

    def _end(self, job: Job, process: SpawnProcess) -> None:
        with self._lock:
            self._running.discard(process)
            job.process = None
            if job.answered:
                job.state = "done"
            elif job.stopping:
                job.state, job.error = "stopped", None
            else:
                job.state = "failed"
                job.error = job.error or {
                    "kind": "fault",
                    "problem": f"the work ended before it was done (code {process.exitcode})",
                    "do": "try again; if it happens again, look at the memory of this machine",
                }
        process.close()


def _kill(process: SpawnProcess) -> None:
    """Kill a job with everything that it started.

    Whether it lives is not asked: that would reap it, and the thread that waits for it would be
    told that it still runs.
    """
    if process.pid is None:
        return
    if hasattr(os, "killpg"):
        with suppress(ProcessLookupError, PermissionError):
            if os.getpgid(process.pid) == process.pid:  # never our own group
                os.killpg(process.pid, signal.SIGKILL)
                return
    process.kill()


def _kill_all(running: set[SpawnProcess]) -> None:
    for process in list(running):
        with suppress(ValueError):  # closed meanwhile
            _kill(process)


# --- in the other process --------------------------------------------------------------------
def _work(pipe: Connection, target: str, arguments: dict[str, Any]) -> None:
    if hasattr(os, "setpgrp"):
        os.setpgrp()
    threading.Thread(target=_end_with_parent, daemon=True).start()
    told = 0.0

    def progress(done: int, of: int, words: str = "") -> None:
        nonlocal told
        if time.monotonic() - told >= TOLD_EVERY or done >= of:
            told = time.monotonic()
            pipe.send(("progress", int(done), int(of), str(words)[:200]))

    try:
        module, _, function = target.partition(":")
        result = getattr(import_module(module), function)(progress, **arguments)
        pipe.send(("result", json.dumps(result, allow_nan=False)))
    except KeyturnError as fault:
        from keyturn.web.faults import described

        pipe.send(("error", described(fault)))
    except BrokenPipeError:
        sys.exit(1)
    except Exception:
        traceback.print_exc()  # to the terminal of the server; a page never shows it
        row = {"kind": "fault", "problem": "keyturn itself failed",
               "do": "look at the terminal in which it was started"}  # fmt: skip
        pipe.send(("error", row))


def _end_with_parent() -> None:
    """A server that was killed cannot stop its jobs: they notice."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        _leave()


def _leave() -> None:
    if hasattr(os, "killpg") and os.getpgrp() == os.getpid():
        os.killpg(os.getpid(), signal.SIGKILL)
    os._exit(1)
