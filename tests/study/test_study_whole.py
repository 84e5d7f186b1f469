"""The study and the table of runs as a whole: on local processes, on a cluster, cut off and gone
on with."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from plylane.head.client import HeadClient
from plylane.head.registers import State
from plylane.head.snapshot import Snapshot
from plylane.jam import FeedWatch, WatchSettings, columns_needed
from plylane.parallel import Spread
from plylane.run_table import run_table
from plylane.runlog import Recorder, RunError, RunInfo
from plylane.study import StudyPlan, run_study
from plylane.study.cases import FAULTS, LANES, fault_case, normal_hour, runs_out
from plylane.study.chunks import FaultChunk, lost_mm
from plylane.study.drive import placed, play_fault
from plylane.study.run import KEPT
from plylane.study_command import replay_table, study
from plylane.twin_door import demo_scenario, quick_port
from plylane_twin import Scenario
from plylane_twin.plant_parameters import PlantParameters

PLAN = StudyPlan(hours=0.04, faults=25, seed=3)
ONE = Spread(jobs=1)
COMMAND = ["study", "--hours", "0.04", "--faults", "25", "--seed", "3", "--json"]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the figures' chunks are kept."""
    return tmp_path_factory.mktemp("kept")


@pytest.fixture(scope="module")
def figures(kept: Path) -> str:
    """In one process, in one go."""
    return json.dumps(run_study(PLAN, kept, ONE).to_json())


# ------------------------------------------------------------------ cases


def test_every_case_is_a_scenario_and_the_same_again() -> None:
    cases = [fault_case(5, number) for number in range(120)] + [normal_hour(5, 0)]
    assert cases == [fault_case(5, number) for number in range(120)] + [normal_hour(5, 0)]
    assert {case.fault for case in cases} == {kind.name for kind in FAULTS} | {""}
    assert {case.lane for case in cases} == {None, *range(1, LANES + 1)}
    assert len({case.twin_seed for case in cases}) == len(cases)
    radii = [curve.radius_mm for case in cases for curve in _curves(case.scenario)]
    assert min(radii) == 45.0
    assert fault_case(6, 0) != fault_case(5, 0)


def _curves(text: str) -> list[Any]:
    return list(PlantParameters.load(Scenario.parse(text).plant).curve)


def test_a_trial_says_what_the_detector_says() -> None:
    """One abrupt jam by hand: first finding after the onset, strip fed meanwhile."""
    number = next(n for n in range(40) if fault_case(7, n).fault == "lane jam")
    case = fault_case(7, number)
    columns, guard = play_fault(case)
    first = FeedWatch().judge(columns)[0]
    (told,) = FaultChunk(7, number, 1).run()["trials"]
    assert (told["told"]["kind"], told["guard"]) == (first.kind, guard)
    assert told["told"]["delay_s"] == first.time_s - case.onset_s > 0.0
    fed = case.speed_mm_s * (first.time_s - case.onset_s)  # at a steady speed
    assert told["told"]["lost_mm"] == pytest.approx(fed, abs=0.05)
    assert lost_mm(case, columns, case.onset_s) == 0.0


def test_the_detector_cannot_know_before_the_fault() -> None:
    """Up to its onset, a run with a fault is the run without, row for row."""
    case = fault_case(7, 1)
    columns, _ = play_fault(case)
    quiet, _ = play_fault(replace(case, scenario=case.scenario.split("[[fault]]")[0]))
    before = columns["time_s"] < case.onset_s
    for name, column in columns.items():
        assert np.array_equal(column[before], quiet[name][: len(column)][before]), name


def test_a_strip_runs_out_where_it_ends_and_the_book_nearly_knows() -> None:
    number = next(n for n in range(40) if fault_case(7, n).fault == "strip out")
    case = placed(fault_case(7, number))
    plant = PlantParameters.load(Scenario.parse(case.scenario).plant)
    columns, guard = play_fault(case)
    assert guard == f"Alarm lane stopped: lane {case.lane}"
    stands_mm = columns[f"lane{case.lane}_position_mm"][-1]
    ends_mm = plant.first_joints_mm[case.lane - 1] + 2400.0 * np.arange(3)
    assert min(abs(stands_mm - ends_mm)) < 2.0
    (book,) = (ends for ends in case.strip_ends if ends.lane == case.lane)
    errors = np.array(book.ends_mm[:3]) - ends_mm
    assert 0.0 < max(abs(errors)) < 60.0
    assert runs_out(fault_case(7, number), case.onset_s) == case


