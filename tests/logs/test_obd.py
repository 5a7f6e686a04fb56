"""The poller against a control unit of our own on a virtual bus, and what may leave the bus."""

from __future__ import annotations

import itertools
import math
import threading
import time
from collections.abc import Iterator

import pytest

can = pytest.importorskip("can")  # optional: what needs it is imported after (so E402)

from ecu_simulator import Ecu  # noqa: E402
from hypothesis import given  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from keyturn.logs.can_bus import (  # noqa: E402
    AskingBus,
    ListeningBus,
    SendRefused,
    SourceLost,
    only_reads,
    open_bus,
)
from keyturn.logs.live import Sample  # noqa: E402
from keyturn.logs.obd import RATE, Poller, Transport, decode, parted  # noqa: E402

NUMBER = itertools.count()
CAR = {0x0A: 300.0, 0x0B: 150.0, 0x0C: 3000.0, 0x24: 0.85, 0x05: 88.0, 0x0F: 40.0, 0x42: 13.6}


@pytest.fixture
def channel() -> str:
    return f"obd-{next(NUMBER)}"


class Kept:
    """Runs a poller until something was seen or the time is over."""

    def __init__(self, channel: str, **more: float) -> None:
        self.bus = can.Bus(interface="virtual", channel=channel)
        self.poller = Poller(self.bus, **more)
        self.seen: dict[str, float] = {}
        self.rounds = 0
        self.fault: Exception | None = None
        self.stop = threading.Event()

    def put(self, samples: list[Sample], at: float) -> None:
        self.seen |= {one.name: one.value for one in samples}
        self.rounds += 1

    def run(self, seconds: float, until: int = 10**9) -> None:
        thread = threading.Thread(target=self._run, daemon=True)
        thread.start()
        end = time.monotonic() + seconds
        while time.monotonic() < end and self.rounds < until and thread.is_alive():
            time.sleep(0.01)
        self.stop.set()
        thread.join(3.0)
        self.bus.shutdown()

    def _run(self) -> None:
        try:
            self.poller.run(self.put, self.stop)
        except SourceLost as fault:
            self.fault = fault


@pytest.fixture
def made() -> Iterator[list[Ecu]]:
    units: list[Ecu] = []
    yield units
    for unit in units:
        unit.close()


@pytest.mark.parametrize(
    "ways",
    [{}, {"extended": True}, {"single_only": True}, {"pending": True}],
    ids=["eleven bits", "twenty-nine bits", "one parameter at a time", "answers late"],
)
def test_everything_offered_is_read(channel: str, made: list[Ecu], ways: dict[str, bool]) -> None:
    made.append(Ecu(channel, CAR, **ways))
    kept = Kept(channel)
    kept.run(20.0, until=14 if "single_only" in ways else 6)
    assert kept.poller.offered == set(CAR)
    # what was put in, in SI; the bytes of these values are whole, so that nothing is rounded,
    # except lambda: its step is 2/65536
    assert kept.seen["rail_gauge"] == pytest.approx(300e3)
    assert kept.seen["manifold_pressure"] == pytest.approx(150e3)
    assert kept.seen["engine_speed"] == pytest.approx(50.0)
    assert kept.seen["lambda"] == pytest.approx(0.85, abs=1 / 65536)
    assert made[0].strange == []
    assert kept.poller.together is ("single_only" not in ways)


def test_one_request_is_outstanding_and_the_rate_is_kept(channel: str, made: list[Ecu]) -> None:
    made.append(Ecu(channel, CAR))
    kept = Kept(channel)
    kept.run(3.0)
    times = [at for at, _ in made[0].requests]
    assert len(times) > 5
    # the stated cap, less what the two clocks of two threads may differ by
    assert min(b - a for a, b in itertools.pairwise(times)) > 0.4 / RATE
    assert len(times) <= 3.0 * RATE + 2


def test_a_silent_car_is_asked_less_and_less_and_then_lost(channel: str, made: list[Ecu]) -> None:
    made.append(Ecu(channel, CAR))
    kept = Kept(channel, timeout=0.02)
    threading.Timer(1.0, lambda: setattr(made[0], "silent", True)).start()
    kept.run(30.0)
    assert isinstance(kept.fault, SourceLost)
    times = [at for at, _ in made[0].requests][-6:]
    assert times[-1] - times[-2] > 1.5  # two seconds apart in the end


