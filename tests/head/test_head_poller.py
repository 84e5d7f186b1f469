"""The poller: its grid, what listeners hear, and how it gets a lost head back."""

from __future__ import annotations

import itertools
import os
import threading
import time
from collections.abc import Sequence
from concurrent.futures import CancelledError

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fake_head import FakeClock, FakeHead, FakePort, Fault
from plylane.head.client import HeadClient
from plylane.head.errors import PortLost, PortMissing
from plylane.head.poller import LinkStatus, Poller
from plylane.head.port import open_port
from plylane.head.registers import EventCode, ResetCause, State
from plylane.head.snapshot import Event, Snapshot


class Ear:
    """Keeps what it hears."""

    def __init__(self) -> None:
        self.snapshots: list[Snapshot] = []
        self.events: list[Event] = []
        self.links: list[LinkStatus] = []

    def on_snapshot(self, snapshot: Snapshot) -> None:
        self.snapshots.append(snapshot)

    def on_events(self, events: Sequence[Event]) -> None:
        self.events += events

    def on_link(self, status: LinkStatus) -> None:
        self.links.append(status)


class Bench:
    """A poller over a fake head; `plug` says whether the port can be opened."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.head = FakeHead(self.clock)
        self.port = FakePort(self.head, self.clock)
        self.plugged = True
        self.openings = 0
        self.client = HeadClient.open("COM7", opener=self.opener)
        self.poller = Poller(self.client)
        self.ear = Ear()
        self.poller.listeners.append(self.ear)

    def opener(self, url: str) -> FakePort:
        if not self.plugged:
            raise PortMissing(url, [])
        self.openings += 1
        self.port = FakePort(self.head, self.clock, latency=lambda: (0.001, 0.001))
        return self.port

    def run(self, seconds: float) -> None:
        until_s = self.clock.now() + seconds
        while self.clock.now() < until_s:
            self.poller.step()


@pytest.fixture
def bench() -> Bench:
    return Bench()


# -------------------------------------------------------------------- the grid


def test_fifty_polls_a_second_on_a_grid_that_does_not_drift(bench: Bench) -> None:
    bench.client.take_events()
    bench.run(20.0)
    times = [snapshot.time_s for snapshot in bench.ear.snapshots]
    assert len(times) == pytest.approx(1000, abs=2)
    for k, time_s in enumerate(times):
        assert time_s == pytest.approx(k * 0.02, abs=0.006)
    assert bench.poller.status.polls_per_s == pytest.approx(50.0, abs=0.6)
    assert bench.poller.status.late_polls == 0
    assert bench.poller.status.text == "50 polls/s"


@given(naps=st.lists(st.floats(0.0, 0.3), max_size=30))
@settings(max_examples=50, deadline=None)
def test_late_polls_are_left_out_and_counted(naps: list[float]) -> None:
    """Polls and places left out together cover the grid."""
    bench = Bench()
    bench.client.take_events()
    for nap_s in naps:
        bench.poller.step()
        bench.clock.sleep(nap_s)
    bench.poller.step()
    status = bench.poller.status
    places = (bench.port.written[-1][0] - bench.client.origin_s) / 0.02
    assert status.polls == len(naps) + 1
    assert status.polls + status.late_polls - 1 == pytest.approx(places, abs=1.2)


def test_times_rise_whatever_the_line_does() -> None:
    """A retry makes a poll late, never an earlier time than the last."""
    bench = Bench()
    bench.port.inject([Fault(silent=k % 7 == 0, late_s=0.1 * (k % 2)) for k in range(600)])
    bench.run(30.0)
    times = [snapshot.time_s for snapshot in bench.ear.snapshots]
    assert len(times) > 100
    assert all(later > earlier for earlier, later in itertools.pairwise(times))


# -------------------------------------------------------------------- events, calls, listeners


def test_events_come_with_the_poll_that_shows_them(bench: Bench) -> None:
    bench.run(0.1)
    assert [event.code for event in bench.ear.events] == [EventCode.HEAD_RESET]
    bench.head.happen(EventCode.LENGTH_REACHED)
    bench.poller.step()
    assert bench.ear.events[-1].text == "Length reached"
    assert bench.head.events == []
    requests = bench.head.requests
    bench.poller.step()
    assert bench.head.requests == requests + 1  # no events, no second request


def test_calls_run_between_polls(bench: Bench) -> None:
    bench.poller.step()
    state = bench.poller.call(lambda client: client.read("telemetry.state"))
    wrong = bench.poller.call(lambda client: client.read("telemetry.nothing"))
    assert not state.done()
    bench.poller.step()
    assert state.result() == State.STOPPED
    with pytest.raises(LookupError, match="nothing"):
        wrong.result()
    assert len(bench.ear.snapshots) == 2


def test_a_failing_listener_silences_nobody(bench: Bench) -> None:
    class Broken:
        def on_snapshot(self, snapshot: Snapshot) -> None:
            raise ZeroDivisionError("mine")

    bench.poller.listeners.insert(0, Broken())
    with pytest.raises(ZeroDivisionError, match="mine"):
        bench.poller.step()
    assert len(bench.ear.snapshots) == 1


# -------------------------------------------------------------------- loss and return


def test_a_port_that_vanishes_and_returns(bench: Bench) -> None:
    """A reset head (the plug brought power) is recognised; events of its new life come through."""
    bench.run(1.0)
    bench.port.gone, bench.plugged = True, False
    bench.run(3.0)
    status = bench.poller.status
    assert not status.connected
    assert (
        status.reason == "No port COM7 (no serial port is there): plug the head in, "
        "or name another port."
    )
    assert status.since_s == pytest.approx(1.0, abs=0.1)
    assert status.text == status.reason
    assert bench.client.port_open is False
    bench.plugged = True
    bench.head.reset(ResetCause.POWER_ON)
    heard = len(bench.ear.snapshots)
    bench.run(2.0)
    status = bench.poller.status
    assert status.connected
    assert status.head_resets == 1
    assert not status.attach_reset
    assert len(bench.ear.snapshots) > heard + 50
    assert bench.ear.events[-1].text == "Head reset: power on"
    assert [link.connected for link in bench.ear.links].count(False) >= 2
    assert bench.openings == 2


def test_a_board_that_resets_on_reattaching_is_told(bench: Bench) -> None:
    bench.run(1.0)
    bench.port.gone = True
    bench.poller.step()
    assert not bench.poller.status.connected
    bench.head.reset(ResetCause.EXTERNAL, age_s=-2.5)
    opened_s = bench.clock.now()

    def boots(url: str) -> FakePort:
        port = Bench.opener(bench, url)
        port.wakes_s = opened_s + 2.5
        return port

    bench.client._opener = lambda: boots("COM7")
    bench.run(8.0)
    assert bench.poller.status.connected
    assert bench.poller.status.attach_reset
    assert bench.openings == 2  # opened once and kept: each opening may reset a board


def test_a_head_that_falls_silent_keeps_its_port(bench: Bench) -> None:
    bench.run(0.5)
    bench.port.wakes_s = bench.clock.now() + 3.0
    bench.run(2.5)
    assert not bench.poller.status.connected
    assert "No answer from unit 1 on COM7" in bench.poller.status.reason
    assert bench.client.port_open
    bench.run(6.0)
    assert bench.poller.status.connected
    assert bench.poller.status.head_resets == 0
    assert bench.openings == 1


def test_another_firmware_in_its_place_is_not_polled(bench: Bench) -> None:
    bench.run(0.2)
    bench.port.gone = True
    bench.head.map_hash = 7
    bench.head.reset(ResetCause.POWER_ON)
    polls = bench.poller.status.polls
    bench.run(3.0)
    assert not bench.poller.status.connected
    assert "register map 00000007" in bench.poller.status.reason
    assert bench.poller.status.polls == polls


def test_calls_while_disconnected_say_why(bench: Bench) -> None:
    bench.poller.step()
    bench.port.gone, bench.plugged = True, False
    bench.poller.step()
    asked = bench.poller.call(lambda client: client.snapshot())
    bench.poller.step()
    with pytest.raises(PortLost):
        asked.result()


def test_a_poller_may_start_with_nobody_there() -> None:
    """The first steps open and greet by themselves."""
    clock = FakeClock()
    head = FakeHead(clock)
    port = FakePort(head, clock)
    client = HeadClient(lambda: port, name="COM7")
    client.open_port()
    poller = Poller(client)
    ear = Ear()
    poller.listeners.append(ear)
    for _ in range(10):
        poller.step()
    assert poller.status.connected
    assert len(ear.snapshots) >= 8


@given(
    script=st.lists(
        st.tuples(st.sampled_from(["run", "pull", "plug", "reset", "hush"]), st.floats(0.1, 2.0)),
        max_size=12,
    )
)
@settings(max_examples=25, deadline=None)
def test_it_always_comes_back(script: list[tuple[str, float]]) -> None:
    """Whatever happened to plug, port and head: 12 s after all is well it polls again."""
    bench = Bench()
    for deed, seconds in script:
        if deed == "pull":
            bench.plugged, bench.port.gone = False, True
        elif deed == "plug":
            bench.plugged = True
        elif deed == "reset":
            bench.head.reset(ResetCause.BROWN_OUT)
        elif deed == "hush":
            bench.port.wakes_s = bench.clock.now() + seconds
        bench.run(seconds)
    bench.plugged = True
    bench.run(12.0)
    assert bench.poller.status.connected
    assert bench.poller.status.reason == ""
    polls = bench.poller.status.polls
    bench.run(1.0)
    assert bench.poller.status.polls >= polls + 45


# -------------------------------------------------------------------- in a thread, in real time


class Relay(threading.Thread):
    """Serves a fake head behind a pty, in real time, until stopped."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.head = FakeHead(FakeClock())
        self.began_s = time.monotonic()
        self.far, near = os.openpty()
        self.name = os.ttyname(near)
        os.set_blocking(self.far, False)
        self.near = near
        self.ending = threading.Event()

    def run(self) -> None:
        waiting = b""
        while not self.ending.wait(0.0005):
            try:
                waiting += os.read(self.far, 256)
            except OSError:
                continue
            self.head.clock.now_s = 100.0 + time.monotonic() - self.began_s
            answer = self.head.answer(waiting, self.head.clock.now_s)
            if answer:
                waiting = b""
                os.write(self.far, answer)

    def vanish(self) -> None:
        self.ending.set()
        self.join()
        os.close(self.far)
        os.close(self.near)


