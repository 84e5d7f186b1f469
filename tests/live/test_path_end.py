"""A live run that a robot leads, on the twin: how it ends."""

from __future__ import annotations

from pathlib import Path
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
LOOK_MS = 40


class Nobody:
    """A door that leads nowhere: the robot has fallen silent."""

    def write_reference(self, stamp_ms: int, position_mm: float, speed_mm_s: float) -> None:
        pass


SETTINGS = {
    "machine.shear_to_nozzle_mm": LEAD_MM,
    "machine.acceleration_mm_s2": 60.0,
    "guards.settle_time_s": 0.0,
    "zone_settings.band_degC": [5.0, 5.0, 5.0],
}


def setup(**run: Any) -> RunSetup:
    given = {"length_mm": LENGTH_MM, "source": "path_position", "trim": "automatic", **run}
    return RunSetup(speed_mm_s=20.0, setpoints_degC=[35.0, 32.0], settings=SETTINGS, **given)


class Led:
    """A robot, a head and its live run, stepped together; in Execute, the robot at the start."""

    def __init__(self, run: RunSetup, *pieces: Piece) -> None:
        self.twin = Twin(Scenario.parse(PLAIN), seed=5)
        self.client = HeadClient.open("direct", opener=lambda _: DirectPort(self.twin))
        run.write_settings(self.client)
        self.poller = Poller(self.client, LOOK_MS / 1000.0)
        self.live = LiveRun(self.client, self.poller, title="led", setup=run)
        path = RobotPath(pieces or (Piece(0.0, LENGTH_MM, 20.0),))
        self.robot = MotionSource(self.twin, path, HeadDoor(self.client))
        self.pass_s(0.1)
        self.start()

    @property
    def state(self) -> State | None:
        return self.live.latest.telemetry.state if self.live.latest else None

    def start(self) -> None:
        self.live.command(Command.RESET)
        self.until(State.IDLE, 1.0)
        self.live.command(Command.START)
        self.until(State.EXECUTE, 120.0)

    def pass_s(self, seconds: float) -> None:
        for _ in range(round(seconds * 1000 / LOOK_MS)):
            self.robot.advance(LOOK_MS)
            self.poller.step()

    def until(self, state: State, most_s: float) -> None:
        for _ in range(round(most_s * 1000 / LOOK_MS)):
            self.pass_s(LOOK_MS / 1000.0)
            if self.state is state:
                return
        raise AssertionError((self.state, self.live.messages))

    def jog_in_a_hold(self, length_mm: float) -> None:
        self.live.command(Command.HOLD)
        self.until(State.HELD, 5.0)
        for name, value in (("jog_speed_mm_s", 20.0), ("jog_length_mm", length_mm)):
            self.client.write(f"feed.{name}", value)
        self.pass_s(2.0)
        self.live.command(Command.UNHOLD)
        self.until(State.EXECUTE, 60.0)

    def said(self, words: str) -> int:
        return len([line for line in self.live.messages if words in line])


@pytest.mark.parametrize("trim", ["automatic", "off"])
def test_the_run_ends_where_the_path_does_the_cut_before_and_the_rest_fed_out(trim: str) -> None:
    led = Led(setup(trim=trim, shear_at_mm=LENGTH_MM))
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
    led = Led(setup(), Piece(0.0, LENGTH_MM - 2.0, 20.0))
    led.robot.go()
    led.pass_s(25.0)
    assert led.robot.done and led.state is State.EXECUTE


def test_a_robot_that_stops_a_little_short_has_arrived() -> None:
    led = Led(setup(), Piece(0.0, LENGTH_MM - 0.3, 20.0))
    led.robot.go()
    led.until(State.COMPLETE, 60.0)


@pytest.mark.parametrize("trim", ["automatic", "fixed", "off"])
@pytest.mark.parametrize("jog_mm", [20.0, -20.0])
def test_a_jog_in_a_hold_is_no_part_of_the_way(trim: str, jog_mm: float) -> None:
    """The robot pauses 12 mm before its end: nearer to it than the jog is long."""
    pauses = Piece(0.0, 50.0, 20.0, pause_s=9.0), Piece(50.0, LENGTH_MM - 12.0, 20.0, pause_s=2.0)
    led = Led(setup(trim=trim), *pauses, Piece(LENGTH_MM - 12.0, LENGTH_MM, 20.0))
    led.robot.go()
    led.pass_s(5.0)
    led.jog_in_a_hold(jog_mm)
    assert 5.0 < led.robot.position_mm < 51.0
    led.until(State.COMPLETE, 40.0)
    assert led.robot.done
    assert not led.live.messages


