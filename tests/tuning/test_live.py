"""The runner beside a poller's thread, arithmetic in a thread of its own, as the screen has it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import ZoneMode
from plylane.live import LiveRun
from plylane.tune_run import TuneRun
from plylane.tune_run.record_file import FILE
from tune_rig import PLAIN

PATIENCE_S = 60.0


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveRun]:
    file = tmp_path / "plain.toml"
    file.write_text(PLAIN + "[run]\nlength_mm = 1.0\nspeed_mm_s = 1.0\nsetpoints_degC = [50.0]\n")
    client = HeadClient.open(f"twin://{file}?seed=7&pace=25")
    client.write("guards.link_timeout_ms", 60_000)  # of twin time: a busy computer is no fault
    client.write("zone.setpoint_degC", 60.0, 1)
    client.write("feed.strip_in", 0)
    run = LiveRun(client, Poller(client), title="live")
    run.record(tmp_path / "run", live=True, plan={})
    run.poller.start()
    yield run
    run.leave_tuning()
    run.poller.stop()
    run.close()
    client.close()


def until_idle(tuner: TuneRun) -> str:
    until_s = time.monotonic() + PATIENCE_S
    while tuner.busy:
        assert time.monotonic() < until_s, tuner.status
        time.sleep(0.02)
    return tuner.status.trouble


def test_an_experiment_from_start_to_gains(live: LiveRun) -> None:
    tuner = live.tuner()
    assert live.tuner() is tuner
    until_s = time.monotonic() + PATIENCE_S
    while tuner.latest is None and time.monotonic() < until_s:
        time.sleep(0.01)
    tuner.experiment(1, "relay", switchings=6)
    assert until_idle(tuner) == ""
    tuner.apply(1, "simc")
    assert until_idle(tuner) == ""
    kp = tuner.tunings[1].view("simc").gains.kp
    held = live.poller.call(lambda c: c.read("zone_settings.kp_percent_per_degC", 1)).result(5.0)
    assert held == pytest.approx(kp, abs=0.006)
    assert live.run_folder is not None and (live.run_folder / FILE).is_file()


def test_leaving_gives_the_zone_back(live: LiveRun) -> None:
    tuner = live.tuner()
    until_s = time.monotonic() + PATIENCE_S
    while tuner.latest is None and time.monotonic() < until_s:
        time.sleep(0.01)
    tuner.experiment(1, "relay")
    while "switchings" not in tuner.status.text and time.monotonic() < until_s:
        time.sleep(0.01)
    assert live.latest is not None and live.latest.zones[1].mode == ZoneMode.EXPERIMENT
    live.leave_tuning()
    assert not tuner.busy
    time.sleep(0.1)
    snapshot = live.poller.call(lambda c: c.snapshot()).result(5.0)
    assert snapshot.zones[1].mode == ZoneMode.OFF
