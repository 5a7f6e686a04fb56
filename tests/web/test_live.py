"""The live channel: told at once, noticed from outside in time, flat, and ended cleanly."""

from __future__ import annotations

import asyncio
import gc
import json
import time
import tracemalloc
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from asking import run
from browser import EXAMPLES, Bench, free_port, shelf

from keyturn.journal.store import opened
from keyturn.web.live import MOST_LISTENERS, Live
from keyturn.web.shelf import Car


@pytest.fixture
def car(tmp_path: Path) -> Car:
    (tmp_path / "build.toml").write_bytes((EXAMPLES / "van-roots/build.toml").read_bytes())
    return Car("van", tmp_path)


def parsed(frames: str) -> list[tuple[str, Any]]:
    found = []
    for block in frames.split("\n\n"):
        rows = dict(line.split(": ", 1) for line in block.splitlines() if line[:1] != ":")
        if "event" in rows:
            found.append((rows["event"], json.loads(rows["data"])))
    return found


async def upto(stream: AsyncIterator[str], event: str, seconds: float = 5.0) -> Any:
    """The data of the next event of that name."""

    async def look() -> Any:
        async for text in stream:
            for name, data in parsed(text):
                if name == event:
                    return data
        return None

    return await asyncio.wait_for(look(), seconds)


def test_it_begins_with_how_the_build_stands(car: Car) -> None:
    async def play() -> None:
        stream = Live().listen(car)
        assert (await anext(stream)).startswith("retry: ")
        assert await upto(stream, "build") == {"revision": car.revision()}
        assert await upto(stream, "journal") == {"last": 0}
        await stream.aclose()  # type: ignore[attr-defined]

    run(play())


def test_what_is_told_from_another_thread_arrives_at_once(car: Car) -> None:
    async def play() -> None:
        live = Live(look_every=60)
        stream = live.listen(car)
        await upto(stream, "journal")
        began = time.monotonic()
        await asyncio.to_thread(live.tell, "van", "job", {"id": "a", "done": 1})
        await asyncio.to_thread(live.tell, "pickup", "job", {"id": "b", "done": 1})
        assert await upto(stream, "job") == {"id": "a", "done": 1}
        assert time.monotonic() - began < 1
        await stream.aclose()  # type: ignore[attr-defined]

    run(play())


def test_a_change_from_outside_is_noticed_within_two_seconds(car: Car) -> None:
    """An editor and the command line know nothing of the channel."""

    async def play() -> None:
        live = Live()
        stream = live.listen(car)
        await upto(stream, "journal")
        await asyncio.sleep(0.1)
        began = time.monotonic()
        car.file.write_bytes(car.file.read_bytes() + b"\n# changed\n")
        assert await upto(stream, "build") == {"revision": car.revision()}
        assert time.monotonic() - began < 2
        began = time.monotonic()
        with opened(car.folder, write=True) as book, book.writing():
            book.add("note", "new", {})
        assert await upto(stream, "journal") == {"last": 1}
        assert time.monotonic() - began < 2
        await stream.aclose()  # type: ignore[attr-defined]

    run(play())


def test_a_change_is_told_once(car: Car) -> None:
    async def play() -> None:
        live = Live(look_every=0.05)
        stream = live.listen(car)
        await upto(stream, "journal")
        await asyncio.sleep(0.2)
        car.file.write_bytes(car.file.read_bytes() + b"\n# changed\n")
        live.tell("van", "build", {"revision": car.revision()})
        assert await upto(stream, "build") == {"revision": car.revision()}
        with pytest.raises(TimeoutError):
            await upto(stream, "build", 0.5)

    run(play())


def test_a_silent_stream_says_that_it_is_there(car: Car) -> None:
    async def play() -> list[str]:
        stream = Live(keep_alive=0.05).listen(car)
        return [await anext(stream) for _ in range(6)]

    assert sum(text.startswith(": ") for text in run(play())) >= 3


def test_nobody_watches_when_nobody_listens(car: Car) -> None:
    async def play() -> None:
        live = Live(look_every=0.02)
        streams = [live.listen(car) for _ in range(3)]
        for stream in streams:
            await anext(stream)
        assert live.listeners == 3
        assert len(asyncio.all_tasks()) == 2  # this one, and one watcher for the three
        for stream in streams:
            await stream.aclose()  # type: ignore[attr-defined]
        await asyncio.sleep(0.05)
        assert live.listeners == 0
        assert len(asyncio.all_tasks()) == 1

    run(play())


def test_a_page_that_does_not_fetch_costs_no_memory(car: Car) -> None:
    async def play() -> int:
        live = Live()
        stream = live.listen(car)
        await upto(stream, "journal")
        tracemalloc.start()
        for number in range(20_000):
            live.tell("van", "job", {"id": "a", "done": number})
            if number % 500 == 0:
                await asyncio.sleep(0)
        await asyncio.sleep(0)
        size, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert await upto(stream, "job") == {"id": "a", "done": 19_999}  # the newest, once
        await stream.aclose()  # type: ignore[attr-defined]
        return size

    assert run(play()) < 300_000


def test_a_thousand_visits_leave_nothing_behind(car: Car) -> None:
    async def play() -> int:
        live = Live()

        async def visit() -> None:
            stream = live.listen(car)
            await anext(stream)
            await stream.aclose()  # type: ignore[attr-defined]

        async def visits(count: int) -> None:
            for _ in range(count):
                await visit()
            await asyncio.sleep(0.2)  # what the last visits had begun to read is read
            gc.collect()

        await visits(50)
        tracemalloc.start()
        before, _ = tracemalloc.get_traced_memory()
        await visits(1000)
        after, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert not live._channels
        return after - before

    assert run(play()) < 100_000


# --- over the network -------------------------------------------------------------------------
@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    made = Bench(shelf(tmp_path_factory.mktemp("live") / "builds", "van-roots"), free_port())
    made.start()
    yield made
    made.stop()


def streams_of(bench: Bench) -> int:
    app: Any = bench._server.config.app
    return int(app.state.live.listeners)


def test_the_stream_over_http(served: Bench) -> None:
    with httpx.stream("GET", f"{served.url}/api/car/van-roots/live") as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["cache-control"] == "no-store"
        assert "content-security-policy" in answer.headers
        first = ""
        texts = answer.iter_text()  # held: without it the stream would be closed
        while "journal" not in first:
            first += next(texts)
        assert [name for name, _ in parsed(first)] == ["build", "journal"]
        assert streams_of(served) == 1
    deadline = time.monotonic() + 5
    while streams_of(served):  # the page was closed: the server notices
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_an_unknown_build_has_no_stream(served: Bench) -> None:
    assert httpx.get(f"{served.url}/api/car/nothing/live").status_code == 404


def test_more_streams_than_a_household_has_are_refused(served: Bench) -> None:
    limits = httpx.Limits(max_connections=None)
    with httpx.Client(limits=limits, timeout=10) as client:
        open_ones = []
        for _ in range(MOST_LISTENERS):
            sent = client.build_request("GET", f"{served.url}/api/car/van-roots/live")
            answer = client.send(sent, stream=True)
            texts = answer.iter_text()
            next(texts)
            open_ones.append((answer, texts))
        try:
            refused = client.get(f"{served.url}/api/car/van-roots/live")
            assert refused.status_code == 429
        finally:
            for answer, _ in open_ones:
                answer.close()
