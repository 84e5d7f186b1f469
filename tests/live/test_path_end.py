"""A live run that a robot leads, on the twin: how it ends."""

from __future__ import annotations

from typing import Any

import pytest

from plylane.head.client import HeadClient
from plylane.head.errors import LinkError
from plylane.head.poller import Poller
from plylane.head.registers import Command, EventCode, State
from plylane.live import LiveRun
from plylane.run_setup import RunSetup
from plylane_twin import Scenario, Twin
from plylane_twin.direct import DirectPort
from plylane_twin.motion import HeadDoor, MotionSource
from plylane_twin.path_file import Piece, RobotPath

PLAIN = 'format = "plylane scenario 1"\nname = "led"\n'
LENGTH_MM, LEAD_MM = 300.0, 60.0


class Led:
    """A robot, a head and its live run, stepped together; in Execute, the robot at the start."""

    def __init__(self, trim: str = "automatic", robot_mm: float = LENGTH_MM, **run: Any) -> None:
        setup = RunSetup(
            length_mm=LENGTH_MM,
            speed_mm_s=20.0,
            source="path_position",
            setpoints_degC=[35.0, 32.0],
            trim=trim,  # type: ignore[arg-type]
            settings={
                "machine.shear_to_nozzle_mm": LEAD_MM,
                "machine.acceleration_mm_s2": 60.0,
                "guards.settle_time_s": 0.0,
                "zone_settings.band_degC": [5.0, 5.0, 5.0],
            },
            **run,
        )
        self.twin = Twin(Scenario.parse(PLAIN), seed=5)
        self.client = HeadClient.open("direct", opener=lambda _: DirectPort(self.twin))
        setup.write_settings(self.client)
        self.poller = Poller(self.client)
        self.live = LiveRun(self.client, self.poller, title="led", setup=setup)
        path = RobotPath((Piece(0.0, robot_mm, 20.0),))
        self.robot = MotionSource(self.twin, path, HeadDoor(self.client))
        self.pass_s(0.1)
        self.live.command(Command.RESET)
        self.until(State.IDLE, 1.0)
        self.live.command(Command.START)
        self.until(State.EXECUTE, 120.0)

    @property
    def state(self) -> State | None:
        return self.live.latest.telemetry.state if self.live.latest else None

    def pass_s(self, seconds: float) -> None:
        for _ in range(round(seconds * 50)):
            self.robot.advance(20)
            self.poller.step()

    def until(self, state: State, most_s: float) -> None:
        for _ in range(round(most_s * 50)):
            self.pass_s(0.02)
            if self.state is state:
                return
        raise AssertionError((self.state, self.live.messages))


@pytest.mark.parametrize("trim", ["automatic", "off"])
def test_the_run_ends_where_the_path_does_the_cut_before_and_the_rest_fed_out(trim: str) -> None:
    led = Led(trim, shear_at_mm=LENGTH_MM)
    from_mm = led.twin.plant.cord_mm
    led.robot.go()
    led.until(State.COMPLETE, 60.0)
    assert led.robot.done
    cord_mm, cut_mm = (at - from_mm for at in (led.twin.plant.cord_mm, led.twin.plant.cut_at_mm))
    off_mm = 0.7 if trim == "automatic" else 0.03 * LENGTH_MM  # untrimmed: short by the slip
    assert cord_mm == pytest.approx(LENGTH_MM, abs=off_mm)
    assert led.twin.plant.cuts == 1
    assert cut_mm + LEAD_MM == pytest.approx(LENGTH_MM, abs=0.7)
    assert [e.text for e in led.live.journal if e.kind == "path_end"]
    assert not led.live.messages


def test_a_robot_that_pauses_before_the_end_is_waited_for() -> None:
    led = Led(robot_mm=LENGTH_MM - 2.0)
    led.robot.go()
    led.pass_s(25.0)
    assert led.robot.done and led.state is State.EXECUTE


def test_a_robot_that_stops_a_little_short_has_arrived() -> None:
    led = Led(robot_mm=LENGTH_MM - 0.3)
    led.robot.go()
    led.until(State.COMPLETE, 60.0)


def test_a_shear_that_has_not_fired_is_told_and_the_run_left_to_a_person() -> None:
    """The cut shall lie at the very end, the shear stands at the nozzle, and the cord is short."""
    led = Led("off", shear_at_mm=LENGTH_MM)
    led.live.client.write("feed.shear_at_mm", LENGTH_MM + LEAD_MM)
    led.robot.go()
    led.pass_s(25.0)
    assert led.state is State.EXECUTE
    assert len([line for line in led.live.messages if "shear has not fired" in line]) == 1
    assert not [e for e in led.live.events if e.code == EventCode.SHEAR_FIRED]
    led.live.command(Command.COMPLETE)
    led.until(State.COMPLETE, 5.0)


def test_a_length_of_nothing_ends_when_somebody_says_so() -> None:
    led = Led()
    led.live.command(Command.STOP)
    led.until(State.STOPPED, 5.0)
    led.live.setup = led.live.setup.model_copy(update={"length_mm": 0.0})  # type: ignore[union-attr]
    led.live.command(Command.RESET)
    led.until(State.IDLE, 2.0)
    led.live.command(Command.START)
    led.until(State.EXECUTE, 120.0)
    led.pass_s(3.0)
    assert led.state is State.EXECUTE, "it stands at 0 mm, and that is no end"


def test_complete_is_asked_for_again_where_the_line_failed(monkeypatch) -> None:
    led = Led()
    told, command = [], led.client.command

    def failing(what: Command) -> None:
        if what is Command.COMPLETE and not told:
            told.append(what)
            raise LinkError("no answer")
        command(what)

    monkeypatch.setattr(led.client, "command", failing)
    led.robot.go()
    led.until(State.COMPLETE, 60.0)
    assert told and any("did not reach" in line for line in led.live.messages)
