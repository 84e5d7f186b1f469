"""The quick recording against a poller that reads the same twin through client and pymodbus."""

from __future__ import annotations

import numpy as np
import pytest

from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import ALARMS, Command, State
from plylane.head.snapshot import Event, Snapshot
from plylane.run_setup import RunSetup
from plylane.runlog import schema
from plylane.twin_door import TwinError, quick_port
from plylane.twin_run import TwinRun

HEAD = """
format = "plylane scenario 1"
name = "recording"
plant.block_start_K = [8.0, 8.0, 0.0]
"""
FAULTS = """
[[fault]]
kind = "lane_jam"
lane = 2
at_s = 12.3451
for_s = 9.0
[[fault]]
kind = "lane_wheel_stuck"
lane = 4
at_output_mm = 60.0
for_s = 0.5
[[fault]]
kind = "sensor_open"
zone = 1
at_state = "held"
for_s = 0.3
"""
SETUP = RunSetup(
    length_mm=900.0,
    speed_mm_s=14.0,
    setpoints_degC=[30.0, 30.0],
    settings={"zone_settings.band_degC": [5.0, 5.0]},
)


class Polled:
    """What a poller hears."""

    def __init__(self) -> None:
        self.rows: list[schema.Row] = []
        self.events: list[Event] = []

    def on_snapshot(self, snapshot: Snapshot) -> None:
        self.rows.append(schema.row(snapshot))

    def on_events(self, events: list[Event]) -> None:
        self.events += events


def polled(scenario: str, seed: int, parts: list[float]) -> tuple[HeadClient, Polled]:
    """The same as `recorded`, by client and poller."""
    port = quick_port(scenario, seed)
    client = HeadClient.open("twin", opener=lambda _: port)
    poller, heard = Poller(client), Polled()
    poller.listeners.append(heard)
    prepare(client)
    port.clock.sleep(0.04 - port.clock.now())  # where the recording begins
    for number, seconds in enumerate(parts):
        for _ in range(round(seconds * 50)):
            poller.step()
        meddle(client, number)
    return client, heard


def recorded(scenario: str, seed: int, parts: list[float]) -> TwinRun:
    run = TwinRun(scenario, seed)
    prepare(run.client)
    for number, seconds in enumerate(parts):
        run.record(seconds)
        meddle(run.client, number)
    return run


def prepare(client: HeadClient) -> None:
    SETUP.write_settings(client)
    client.command(Command.RESET)


def meddle(client: HeadClient, number: int) -> None:
    client.clock.sleep(0.004)  # no matter when the last poll was
    if number == 0:
        SETUP.start(client)
    elif number == 1:
        client.write("feed.speed_mm_s", 9.0)
    elif number == 2:
        client.acknowledge((1 << len(ALARMS)) - 1)


PARTS = [1.0, 9.0, 20.0, 5.0]


@pytest.mark.parametrize("seed", [1, 2])
def test_every_value_is_what_polling_reads(seed: int) -> None:
    client, heard = polled(HEAD + FAULTS, seed, PARTS)
    run = recorded(HEAD + FAULTS, seed, PARTS)
    fitted = client.fitted
    names = schema.columns(fitted.zones, fitted.drives, fitted.lanes)
    columns = run.columns(names)
    rows = np.array(heard.rows)
    assert len(rows) == round(sum(PARTS) * 50)
    assert {State.EXECUTE, State.HELD} < set(columns["state"])  # feeding, and held by a guard
    for number, name in enumerate(names[1:], 1):
        assert np.array_equal(columns[name], rows[:, number]), name
    went_s = columns["time_s"] - columns["time_s"][0]
    assert np.allclose(went_s, rows[:, 0] - rows[0, 0], rtol=0.0, atol=1e-9)
    assert [e.text for e in run.events] == [e.text for e in heard.events]
    for name, column in columns.items():  # and of the type that a run log has
        kind = schema.telemetry_schema(fitted.zones, fitted.drives, fitted.lanes).field(name).type
        assert column.dtype == kind.to_pandas_dtype(), name


def test_recording_ends_in_the_state_that_was_asked_for() -> None:
    run = TwinRun(HEAD, 3)
    prepare(run.client)
    assert run.record(60.0, {State.IDLE}) == State.IDLE
    SETUP.start(run.client)
    assert run.record(300.0, {State.EXECUTE}) == State.EXECUTE
    assert run.columns(["state"])["state"][-1] == State.EXECUTE
    before = len(run.columns(["state"])["state"])
    assert run.record(2.0) == State.EXECUTE
    assert len(run.columns(["state"])["state"]) == before + 100


def test_a_bad_scenario_is_one_line() -> None:
    with pytest.raises(TwinError, match="fault 1"):
        quick_port(HEAD + '[[fault]]\nkind = "lane_jam"\nlane = 9\nat_s = 1.0\n', 1)
