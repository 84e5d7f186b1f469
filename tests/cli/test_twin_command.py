"""`plylane twin` with a robot beside it, and a host at its port."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import Command, State
from plylane.live import LiveRun
from plylane.run_setup import RunSetup


def until(true: Callable[[], bool], most_s: float = 20.0) -> None:
    end_s = time.monotonic() + most_s
    while not true():
        assert time.monotonic() < end_s, "it did not come true"
        time.sleep(0.005)


def stepped(live: LiveRun, asked: Command | None) -> bool:
    """One more poll; a command once the head would take it, else whether the run is complete."""
    live.poller.step()
    if asked is None:
        return live.latest is not None and live.latest.telemetry.state is State.COMPLETE
    if asked not in live.allowed_commands():
        return False
    live.command(asked)
    return True


@pytest.mark.skipif(os.name == "nt", reason="pseudo terminals are POSIX")
def test_a_path_file_leads_the_served_twin_through_a_run(tmp_path: Path) -> None:
    """The same file for the robot and for the run, as docs/following.md has it."""
    (tmp_path / "robot.csv").write_text(
        "from_mm,to_mm,speed_mm_s,curvature_per_mm\n0,60,20,0\n60,120,14,0.0125\n"
    )
    (tmp_path / "run.toml").write_text(
        '[run]\npath_file = "robot.csv"\nsource = "path_position"\nspeed_mm_s = 20.0\n'
        "setpoints_degC = [35.0, 32.0]\n[run.settings]\n"
        '"guards.settle_time_s" = 0.0\n"zone_settings.band_degC" = [5.0, 5.0, 5.0]\n'
    )
    command = [sys.executable, "-m", "plylane.cli", "twin", "--pty", "head", "--pace", "3"]
    command += ["--path", "robot.csv", "--reference-jitter-ms", "10"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline()
            until(lambda: (tmp_path / "head").is_symlink())
            with HeadClient.open(str(tmp_path / "head")) as client:
                setup = RunSetup.load(tmp_path / "run.toml")
                setup.write_settings(client)
                live = LiveRun(client, Poller(client), title="led", setup=setup)
                for asked in (Command.RESET, Command.START, None):
                    until(lambda asked=asked: stepped(live, asked), 60.0)
                assert [entry.kind for entry in live.journal] == ["path_end"]
            process.send_signal(signal.SIGTERM)
            assert process.wait(10) == 0
        finally:
            process.kill()
