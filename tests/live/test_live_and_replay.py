"""What was found live is found in the log, to the row: on the twin, with and without a reset.

On the board's binary the same is shown by the demo there (tests/board/test_demo.py).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from plylane.feed.strip_plan import StripPlan
from plylane.head.registers import Command, State
from plylane.jam import Finding
from plylane.recording import Recording
from plylane.run_setup import RunSetup
from test_live_run import Bench

JAM = '[[fault]]\nkind = "lane_jam"\nlane = 2\nat_output_mm = {at}\n'
RESET = '[[fault]]\nkind = "brown_out"\nat_output_mm = 60.0\nfor_s = 0.2\n'
SLIPS = '[[fault]]\nkind = "output_wheel_slip"\nat_output_mm = 150.0\nslip_percent = 30.0\n'
STANDS = '[[fault]]\nkind = "lane_wheel_stuck"\nlane = 2\nat_output_mm = 150.0\n'
SETUP = RunSetup(length_mm=400.0, speed_mm_s=20.0, setpoints_degC=[35.0, 32.0])


def start(bench: Bench) -> None:
    for zone in range(2):
        bench.client.write("zone_settings.band_degC", 5.0, zone)
    bench.client.write("guards.settle_time_s", 0)
    bench.live.command(Command.RESET)
    bench.run_until(State.IDLE, 3.0)
    bench.live.command(Command.START)
    bench.run_until(State.EXECUTE, 200.0)


@pytest.mark.parametrize("reset", [False, True], ids=["through", "reset"])
def test_live_and_replay_find_the_same(reset: bool, tmp_path: Path) -> None:
    bench = Bench((RESET if reset else "") + JAM.format(at=150.0), SETUP)
    bench.live.record(tmp_path / "run", live=False, plan={})
    bench.run(0.2)
    start(bench)
    if reset:
        bench.run(6.0)
        assert any("reset" in line for line in bench.live.messages)
        start(bench)
    replayed = replayed_alike(bench, tmp_path / "run")
    assert kinds(replayed.findings)[-1] == ("strip_stuck", 2)
    assert len(replayed.resets) == reset


def replayed_alike(bench: Bench, folder: Path) -> Recording:
    """Follow it until it is held; what the log says then is what was told."""
    bench.run_until(State.HELD, 60.0)
    bench.live.close()
    replayed = Recording.open(folder)
    live = [found.to_json() for found in bench.live.findings]
    assert [found.to_json() for found in replayed.findings] == live
    assert replayed.run.recorded_findings() == live
    assert replayed.otherwise is None
    return replayed


def played(folder: Path, fault: str, setup: RunSetup, hold_at: float | None = None) -> Recording:
    bench = Bench(fault, setup, hold_at)
    bench.live.record(folder, live=False, plan={})
    bench.run(0.2)
    start(bench)
    return replayed_alike(bench, folder)


def kinds(findings: list[Finding]) -> list[tuple[str, int | None]]:
    return [(found.kind, found.lane) for found in findings]


def state_at(recording: Recording, time_s: float) -> State:
    columns = recording.run.columns(["time_s", "state"])
    return State(columns["state"][np.searchsorted(columns["time_s"], time_s)])


def test_what_made_the_head_s_own_guard_hold_is_found_in_the_log(tmp_path: Path) -> None:
    """The wheel slips as in a burst, so nothing is told before."""
    replayed = played(tmp_path / "run", SLIPS, SETUP)
    assert kinds(replayed.findings) == [("output_wheel_dirty", None)]
    (found,) = replayed.findings
    assert state_at(replayed, found.time_s) == State.HOLDING
    assert found.likelihood is not None and found.likelihood >= 0.95


def test_what_decides_while_the_feed_brakes_is_found_in_the_log(tmp_path: Path) -> None:
    """A lane's wheel comes to stand 12 mm before its strip's end. The host, told to hold at any
    doubt, holds at the undecided finding; a few millimetres more decide."""
    strips = StripPlan(
        loaded_mm=[2000.0, 163.0, 2000.0, 2000.0, 2000.0], next_mm=2400.0, wheel_to_nozzle_mm=50.0
    )
    replayed = played(tmp_path / "run", STANDS, SETUP.model_copy(update={"strips": strips}), 0.05)
    assert kinds(replayed.findings) == [("unknown", 2), ("lane_wheel_stuck", 2)]
    states = [state_at(replayed, found.time_s) for found in replayed.findings]
    assert states == [State.EXECUTE, State.HOLDING]
    assert any(entry.kind == "hold" for entry in replayed.run.journal_entries())
