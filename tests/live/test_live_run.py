"""A live run on the twin, in virtual time: what it records, says and asks for."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from plylane.calibrate_run import CalibrateRun
from plylane.feed.strip_plan import StripPlan
from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import ALARMS, Command, EventCode, State, TrimMode, ZoneMode
from plylane.live import LiveRun
from plylane.recording import Recording
from plylane.run_setup import RunSetup, SetupError
from plylane.runlog import Run
from plylane_twin import Scenario, Twin
from plylane_twin.direct import DirectPort

PLAIN = 'format = "plylane scenario 1"\nname = "live"\n'
NO_CURVE = "[plant]\nstrip_length_mm = 60000.0\ncurve = []\n"
SETUP = RunSetup(length_mm=200.0, speed_mm_s=20.0, setpoints_degC=[35.0, 32.0])


class Bench:
    """A live run that is stepped by hand."""

    def __init__(
        self, faults: str = "", setup: RunSetup | None = None, hold_at: float | None = None
    ) -> None:
        self.twin = Twin(Scenario.parse(PLAIN + faults), seed=5)
        self.client = HeadClient.open("direct", opener=lambda _: DirectPort(self.twin))
        self.client.write("guards.settle_time_s", 0)
        for zone in range(2):
            self.client.write("zone_settings.band_degC", 5.0, zone)
        self.poller = Poller(self.client)
        self.live = LiveRun(self.client, self.poller, title="live", setup=setup, hold_at=hold_at)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 50)):
            self.poller.step()

    def run_until(self, state: State, most_s: float) -> None:
        for _ in range(round(most_s * 50)):
            self.poller.step()
            if self.live.latest is not None and self.live.latest.telemetry.state == state:
                return
        raise AssertionError(self.live.messages)


def test_start_writes_the_run_first() -> None:
    bench = Bench(setup=SETUP)
    bench.run(0.1)
    bench.live.command(Command.RESET)
    bench.run_until(State.IDLE, 1.0)
    bench.live.command(Command.START)
    bench.run_until(State.COMPLETE, 200.0)
    assert bench.live.latest is not None
    assert bench.live.latest.telemetry.feed_position_mm == pytest.approx(200.0, abs=0.001)
    assert bench.live.messages == []


def test_the_cut_lies_where_the_run_file_wants_it() -> None:
    """The shear stands 60 mm before the nozzle and fires as much before; the rest is fed out."""
    setup = RunSetup(
        length_mm=200.0,
        speed_mm_s=20.0,
        setpoints_degC=[35.0, 32.0],
        shear_at_mm=150.0,
        trim="off",
        settings={"machine.shear_to_nozzle_mm": 60.0},
    )
    bench = Bench(setup=setup)
    setup.write_settings(bench.client)
    bench.run(0.1)
    bench.live.command(Command.RESET)
    bench.run_until(State.IDLE, 1.0)
    bench.live.command(Command.START)
    bench.run_until(State.COMPLETE, 200.0)
    assert bench.client.read("feed.trim_mode") == TrimMode.OFF
    (fired,) = [e for e in bench.live.events if e.code == EventCode.SHEAR_FIRED]
    assert fired.argument == pytest.approx(90, abs=1)
    assert bench.live.latest is not None
    assert bench.live.latest.telemetry.feed_position_mm == pytest.approx(200.0, abs=0.001)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"shear_at_mm": 200.5}, "beyond length_mm"),
        ({"source": "robot"}, "run.source"),
        ({"trim": "on"}, "run.trim"),
        ({"length_mm": 0}, "length_mm is 0 or left out"),
        ({"length_mm": -1, "source": "path"}, "run.length_mm"),
    ],
)
def test_a_run_that_cannot_be_is_refused_in_a_line(change: dict[str, object], words: str) -> None:
    table = {"length_mm": 200.0, "speed_mm_s": 20.0, "setpoints_degC": [35.0], **change}
    with pytest.raises(SetupError, match=words) as caught:
        RunSetup.from_table(table, "rib.toml")
    assert str(caught.value).startswith("rib.toml: run") and "\n" not in str(caught.value)


def test_a_setpoint_puts_the_zone_in_automatic_and_zero_switches_it_off() -> None:
    bench = Bench()
    bench.run(0.1)
    for setpoint_degC, mode in ((50.0, ZoneMode.AUTOMATIC), (0.0, ZoneMode.OFF)):
        bench.live.set_setpoint(1, setpoint_degC)
        bench.run(0.1)
        assert bench.client.read("zone.mode", 1) == mode


def test_refusals_are_said() -> None:
    bench = Bench()
    bench.run(0.1)
    bench.live.command(Command.UNHOLD)
    bench.live.set_speed(999.0)
    bench.run(0.1)
    assert len(bench.live.messages) == 2


def test_acknowledging_all_leaves_alone_what_nobody_has_seen() -> None:
    bench = Bench()
    asked: list[int] = []
    bench.client.acknowledge = asked.append  # type: ignore[method-assign]
    bench.live.acknowledge(None)
    bench.run(0.1)
    assert asked == []  # nothing has been shown yet
    bench.live.acknowledge(None)
    bench.run(0.1)
    assert asked == [0]
    assert asked[0] != (1 << len(ALARMS)) - 1


def test_a_reset_is_told_and_settings_are_read_again(tmp_path: Path) -> None:
    bench = Bench('[[fault]]\nkind = "brown_out"\nat_s = 5.0\nfor_s = 0.2\n')
    assert bench.live.limits.band_degC == (5.0, 5.0)
    bench.live.record(tmp_path / "run", live=False, plan={})
    bench.run(8.0)
    assert any("reset" in line for line in bench.live.messages)
    assert bench.live.limits.band_degC == (1.0, 1.0)  # it was never saved
    bench.live.close()
    assert Run.open(tmp_path / "run").torn is None


def test_other_parts_after_a_reset_go_into_a_log_of_their_own(tmp_path: Path) -> None:
    bench = Bench('[[fault]]\nkind = "brown_out"\nat_s = 5.0\nfor_s = 0.2\n')
    bench.client.write("machine.lanes_fitted", 3)
    bench.client.write("machine.zones_fitted", 1)
    bench.client.close()
    bench.client = HeadClient.open("direct", opener=lambda _: DirectPort(bench.twin))
    bench.poller = Poller(bench.client)
    bench.live = LiveRun(bench.client, bench.poller, title="live")
    bench.live.record(tmp_path / "run", live=False, plan={})
    bench.run(8.0)
    bench.live.close()
    first, second = Run.open(tmp_path / "run"), Run.open(tmp_path / "run-2")
    assert (first.info.lanes, second.info.lanes) == (3, 5)
    assert (first.info.zones, second.info.zones) == (1, 2)
    assert first.torn is None
    assert second.torn is None
    assert first.rows + second.rows > 350
    assert any("run-2" in line for line in bench.live.messages)


def test_lines_said_from_several_threads_are_all_there() -> None:
    bench = Bench()

    def say(name: str) -> None:
        for k in range(20):
            bench.live.say(f"{name}{k}")

    threads = [threading.Thread(target=say, args=(name,)) for name in "ab"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(bench.live.messages) == 40


def test_a_log_that_cannot_be_written_marks_the_title(tmp_path: Path) -> None:
    bench = Bench()
    bench.live._log_says("the run log cannot be written")
    assert "NOT WRITTEN" in bench.live.title
    bench.live._log_says("the run log is written again")
    assert bench.live.title == "live"


def test_what_calibrating_wrote_is_in_force_from_the_next_run_on(tmp_path: Path) -> None:
    """Limits and detectors follow, and a log of its own, so that a replay finds the same."""
    bench = Bench(NO_CURVE, setup=SETUP)
    bench.live.record(tmp_path / "run", live=False, plan={})
    bench.run(0.1)
    calibrator = bench.live.calibrator()
    calibrator.folder = tmp_path / "calibrations"
    calibrator.measure_slip(20.0)
    finish(bench, calibrator)
    calibrator.write("a new adhesive")
    finish(bench, calibrator)
    slip_percent = bench.client.read("machine.expected_slip_percent")
    assert slip_percent != 1.5
    bench.run(0.1)
    assert bench.live.settings["machine.expected_slip_percent"] == slip_percent
    bench.client.write("guards.mismatch_limit_mm", 11.0)
    bench.run(0.1)
    assert bench.live.limits.mismatch_mm == 11.0
    for _ in range(2):  # the second run goes on in the log of the first
        bench.live.command(Command.RESET)
        bench.run_until(State.IDLE, 1.0)
        bench.live.command(Command.START)
        bench.run_until(State.COMPLETE, 200.0)
    bench.live.close()
    assert [path.name for path in sorted(tmp_path.glob("run*"))] == ["run", "run-2"]
    first, second = (Recording.open(tmp_path / name) for name in ("run", "run-2"))
    assert first.settings.expected_slip == 0.015
    assert second.settings.expected_slip == pytest.approx(slip_percent / 100)
    assert second.otherwise is None
    assert any("Settings were changed" in line for line in bench.live.messages)


def finish(bench: Bench, calibrator: CalibrateRun, trouble: str = "") -> None:
    while calibrator.busy:
        bench.poller.step()
    said = calibrator.status.trouble
    assert said.startswith(trouble) if trouble else not said


def test_strips_too_short_for_a_sweep_are_known_from_the_run_file() -> None:
    strips = StripPlan(
        loaded_mm=[9000.0, 9000.0, 9000.0, 780.0, 9000.0], next_mm=900.0, wheel_to_nozzle_mm=150.0
    )
    bench = Bench(setup=SETUP.model_copy(update={"strips": strips}))
    bench.run(0.3)
    bench.live.calibrator().sweep_ratio(14.0)
    finish(bench, bench.live.calibrator(), trouble="lane 4 has 780 mm of strip left")
