"""A robot that plays a path file beside a twin, and a host that runs the same file."""

from __future__ import annotations

from pathlib import Path

import pytest

from bare_head import frame, unwords, words
from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import Command, PathReferenceRegs, State
from plylane.live import LiveRun
from plylane.run_setup import RunSetup
from plylane_twin import Cell, PathError, RobotPath, Scenario, Twin
from plylane_twin.beside import Beside, GapDoor
from plylane_twin.direct import DirectPort

PLAIN = 'format = "plylane scenario 1"\nname = "beside"\n[line]\nbit_error_rate = 0.0\n'
PATH = """from_mm,to_mm,speed_mm_s,curvature_per_mm,pause_s
0,80,20,0,1.0
80,140,14,0.0125,0
140,200,20,0,0
"""
RUN = """[run]
path_file = "path.csv"
source = "path_position"
trim = "automatic"
speed_mm_s = 20.0
setpoints_degC = [35.0, 32.0]
[run.settings]
"guards.settle_time_s" = 0.0
"zone_settings.band_degC" = [5.0, 5.0, 5.0]
"""


class BesidePort(DirectPort):
    """While the host waits, time passes for the robot too."""

    def __init__(self, twin: Twin, beside: Beside) -> None:
        super().__init__(twin)
        self._beside = beside

    def sleep(self, seconds: float, /) -> None:
        self._beside.advance(max(1, round(seconds * 1000)))


class Host:
    def __init__(self, folder: Path) -> None:
        (folder / "path.csv").write_text(PATH)
        (folder / "run.toml").write_text(RUN)
        self.twin = Twin(Scenario.parse(PLAIN), seed=5)
        self.beside = Beside(self.twin, RobotPath.load(folder / "path.csv"), Cell())
        port = BesidePort(self.twin, self.beside)
        self.client = HeadClient.open("beside", opener=lambda _: port)
        setup = RunSetup.load(folder / "run.toml")
        setup.write_settings(self.client)
        self.poller = Poller(self.client)
        self.live = LiveRun(self.client, self.poller, title="beside", setup=setup)

    def until(self, state: State, most_s: float = 60.0) -> None:
        for _ in range(round(most_s * 50)):
            self.poller.step()
            if self.twin.state == state.name.lower():
                return
        raise AssertionError((self.twin.state, self.live.events[-3:], self.live.messages))

    def start(self) -> None:
        self.poller.step()
        self.live.command(Command.RESET)
        self.until(State.IDLE)
        self.live.command(Command.START)
        self.until(State.EXECUTE)


def test_it_goes_holds_and_goes_on_with_the_head_and_begins_anew_with_the_next_run(
    tmp_path: Path,
) -> None:
    host = Host(tmp_path)
    for _ in range(2):
        host.start()
        from_mm = host.twin.plant.cord_mm
        while host.beside.robot.position_mm < 30.0:
            host.poller.step()
        assert host.twin.plant.set.curve_start_mm[0] == pytest.approx(from_mm + 80.0, abs=0.5)
        host.live.command(Command.HOLD)
        host.until(State.HELD)
        held_mm = host.beside.robot.position_mm
        for _ in range(100):
            host.poller.step()
        assert host.beside.robot.position_mm == held_mm
        host.live.command(Command.UNHOLD)
        host.until(State.COMPLETE)
        assert host.beside.robot.done
        assert host.twin.plant.cord_mm - from_mm == pytest.approx(200.0, abs=1.0)
    assert len([entry for entry in host.live.journal if entry.kind == "path_end"]) == 2
    assert not host.live.messages


def test_a_reference_waits_for_a_gap_between_the_frames_of_a_host() -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1: a frame is spoilt by a silence within, or a guest."""
    twin = Twin(Scenario.parse(PLAIN), seed=5)
    twin.advance(300)
    address = PathReferenceRegs.BLOCK.address
    request = b"\x10" + words([address, 4])
    twin.line.write(frame(1, request + b"\x08" + words([3, 0, 0, 0])))
    twin.advance(1)  # of the 1.6 ms that its 17 characters take
    GapDoor(twin).write_reference(0x10007, 12.0, 5.0)
    twin.advance(100)
    assert twin.line.read(99) == frame(1, request)
    stamp = twin.exchange(frame(1, b"\x03" + words([address, 1])))
    assert unwords(stamp[3:5]) == [7]


def test_a_path_with_more_bends_than_the_plant_holds_is_refused() -> None:
    twin = Twin(Scenario.parse(PLAIN), seed=5)
    bends = "".join(f"{k},{k + 1},10,{0.01 + 0.001 * (k % 2)}\n" for k in range(200))
    path = RobotPath.from_csv("from_mm,to_mm,speed_mm_s,curvature_per_mm\n" + bends)
    with pytest.raises(PathError, match="200; join"):
        Beside(twin, path, Cell())