pty_only = pytest.mark.skipif(os.name != "posix", reason="pty pairs are POSIX")


def wait_for(what: object, seconds: float = 10.0) -> None:
    assert callable(what)
    until_s = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until_s, "waited in vain"
        time.sleep(0.005)


@pty_only
def test_a_real_tty_that_vanishes_and_returns() -> None:
    """The device's name stays (a link), as udev's do; the far end is another one."""
    relays = [Relay(), Relay()]
    current = [relays[0]]
    relays[0].start()
    client = HeadClient.open("head", opener=lambda _: open_port(current[0].name))
    poller = Poller(client)
    ear = Ear()
    poller.listeners.append(ear)
    poller.start()
    try:
        wait_for(lambda: len(ear.snapshots) > 20)
        assert poller.call(lambda c: c.read("machine.lanes_fitted")).result(5.0) == 5
        relays[0].vanish()
        wait_for(lambda: not poller.status.connected)
        assert "went away" in poller.status.reason
        relays[1].start()
        current[0] = relays[1]
        wait_for(lambda: poller.status.connected)
        heard = len(ear.snapshots)
        wait_for(lambda: len(ear.snapshots) > heard + 20)
    finally:
        poller.stop()
        client.close()
        relays[1].vanish()


@pty_only
def test_stopping_is_clean() -> None:
    relay = Relay()
    relay.start()
    client = HeadClient.open(relay.name)
    poller = Poller(client)
    poller.start()
    with pytest.raises(RuntimeError, match="runs already"):
        poller.start()
    poller.call(lambda c: c.snapshot()).result(5.0)
    before = threading.active_count()
    poller.stop()
    assert threading.active_count() == before - 1
    late = poller.call(lambda c: c.snapshot())
    poller.stop()
    with pytest.raises(CancelledError):
        late.result(0.0)
    client.close()
    relay.vanish()