def test_nobody_there_is_said(channel: str) -> None:
    kept = Kept(channel, timeout=0.02)
    kept.run(20.0)
    assert isinstance(kept.fault, SourceLost)
    assert kept.rounds == 0


def test_half_an_answer_is_none(channel: str, made: list[Ecu]) -> None:
    made.append(Ecu(channel, CAR, lose_frame=True))
    kept = Kept(channel, timeout=0.05)
    kept.run(4.0)
    # together it takes two frames, of which the first is lost each time; one by one it fits
    assert not kept.poller.together
    assert kept.seen["rail_gauge"] == pytest.approx(300e3)


def test_what_another_unit_says_is_not_taken(channel: str, made: list[Ecu]) -> None:
    """A gearbox answers somebody else on the bus; its rail pressure is none of ours."""
    made.append(Ecu(channel, CAR))
    other, end = can.Bus(interface="virtual", channel=channel), threading.Event()

    def chatter() -> None:
        while not end.wait(0.002):
            other.send(message(0x7E9, bytes.fromhex("03410a0a00000000")))  # 30 kPa

    thread = threading.Thread(target=chatter, daemon=True)
    kept, rails = Kept(channel), []
    put = kept.put

    def noted(samples: list[Sample], at: float) -> None:
        rails.extend(one.value for one in samples if one.name == "rail_gauge")
        put(samples, at)

    kept.put = noted  # type: ignore[method-assign]
    threading.Timer(0.7, thread.start).start()  # once it is known which unit is asked
    kept.run(20.0, until=30)
    end.set()
    thread.join(2.0)
    other.shutdown()
    assert rails and set(rails) == {300e3}


def message(frame: int, data: bytes, extended: bool = False, **more: bool) -> object:
    return can.Message(arbitration_id=frame, data=data, is_extended_id=extended, **more)


ASKS = bytes.fromhex("0201050000000000")
# Service and frame by name; each of these would change something or open a way to.
ATTACKS = {
    "clear codes": (0x7DF, "0104000000000000"),
    "actuator test": (0x7E0, "0308010000000000"),
    "request an upload": (0x7E0, "0335001100000000"),
    "security access": (0x7E0, "0227010000000000"),
    "programming session": (0x7E0, "0210020000000000"),
    "reset": (0x7E0, "0211010000000000"),
    "output control": (0x7E0, "042f111103000000"),
    "write data": (0x7E0, "042ef19001000000"),
    "first frame of a long request": (0x7E0, "100b2ef190414243"),
    "rest of a long request": (0x7E0, "2144454647484900"),
    "freeze frame": (0x7DF, "0302020000000000"),
    "vehicle information": (0x7DF, "0209020000000000"),
    "data after the request": (0x7E0, "0201052f11000000"),
    "length beyond the frame": (0x7E0, "0801050000000000"),
    "request without parameter": (0x7E0, "0101000000000000"),
    "flow control with a wait": (0x7E0, "3100000000000000"),
    "flow control to everyone": (0x7DF, "3000000000000000"),
    "reading, as the control unit": (0x7E8, ASKS.hex()),
    "reading, to the brakes": (0x123, ASKS.hex()),
    "short frame": (0x7DF, "020105"),
    "empty frame": (0x7DF, ""),
}


@pytest.mark.parametrize("name", ATTACKS)
def test_nothing_but_reading_leaves(name: str, channel: str) -> None:
    other = can.Bus(interface="virtual", channel=channel)
    inner = can.Bus(interface="virtual", channel=channel)
    bus = AskingBus(inner)
    frame, data = ATTACKS[name]
    with pytest.raises(SendRefused):
        bus.send(message(frame, bytes.fromhex(data)))
    assert other.recv(0.0) is None
    bus.send(message(0x7DF, ASKS))
    heard = other.recv(1.0)
    assert heard is not None and bytes(heard.data) == ASKS
    other.shutdown()
    inner.shutdown()


