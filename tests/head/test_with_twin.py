"""The client on the real core: the twin behind `twin://`, in virtual time."""

from __future__ import annotations

import pytest

from plylane.head.client import HeadClient
from plylane.head.errors import PortUnfit, Refused
from plylane.head.poller import Poller
from plylane.head.registers import (
    AlarmDetailRegs,
    Board,
    Command,
    EventCode,
    MachineRegs,
    Refusal,
    State,
    ZoneMode,
)
from plylane.head.snapshot import Event, Snapshot

pytest.importorskip("plylane_twin._core", reason="the twin's core is not built")

URL = "twin://demo?pace=virtual&seed=7"


class Ear:
    def __init__(self) -> None:
        self.snapshots: list[Snapshot] = []
        self.events: list[Event] = []

    def on_snapshot(self, snapshot: Snapshot) -> None:
        self.snapshots.append(snapshot)

    def on_events(self, events: list[Event]) -> None:
        self.events += events


def run(seconds: float, url: str = URL) -> tuple[HeadClient, Poller, Ear]:
    client = HeadClient.open(url)
    poller, ear = Poller(client), Ear()
    poller.listeners.append(ear)
    until_s = client.clock.now() + seconds
    while client.clock.now() < until_s:
        poller.step()
    return client, poller, ear


def test_the_core_answers_as_the_map_says() -> None:
    with HeadClient.open(URL) as client:
        assert client.identity.board is Board.TWIN
        assert not client.attach_reset
        assert client.read_block(MachineRegs).lanes_fitted == len(client.snapshot().lanes)
        assert len(client.read_blocks(AlarmDetailRegs)) > 10
        client.write("zone.setpoint_degC", 101.25, 1)
        assert client.read("zone.setpoint_degC", 1) == 101.25
        assert [event.code for event in client.take_events()].count(EventCode.HEAD_RESET) == 1
        assert client.take_events() == []


def test_the_core_refuses_in_words() -> None:
    with HeadClient.open(URL) as client:
        with pytest.raises(Refused, match="above the zone's setpoint_max_degC of") as caught:
            client.write("zone.setpoint_degC", 240.0)
        assert caught.value.reason is Refusal.SETPOINT_ABOVE_LIMIT
        with pytest.raises(Refused, match="state stopped knows no such command"):
            client.command(Command.UNHOLD)
        with pytest.raises(Refused, match="out of range, it takes 5 to 3600 s") as caught:
            client._write_words(304, [1], repeat=True)
        assert caught.value.code == 4
        assert client.read("telemetry.refused_count") == 3


def test_a_rise_to_idle_in_order() -> None:
    client, poller, ear = run(1.0)
    poller.call(lambda c: c.write("zone.mode", ZoneMode.AUTOMATIC))
    done = poller.call(lambda c: c.command(Command.RESET))
    for _ in range(100):
        poller.step()
    assert done.exception() is None
    assert ear.snapshots[-1].telemetry.state is State.IDLE
    texts = [event.text for event in ear.events]
    assert texts.index("State resetting") < texts.index("State idle")
    client.close()


def test_the_same_seed_gives_the_same_run() -> None:
    first, second = (run(5.0)[2] for _ in range(2))
    assert first.snapshots == second.snapshots
    assert first.events == second.events
    assert len(first.snapshots) > 240


def test_the_twins_time_is_the_clients_to_two_milliseconds() -> None:
    """The twin's clock is the port's, so the true offset is known: none. Latency is one-sided."""
    client, _, ear = run(30.0)
    for snapshot in ear.snapshots:
        true_s = snapshot.telemetry.head_ms / 1000.0 - client.origin_s
        assert snapshot.time_s == pytest.approx(true_s, abs=0.002)
    assert abs(client.head_clock.drift_ppm) < 20.0
    client.close()


def test_a_board_that_resets_on_opening() -> None:
    client, _, ear = run(1.0, URL + "&boot_s=1.6")
    assert len(ear.snapshots) > 45
    client.close()


def test_a_bad_twin_address_is_one_line() -> None:
    for url in ("twin://demo?pace=fast", "twin://", "twin://demo?colour=red", "twin://none.toml"):
        with pytest.raises(PortUnfit) as caught:
            HeadClient.open(url)
        assert "\n" not in str(caught.value)