@pytest.mark.parametrize(("seed", "number"), [(502, 307)])
def test_a_fault_comes_to_a_head_that_feeds(seed: int, number: int) -> None:
    """Here the head's own guard held the feed before the fault: it was cleared and went on."""
    case = fault_case(seed, number)
    narrow = {**case.settings, "guards.mismatch_limit_mm": 8.0}  # which this healthy run trips
    columns, guard = play_fault(replace(case, settings=narrow))
    before = columns["time_s"] < case.onset_s
    states = columns["state"][before]
    assert State.HELD in states and states[-1] == State.EXECUTE
    assert guard == "Alarm feed mismatch"


ONCE_WRONG = {
    16: ("output wheel slips", "output_wheel_dirty"),  # was missed: as steep as a burst
    31: ("head jam, creeping", "head_jam"),  # was taken for lost steps
    336: ("slip growing", "slip_growing"),  # was missed: learnt as fast as it grew
    696: ("head jam, creeping", "head_jam"),
    770: ("slip of 10 %", "slip_growing"),  # was followed by a strip that sticks
}


@pytest.mark.parametrize("number", ONCE_WRONG)
def test_what_was_once_taken_for_something_else(number: int) -> None:
    case = fault_case(901, number)
    assert (case.fault, case.truth) == ONCE_WRONG[number]
    columns, _ = play_fault(case)
    found = FeedWatch(WatchSettings(strip_ends=case.strip_ends)).judge(columns)
    assert found[-1].kind == case.truth
    lengths = columns_needed(LANES)
    rows = zip(*(columns[name].tolist() for name in (*lengths, "alarms_active")), strict=True)
    watch = FeedWatch(WatchSettings(strip_ends=case.strip_ends))
    plain = {name: columns[name] for name in (*lengths, "alarms_active")}
    pushed = [
        found
        for time_s, state, fed_mm, out_mm, *lanes_mm, alarms in rows
        for found in watch.push(time_s, state, fed_mm, out_mm, lanes_mm, alarms=alarms)
    ]
    assert pushed == FeedWatch(WatchSettings(strip_ends=case.strip_ends)).judge(plain)


def test_the_last_word_with_the_host_s_hold_comes_from_a_head_that_was_held() -> None:
    """Up to the hold the run is the same; then the head brakes and stands."""
    case = fault_case(7, next(n for n in range(40) if fault_case(7, n).fault == "lane jam"))
    columns, _ = play_fault(case)
    found = FeedWatch(WatchSettings(strip_ends=case.strip_ends)).judge(columns)
    hold_s = next(one.time_s for one in found if one.time_s >= case.onset_s)
    held, guard = play_fault(case, hold_s)
    assert (held["state"][-1], guard) == (State.HELD, "")
    before = held["time_s"] <= hold_s
    for name, column in held.items():
        assert np.array_equal(column[before], columns[name][: len(column)][before]), name
    braking = held["state"] == State.HOLDING
    assert 0.0 < np.ptp(held["feed_position_mm"][held["time_s"] > hold_s]) < 6.0
    assert braking.any() and np.all(held["time_s"][braking] > hold_s)


# ------------------------------------------------------------------ same figures everywhere


def test_a_cluster_gives_the_same_to_the_bit(figures: str, cluster: str, tmp_path: Path) -> None:
    result = run_study(PLAN, tmp_path, Spread(cluster=cluster))
    assert json.dumps(result.to_json()) == figures


def plylane(*arguments: str, cwd: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "plylane.cli", *arguments]
    pipe = subprocess.PIPE
    return subprocess.Popen(
        command, cwd=cwd, stdout=pipe, stderr=pipe, text=True, start_new_session=True
    )


@pytest.mark.parametrize(("number", "jobs"), [(signal.SIGINT, "2"), (signal.SIGKILL, "1")])
def test_ended_at_any_time_it_goes_on(number: int, jobs: str, figures: str, tmp_path: Path) -> None:
    process = plylane(*COMMAND, "--jobs", jobs, cwd=tmp_path)
    kept = tmp_path / "study" / KEPT
    while process.poll() is None and not (kept.exists() and kept.stat().st_size):
        time.sleep(0.02)
    os.killpg(process.pid, number)  # as a terminal does with Ctrl-C, or as a power cut
    _, said = process.communicate(timeout=60)
    if number == signal.SIGINT and process.returncode:
        assert process.returncode == 2
        assert said.startswith("plylane: interrupted") and said.count("\n") == 1
    finished = kept.read_bytes().count(b"\n")
    assert finished >= 1
    again = plylane(*COMMAND, "--jobs", "1", cwd=tmp_path)
    told, said = again.communicate(timeout=120)
    assert (again.returncode, said) == (0, "")
    assert json.dumps(json.loads(told)) == figures
    assert kept.read_bytes().count(b"\n") == 3