@pytest.mark.parametrize("kind", ["is_remote_frame", "is_fd", "is_error_frame"])
def test_other_kinds_of_frames_do_not_leave(kind: str) -> None:
    data = b"" if kind == "is_remote_frame" else ASKS
    assert not only_reads(message(0x7DF, data, **{kind: True}))


def test_a_bus_that_is_listened_to_cannot_send(channel: str) -> None:
    inner = can.Bus(interface="virtual", channel=channel)
    with pytest.raises(SendRefused):
        ListeningBus(inner).send(message(0x7DF, ASKS))
    inner.shutdown()


@given(
    frame=st.integers(0, 0x1FFFFFFF),
    data=st.binary(min_size=0, max_size=8),
    near=st.sampled_from([None, 0x7DF, 0x7E0, 0x18DB33F1, 0x18DA10F1]),
)
def test_what_leaves_is_service_one_or_flow_control(frame: int, data: bytes, near: int) -> None:
    """Judged by a second reading of the rule: the identifier, the length, the service."""
    where = near if near is not None else frame
    extended = where > 0x7FF
    if not only_reads(message(where, data, extended)):
        return
    assert len(data) == 8
    assert where in (0x7DF, 0x18DB33F1, *range(0x7E0, 0x7E8)) or where & 0x1FFF00FF == 0x18DA00F1
    assert data[:3] == b"\x30\x00\x00" or (data[1] == 1 and 2 <= data[0] <= 7)


@given(st.lists(st.binary(min_size=0, max_size=8), max_size=30))
def test_no_frames_break_the_transport(frames: list[bytes]) -> None:
    transport = Transport()
    for data in frames:
        payload, _ = transport.take(message(0x7E8, data))  # type: ignore[arg-type]
        if payload is not None:
            assert all(len(part) <= len(payload) for _, part in parted(payload))


def test_a_long_answer_in_the_example_of_the_standard() -> None:
    """First frame, then two more: ISO 15765-2's order; the text is a vehicle number, invented."""
    whole = bytes([0x49, 0x02, 0x01]) + b"INVENTED123456789"
    transport = Transport()
    frames = [b"\x10\x14" + whole[:6], b"\x21" + whole[6:13], b"\x22" + whole[13:20]]
    told = [transport.take(message(0x7E8, data)) for data in frames]  # type: ignore[arg-type]
    assert told == [(None, True), (None, False), (whole, False)]


@pytest.mark.parametrize(
    ("pid", "data"),
    [(0x05, "00"), (0x0F, "00"), (0x0B, "00"), (0x0B, "ff"), (0x0A, "ff"), (0x22, "ffff"),
     (0x23, "ffff"), (0x24, "00000000"), (0x24, "ffff0000")],
)  # fmt: skip
def test_at_either_end_of_its_scale_a_sensor_says_nothing(pid: int, data: str) -> None:
    """-40 degC of a broken wire would hide a hot engine, 0 kPa of manifold a low fuel pressure."""
    first = decode(pid, bytes.fromhex(data))[0]
    assert math.isnan(first.value) and "end of its scale" in first.note


@pytest.mark.parametrize(("pid", "data"), [(0x05, "01"), (0x0B, "01"), (0x0B, "fe"), (0x0A, "00")])
def test_next_to_the_end_it_speaks(pid: int, data: str) -> None:
    assert math.isfinite(decode(pid, bytes.fromhex(data))[0].value)


def test_a_socket_where_there_is_one() -> None:
    try:
        bus = can.Bus(interface="socketcan", channel="vcan0")
    except Exception:
        pytest.skip("no virtual CAN link vcan0 on this machine")
    kept = AskingBus(bus)
    kept.send(message(0x7DF, ASKS))  # type: ignore[arg-type]
    kept.close()


@pytest.mark.parametrize("text", ["", "virtual", "virtual:", ":0", "virtual:0:fast"])
def test_a_bus_that_cannot_be_read(text: str) -> None:
    with pytest.raises(ValueError, match="a bus cannot be read"):
        open_bus(text)


def test_without_the_package_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "can", None)
    with pytest.raises(ValueError, match=r"python-can.*not here(.|\n)*keyturn\[can\]"):
        open_bus("virtual:0")
