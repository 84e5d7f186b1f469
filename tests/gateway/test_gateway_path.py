"""A robot's path, played through the gateway into the twin by a Modbus client of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

import pytest

from cell_rig import LOOPBACK, Knock, write_many
from plylane.gateway import Gateway, GatewaySettings
from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import ALARMS, Command, PathReferenceRegs, State
from plylane.live import LiveRun
from plylane.run_setup import RunSetup
from plylane_twin import Scenario, Twin
from plylane_twin.direct import DirectPort
from plylane_twin.motion import STAMP_WRAP, Cell, MotionSource
from plylane_twin.path_file import RobotPath

SCENARIO = 'format = "plylane scenario 1"\nname = "path"\n'
SETUP = RunSetup(
    length_mm=300.0,
    speed_mm_s=14.0,
    source="path_position",
    trim="automatic",
    setpoints_degC=[25.0, 25.0],
    settings={"zone_settings.band_degC": [10.0, 10.0], "guards.settle_time_s": 0.0},
)
PATH = """from_mm,to_mm,speed_mm_s,curvature_per_mm,pause_s
0,120,14,0,1.5
120,200,10,0.01,0
200,300,14,0,0
"""
PATH_STALE = next(alarm.number for alarm in ALARMS if alarm.name == "path_stale")


class TurnPoller(Poller):
    """Tells when something waits for its turn, so that virtual time waits for a real socket."""

    def __init__(self, client: HeadClient) -> None:
        super().__init__(client)
        self.called = threading.Event()

    def call(self, fn: Callable[[HeadClient], Any]) -> Future[Any]:
        future = super().call(fn)
        self.called.set()
        return future


class GatewayDoor:
    """The motion source's door: stamp, position and speed in one request, over Modbus TCP."""

    def __init__(self, knock: Knock, poller: TurnPoller) -> None:
        self.knock, self.poller = knock, poller
        self.written = 0

    def write_reference(self, stamp_ms: int, position_mm: float, speed_mm_s: float) -> None:
        words = PathReferenceRegs(stamp_ms % STAMP_WRAP, position_mm, speed_mm_s).to_words()
        request = write_many(PathReferenceRegs.BLOCK.address, *words)
        self.poller.called.clear()
        self.knock.send(request)
        assert self.poller.called.wait(10.0)
        self.poller.step()
        assert self.knock.receive()[1] == request[:5]
        self.written += 1


class Rig:
    """Twin in virtual time, gateway, robot."""

    def __init__(self) -> None:
        self.twin = Twin(Scenario.parse(SCENARIO), seed=5)
        self.client = HeadClient.open("direct", opener=lambda _: DirectPort(self.twin))
        SETUP.write_settings(self.client)
        self.poller = TurnPoller(self.client)
        self.live = LiveRun(self.client, self.poller, title="path", setup=SETUP)
        self.poller.step()
        settings = GatewaySettings(port=0, writers=LOOPBACK)
        self.gateway = Gateway(
            self.poller, self.client, settings, silence_s=lambda: 30.0, tell=self.live.note
        )

    def until(self, state: State) -> None:
        for _ in range(3000):
            self.poller.step()
            if self.state == state:
                return
        raise AssertionError((self.state, self.live.messages))

    @property
    def state(self) -> State:
        assert self.live.latest is not None
        return self.live.latest.telemetry.state


def test_a_path_is_played_through_the_gateway() -> None:
    rig = Rig()
    rig.gateway.start()
    with Knock(rig.gateway) as knock:
        door = GatewayDoor(knock, rig.poller)
        cell = Cell(period_ms=40, delay_ms=2.0, jitter_ms=30.0)
        robot = MotionSource(rig.twin, RobotPath.from_csv(PATH), door, cell)
        rig.live.command(Command.RESET)
        rig.until(State.IDLE)
        rig.live.command(Command.START)
        rig.until(State.EXECUTE)
        robot.go()
        start_mm = rig.twin.plant.cord_mm
        while not robot.done:
            robot.advance(20)
            rig.poller.step()
        robot.advance(2000)
        assert rig.state == State.COMPLETE, rig.live.events[-3:]
        laid_mm = rig.twin.plant.cord_mm - start_mm
    rig.gateway.stop()
    assert robot.position_mm == pytest.approx(300.0)
    assert laid_mm == pytest.approx(300.0, abs=2.0)  # untrimmed it would be 4.7 mm short
    assert door.written > 300
    assert [entry.kind for entry in rig.live.journal] == [
        "writer_taken",
        "path_end",
        "writer_lost",
    ]


def test_a_robot_that_falls_silent_stops_the_feed() -> None:
    rig = Rig()
    rig.gateway.start()
    with Knock(rig.gateway) as knock:
        cell = Cell(period_ms=40, delay_ms=2.0, jitter_ms=0.0)
        path = RobotPath.from_csv(PATH)
        robot = MotionSource(rig.twin, path, GatewayDoor(knock, rig.poller), cell)
        rig.live.command(Command.RESET)
        rig.until(State.IDLE)
        rig.live.command(Command.START)
        rig.until(State.EXECUTE)
        robot.go()
        while robot.position_mm < 60.0:
            robot.advance(20)
            rig.poller.step()
    for _ in range(150):  # the robot's program has ended; three seconds pass
        rig.poller.step()
    rig.gateway.stop()
    assert rig.live.latest is not None
    now = rig.live.latest.telemetry
    assert now.feed_speed_mm_s == 0.0
    assert now.alarms_active >> PATH_STALE & 1
    assert 55.0 < now.feed_position_mm < 70.0
