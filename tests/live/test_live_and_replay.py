"""What was found live is found in the log, to the row: on the twin, with and without a reset.

On the board's binary the same is shown by the demo there (tests/board/test_demo.py).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from plylane.head.registers import Command, State
from plylane.recording import Recording
from plylane.run_setup import RunSetup
from test_live_run import Bench

JAM = '[[fault]]\nkind = "lane_jam"\nlane = 2\nat_output_mm = {at}\n'
RESET = '[[fault]]\nkind = "brown_out"\nat_output_mm = 60.0\nfor_s = 0.2\n'
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
    bench.run_until(State.HELD, 60.0)
    bench.live.close()
    replayed = Recording.open(tmp_path / "run")
    live = [found.to_json() for found in bench.live.findings]
    assert [(found["kind"], found["lane"]) for found in live][-1] == ("strip_stuck", 2)
    assert [found.to_json() for found in replayed.findings] == live
    assert replayed.run.recorded_findings() == live
    assert replayed.otherwise is None
    assert len(replayed.resets) == reset