def test_the_tables_are_printed(
    figures: str, kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study(hours=PLAN.hours, faults=PLAN.faults, seed=PLAN.seed, out=kept)
    told, said = capsys.readouterr()
    form = json.loads(figures)
    assert said == ""
    assert f"False alarms: {form['false_alarms']['count']} in" in told
    for word in ("first", "last"):
        count = form["diagnosis"]["told" if word == "first" else word]["told"]
        assert f"Diagnosis by the {word} finding of {count}:" in told
    count = form["diagnosis"]["held"]["told"]
    assert f"Diagnosis by the last finding where the host holds of {count}:" in told
    headings = ("First finding", "Last finding", "beside the optimum")
    assert all(heading in told for heading in headings)


# ------------------------------------------------------------------ many runs


def recorded(folder: Path, case_number: int) -> None:
    """A run log of a case of the study."""
    case = placed(fault_case(7, case_number))
    columns, _ = play_fault(case)
    port = quick_port(demo_scenario().read_text(encoding="utf-8"), 1)
    client = HeadClient.open("twin", opener=lambda _: port)
    model = client.snapshot()
    recorder = Recorder(folder, RunInfo(name=case.fault, zones=2, drives=3, lanes=LANES))
    for row in range(len(columns["time_s"])):
        now = {name: column[row].item() for name, column in columns.items()}
        telemetry = replace(
            model.telemetry,
            state=now["state"],
            feed_position_mm=now["feed_position_mm"],
            output_position_mm=now["output_position_mm"],
        )
        lanes = tuple(
            replace(lane, position_mm=now[f"lane{number}_position_mm"])
            for number, lane in enumerate(model.lanes, 1)
        )
        recorder.on_snapshot(Snapshot(now["time_s"], telemetry, model.drives, model.zones, lanes))
    recorder.close(State.HELD)


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two whole runs, a torn one, one that is no run any more, and what is none at all."""
    folder = tmp_path_factory.mktemp("runs")
    for name, number in {"a-lane": 0, "b-head": 2, "c-torn": 4}.items():
        recorded(folder / name, number)
    torn = folder / "c-torn" / "telemetry.arrows"
    torn.write_bytes(torn.read_bytes()[:-100])
    (folder / "d-bad").mkdir()
    (folder / "d-bad" / "run.toml").write_text("name = ", encoding="utf-8")
    (folder / "notes").mkdir()
    (folder / "readme.txt").touch()
    return folder


def test_a_table_over_many_runs(runs: Path, cluster: str) -> None:
    table = run_table(runs, ONE)
    assert table.runs == 3
    assert [f["run"] for f in table.findings] == sorted(f["run"] for f in table.findings)
    kinds = {finding["run"]: finding["kind"] for finding in table.findings}
    assert (kinds["a-lane"], kinds["b-head"]) == ("strip_stuck", "head_jam")
    assert all(finding["text"].startswith("At ") for finding in table.findings)
    torn, bad = (note for note in table.notes if "Judged otherwise" not in note)
    assert torn.startswith("c-torn: The log is torn") and bad.startswith("d-bad: ")
    assert run_table(runs, Spread(cluster=cluster)) == table
    assert run_table(runs / "a-lane", ONE).findings == table.findings[:1]


def test_the_table_as_a_command(runs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    replay_table(runs, None, as_json=False)
    told = capsys.readouterr().out
    assert "a-lane" in told and "Note: c-torn" in told and "Note: d-bad" in told
    process = plylane("replay", str(runs), "--table", "--json", cwd=runs)
    told, said = process.communicate(timeout=120)
    assert (process.returncode, said) == (0, "")
    assert json.loads(told) == run_table(runs, ONE).to_json()


def test_a_folder_without_runs_is_said(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="holds no run"):
        run_table(tmp_path, ONE)
    with pytest.raises(RunError, match="give a folder of runs"):
        run_table(tmp_path / "nowhere", ONE)
