"""Answers of `check` that a page asks for again and again, kept by what they depend on.

Middle values are worked out at once, in the thread that asked. Whole bands are worked out in
processes of their own, so that a finger on a slider never waits for them. An answer is kept by the
text of the build, the changes, the number of samples and the seed: it cannot be out of date.
"""

from __future__ import annotations

import atexit
import gc
import json
import multiprocessing
import os
import signal
import threading
from collections import OrderedDict
from collections.abc import Mapping
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing import connection
from typing import Any, Generic, TypeVar

from keyturn.build.model import Build
from keyturn.build.read import BUILD_FILE, from_text
from keyturn.errors import CannotAnswer
from keyturn.system.result import CheckResult
from keyturn.tasks.check import check, middle

MOST_ANSWERS = 24  # one holds about a third of a megabyte
MOST_BUILDS = 24
MOST_ASKERS = 256
WORKERS = 2  # one may still be busy with what nobody waits for any more

Row = TypeVar("Row")
Changes = Mapping[str, Any]


class Overtaken(CannotAnswer):
    """The same page has asked something newer meanwhile."""


class Kept(Generic[Row]):
    """What was worked out last; what nobody asked for longest goes first."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._rows: OrderedDict[tuple[Any, ...], Row] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, *key: Any) -> Row | None:
        with self._lock:
            if key in self._rows:
                self._rows.move_to_end(key)
            return self._rows.get(key)

    def put(self, row: Row, *key: Any) -> None:
        with self._lock:
            self._rows[key] = row
            self._rows.move_to_end(key)
            while len(self._rows) > self.most:
                self._rows.popitem(last=False)

    def __len__(self) -> int:
        return len(self._rows)


class Answers:
    """One of these belongs to one application."""

    def __init__(self) -> None:
        self._builds: Kept[Build] = Kept(MOST_BUILDS)
        self._whole: Kept[CheckResult] = Kept(MOST_ANSWERS)
        self._middle: Kept[CheckResult] = Kept(MOST_ANSWERS)
        self._coming: dict[tuple[Any, ...], Future[CheckResult]] = {}
        self._newest: Kept[object] = Kept(MOST_ASKERS)
        self._lock = threading.Lock()

    def build(self, text: str, changes: Changes) -> Build:
        """The build of a text with changes that are tried; raises as the reader does."""
        key = text, _exact(changes)
        made = self._builds.get(*key)
        if made is None:
            # the bare name: no message may show where on the machine a build lies
            # options were judged with the text itself: a finger on a slider need not wait for them
            made = from_text(text, BUILD_FILE, changes, options=not changes)
            self._builds.put(made, *key)
        return made

    def middle(self, text: str, changes: Changes) -> CheckResult:
        """Middle values only: carries no verdict."""
        key = text, _exact(changes)
        found = self._middle.get(*key)
        if found is None:
            found = middle(self.build(text, changes))
            self._middle.put(found, *key)
        return found

    def kept(self, text: str, changes: Changes, samples: int, seed: int) -> CheckResult | None:
        """The whole answer when it was worked out before."""
        return self._whole.get(text, _exact(changes), samples, seed)

    def whole(
        self, text: str, changes: Changes, samples: int, seed: int, asker: str = ""
    ) -> CheckResult:
        """Verdict and bands; whoever asks for the same meanwhile waits for the same work.

        Of one ``asker`` only the newest question is worked on; `Overtaken` is raised for others.
        """
        mine = object()
        if asker:
            self._newest.put(mine, asker)
        key = text, _exact(changes), samples, seed
        found = self._whole.get(*key)
        if found is not None:
            return found
        built = self.build(text, changes)
        with _slots:  # a question that waits here can still be dropped, one in the pool cannot
            if asker and self._newest.get(asker) is not mine:
                raise Overtaken("a newer question of the same page came first")
            return self._worked_out(key, built, samples, seed)

    def _worked_out(
        self, key: tuple[Any, ...], built: Build, samples: int, seed: int
    ) -> CheckResult:
        with self._lock:
            coming = self._coming.get(key)
            if coming is None:
                coming = self._coming[key] = _submit(check, built, samples, seed)
        try:
            found = coming.result()
        except BrokenProcessPool:  # a worker was killed from outside: the next one gets new ones
            found = check(built, samples, seed)
        except CancelledError:
            raise Overtaken("the server is ending") from None
        finally:
            with self._lock:
                self._coming.pop(key, None)
        self._whole.put(found, *key)
        return found


def _exact(changes: Changes) -> str:
    return json.dumps(changes, sort_keys=True, default=str)


# --- workers, shared by all applications of this process: they hold nothing of any of them --------
_pool: ProcessPoolExecutor | None = None
_pool_lock = threading.Lock()
_slots = threading.Semaphore(WORKERS)
_users = 0


def warm() -> None:
    """Start the workers now, so that the first answer does not wait for them; then `cool`."""
    global _users
    with _pool_lock:
        _users += 1
    for _ in range(WORKERS):
        _submit(_ready)


def cool() -> None:
    """Let the workers go when the last one that called `warm` is done.

    In good order, because a process that ends by a signal runs nothing at its exit: what its
    workers share would be left behind in the system, and a warning would say so.
    """
    global _users
    with _pool_lock:
        _users = max(0, _users - 1)
    if _users == 0:
        _end()


def _end() -> None:
    global _pool
    with _pool_lock:
        ending, _pool = _pool, None
    if ending is None:
        return
    ending.shutdown(wait=True, cancel_futures=True)
    del ending
    gc.collect()  # the semaphores are given back when the queues that hold them are gone


atexit.register(_end)


def _submit(task: Any, *given: Any) -> Future[Any]:
    global _pool
    with _pool_lock:
        with suppress(BrokenProcessPool):
            if _pool is not None:
                return _pool.submit(task, *given)
        spawn = multiprocessing.get_context("spawn")
        _pool = ProcessPoolExecutor(WORKERS, spawn, initializer=_begin)
        return _pool.submit(task, *given)


def _begin() -> None:
    """In a worker: the terminal's Ctrl-C is for the server, and it ends with the server."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(5)  # a finger on a slider goes first
    threading.Thread(target=_leave_with_the_server, daemon=True).start()


def _leave_with_the_server() -> None:
    server = multiprocessing.parent_process()
    if server is not None:
        connection.wait([server.sentinel])
        os._exit(0)


def _ready() -> None:
    """In a worker: everything that the first answer would have to load."""
    from keyturn.build.library import fuels
    from keyturn.glossary import quantities

    quantities()
    fuels()
