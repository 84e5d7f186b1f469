"""How runs departed from their plan stands in their log, as soon as they have ended."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from plylane.head.registers import Command, State
from plylane.run_plan import (
    AS_PLANNED,
    DEPARTED,
    KEPT,
    WORKED_OUT,
    against_plan,
    departure_lines,
    departures_of,
)
from plylane.runlog import Entry, Run, RunError
from test_live_run import SETUP, Bench

CORD: dict[str, Any] = {
    "speed_mm_s": 20.0,
    "setpoints_degC": [35.0, 32.0],
    "tolerance_K": 20.0,
    "length_mm": 200.0,
    "stagger_mm": 30.0,
    "joints": [{"lane": 1, "cord_mm": 100.0, "strip_mm": 100.0}],
}
FARTHER = CORD | {"length_mm": 300.0, "speed_mm_s": 14.0}


def recorded(folder: Path, plan: dict[str, Any]) -> Bench:
    bench = Bench(setup=SETUP)
    bench.live.record(folder, live=False, plan=plan)
    start(bench)
    return bench


def start(bench: Bench) -> None:
    bench.run(0.1)
    bench.live.command(Command.RESET)
    bench.run_until(State.IDLE, 2.0)
    bench.live.command(Command.START)
    bench.run_until(State.EXECUTE, 120.0)


def lines(folder: Path) -> list[Entry]:
    """What the log tells of departures."""
    entries = Run.open(folder).journal_entries()
    return [entry for entry in entries if entry.kind in (DEPARTED, KEPT)]


def assert_alike(folder: Path) -> None:
    """What the log says is what its rows come to."""
    run = Run.open(folder)
    told = departures_of(run)
    assert told is not None and told.logged
    assert told.found == list(against_plan(run).departures)


def test_told_once_as_soon_as_the_run_is_complete(tmp_path: Path) -> None:
    bench = recorded(tmp_path / "run", {"cord": FARTHER})
    assert lines(tmp_path / "run") == []
    bench.run_until(State.COMPLETE, 60.0)
    told = lines(tmp_path / "run")
    assert [entry.kind for entry in told] == [DEPARTED] * 2
    assert told == [entry for entry in bench.live.journal if entry.kind == DEPARTED]
    speed, length = told
    assert speed.numbers == {
        "what": "speed",
        "planned": 14.0,
        "found": pytest.approx(20.0, abs=0.5),
        "unit": "mm/s",
    }
    assert length.numbers is not None and length.numbers["what"] == "length"
    assert "shorter than planned" in length.text
    bench.run(0.5)
    bench.live.close()
    assert lines(tmp_path / "run") == told
    assert_alike(tmp_path / "run")
    shown = ["Other than planned:", f"  {speed.text}", f"  {length.text}"]
    for _ in range(2):  # looking at it adds nothing
        assert departure_lines(tmp_path / "run") == shown
    assert lines(tmp_path / "run") == told


def test_a_run_that_kept_to_its_plan_says_so(tmp_path: Path) -> None:
    bench = recorded(tmp_path / "run", {"cord": CORD})
    bench.run_until(State.COMPLETE, 60.0)
    bench.live.close()
    (told,) = lines(tmp_path / "run")
    assert (told.kind, told.text) == (KEPT, "the run went as planned")
    assert_alike(tmp_path / "run")
    assert departure_lines(tmp_path / "run") == [AS_PLANNED]


def test_every_start_is_told_and_the_last_one_counts(tmp_path: Path) -> None:
    """The first aborted, the second complete."""
    bench = recorded(tmp_path / "run", {"cord": CORD})
    bench.run(2.0)
    bench.live.command(Command.ABORT)
    bench.run_until(State.ABORTED, 5.0)
    (aborted,) = lines(tmp_path / "run")
    assert "shorter than planned" in aborted.text
    assert_alike(tmp_path / "run")
    bench.live.command(Command.CLEAR)
    bench.run_until(State.STOPPED, 5.0)
    start(bench)
    bench.run_until(State.COMPLETE, 60.0)
    bench.live.close()
    assert [entry.kind for entry in lines(tmp_path / "run")] == [DEPARTED, KEPT]
    assert departures_of(Run.open(tmp_path / "run")).found == []  # type: ignore[union-attr]
    assert_alike(tmp_path / "run")


def test_a_log_that_goes_on_beside_tells_of_its_own_runs(tmp_path: Path) -> None:
    """Settings were changed between two runs."""
    bench = recorded(tmp_path / "run", {"cord": FARTHER})
    bench.run_until(State.COMPLETE, 60.0)
    bench.client.write("machine.expected_slip_percent", 2.0)
    start(bench)
    assert bench.live.run_folder == tmp_path / "run-2"
    assert [entry.kind for entry in lines(tmp_path / "run")] == [DEPARTED] * 2
    bench.run(2.0)
    bench.live.close()
    assert_alike(tmp_path / "run")
    (told, *_) = lines(tmp_path / "run-2")
    assert told.time_s > lines(tmp_path / "run")[-1].time_s
    assert_alike(tmp_path / "run-2")


def test_a_log_that_ends_under_way_tells_how_far_it_came(tmp_path: Path) -> None:
    bench = recorded(tmp_path / "run", {"cord": CORD})
    bench.run(3.0)
    bench.live.close()
    (told,) = lines(tmp_path / "run")
    assert "shorter than planned" in told.text
    assert_alike(tmp_path / "run")


@pytest.mark.parametrize("before", [False, True], ids=["first start", "another start before"])
def test_of_a_killed_program_it_is_worked_out_anew(tmp_path: Path, before: bool) -> None:
    """Files as they stand while the run goes on are what a kill leaves."""
    bench = recorded(tmp_path / "run", {"cord": CORD})
    if before:
        bench.run_until(State.COMPLETE, 60.0)
        start(bench)
    bench.run(4.0)
    shutil.copytree(tmp_path / "run", tmp_path / "killed")
    run = Run.open(tmp_path / "killed")
    assert run.torn is not None and len(lines(tmp_path / "killed")) == before
    told = departures_of(run)
    assert told is not None and not told.logged
    assert told.found == list(against_plan(run).departures)
    assert [one.what for one in told.found] == ["length"]
    assert departure_lines(tmp_path / "killed")[-1] == WORKED_OUT


def test_nothing_fed_is_told_at_the_end(tmp_path: Path) -> None:
    bench = Bench(setup=SETUP)
    bench.live.record(tmp_path / "run", live=False, plan={"cord": CORD})
    bench.run(0.5)
    bench.live.close()
    (told,) = lines(tmp_path / "run")
    assert told.text == "nothing was fed"
    assert_alike(tmp_path / "run")


def test_without_a_plan_nothing_is_told(tmp_path: Path) -> None:
    bench = recorded(tmp_path / "run", SETUP.model_dump())
    bench.run_until(State.COMPLETE, 60.0)
    bench.live.close()
    assert lines(tmp_path / "run") == []
    assert departures_of(Run.open(tmp_path / "run")) is None
    assert departure_lines(tmp_path / "run") == []


def test_a_line_spoilt_by_another_program_is_named(tmp_path: Path) -> None:
    bench = Bench(setup=SETUP)
    bench.live.record(tmp_path / "run", live=False, plan={"cord": CORD})
    bench.live.note(DEPARTED, "somehow")
    bench.live.close()
    run = Run.open(tmp_path / "run")
    spoilt = replace(run, journal=run.journal[:1])
    with pytest.raises(RunError, match="does not say what departed"):
        departures_of(spoilt)