def test_a_path_that_goes_on_behind_length_mm_is_told_once_and_left_to_a_person() -> None:
    led = Led(setup(), Piece(0.0, 400.0, 20.0, pause_s=4.0), Piece(400.0, 450.0, 20.0))
    led.robot.go()
    led.pass_s(40.0)
    assert led.robot.done and led.state is State.EXECUTE
    assert led.said("longer than length_mm") == len(led.live.messages) == 1
    led.live.command(Command.COMPLETE)
    led.until(State.COMPLETE, 5.0)


def test_a_length_that_no_run_file_gave_is_told_as_the_run_begins() -> None:
    """Left in the head by another run, or written by the cell: only a person can tell."""
    led = Led(setup())
    led.live.command(Command.STOP)
    led.until(State.STOPPED, 5.0)
    assert not led.live.messages
    led.live.setup = None
    for zone, degC in enumerate((35.0, 32.0)):
        led.live.set_setpoint(zone, degC)
    led.start()
    led.pass_s(3.0)
    assert led.said("the path ends at 300 mm") == len(led.live.messages) == 1
    assert led.state is State.EXECUTE


def test_what_the_robot_said_in_the_run_before_is_no_end_of_this_one() -> None:
    led = Led(setup())
    led.robot.go()
    led.until(State.COMPLETE, 60.0)
    led.robot.door = Nobody()
    led.start()
    led.pass_s(3.0)
    assert led.state is State.EXECUTE and led.robot.done


def test_a_shear_that_has_not_fired_is_told_and_the_run_left_to_a_person() -> None:
    """The cut is wanted 60 mm behind the end, so the shear, 60 mm before the nozzle, is due just as
    the path ends, and untrimmed the cord is short by its slip.
    """
    led = Led(setup(trim="off", shear_at_mm=LENGTH_MM))
    led.live.client.write("feed.shear_at_mm", LENGTH_MM + LEAD_MM)
    led.robot.go()
    led.pass_s(25.0)
    assert led.state is State.EXECUTE
    assert led.said("shear has not fired") == 1
    assert not [e for e in led.live.events if e.code == EventCode.SHEAR_FIRED]
    led.live.command(Command.COMPLETE)
    led.until(State.COMPLETE, 5.0)
    led.pass_s(0.2)
    assert len(led.live.messages) == 1


@pytest.mark.parametrize("short_mm", [0.0, 20.0])
def test_a_length_that_ends_without_its_cut_is_told(short_mm: float) -> None:
    """The shear comes due at the very end, and the cord is short by its slip, or 20 mm before."""
    led = Led(setup(source="length", trim="off", shear_at_mm=LENGTH_MM))
    led.live.client.write("feed.shear_at_mm", LENGTH_MM + LEAD_MM - short_mm)
    led.until(State.COMPLETE, 60.0)
    led.pass_s(0.2)
    fired = [event for event in led.live.events if event.code == EventCode.SHEAR_FIRED]
    assert len(fired) == (short_mm > 0.0)
    assert led.said("The length is reached and the shear has not fired") == (short_mm == 0.0)


@pytest.mark.parametrize("line", ["", "length_mm = 0"])
def test_a_path_of_unknown_length_ends_when_somebody_says_so(line: str, tmp_path: Path) -> None:
    file = tmp_path / "run.toml"
    run = f'[run]\n{line}\nsource = "path_position"\nspeed_mm_s = 20.0\nshear_at_mm = 90.0\n'
    settings = "".join(f'"{name}" = {value}\n' for name, value in SETTINGS.items())
    file.write_text(f"{run}setpoints_degC = [35.0, 32.0]\n[run.settings]\n{settings}")
    led = Led(RunSetup.load(file))
    led.pass_s(2.0)
    led.robot.go()
    led.pass_s(25.0)
    assert led.robot.done and led.twin.plant.cuts == 1
    assert led.state is State.EXECUTE, "neither 0 mm nor where the robot stands is an end"
    assert not led.live.messages


def test_complete_is_asked_for_again_where_the_line_failed(monkeypatch) -> None:
    led = Led(setup())
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
