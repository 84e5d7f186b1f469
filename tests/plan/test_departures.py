"""How a run departed from its plan, on columns made by hand."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.plan.departures import AgainstPlan, PlannedRun, columns_needed, departures

PLAN: dict[str, Any] = {
    "speed_mm_s": 14.0,
    "setpoints_degC": [113.0, 95.0],
    "tolerance_K": 2.0,
    "length_mm": 1400.0,
    "stagger_mm": 100.0,
    "joints": [
        {"cord_mm": 500.0, "lane": 1, "strip_mm": 500.0},
        {"cord_mm": 700.0, "lane": 2, "strip_mm": 703.0},
    ],
}
IDLE, EXECUTE, HELD, COMPLETE = 4, 6, 11, 17


def as_planned() -> dict[str, np.ndarray]:
    """100 s of feeding at 14 mm/s after 20 s at rest; lane 2 travels a little more."""
    time = np.arange(0.0, 120.0, 0.1)
    fed = np.clip(time - 20.0, 0.0, None) * 14.0
    feeding = time >= 20.0
    return {
        "time_s": time,
        "state": np.where(feeding, EXECUTE, IDLE),
        "output_position_mm": fed,
        "feed_speed_mm_s": np.where(feeding, 14.0, 0.0),
        "zone1_pv_degC": np.full(len(time), 113.4),
        "zone1_sp_degC": np.full(len(time), 113.0),
        "zone2_pv_degC": np.full(len(time), 94.8),
        "zone2_sp_degC": np.full(len(time), 95.0),
        "lane1_position_mm": fed,
        "lane2_position_mm": fed * 703.0 / 700.0,
    }


def told(columns: dict[str, np.ndarray]) -> dict[str, tuple[float, float]]:
    return {one.what: (one.planned, one.found) for one in departures(PLAN, columns)}


def test_a_run_as_planned_departs_in_nothing() -> None:
    columns = as_planned()
    assert set(columns_needed(2, 2)) == set(columns)
    assert told(columns) == {}


def test_a_log_without_feed_says_so() -> None:
    columns = as_planned()
    columns["state"] = np.full(len(columns["time_s"]), IDLE)
    assert told(columns) == {"length": (1400.0, 0.0)}
    assert departures(PLAN, columns)[0].text == "nothing was fed"


@pytest.mark.parametrize("rest", [0, 300])
def test_of_several_starts_the_last_that_fed_counts(rest: int) -> None:
    """An aborted start before, and perhaps the head reset again after."""
    columns, first = as_planned(), as_planned()
    first["zone1_sp_degC"][:] = 60.0
    joined = {
        k: np.concatenate([first[k][:400], values, np.full(rest, values[0])])
        for k, values in columns.items()
    }
    joined["time_s"] = np.arange(len(joined["state"])) * 0.1
    assert told(joined) == {}


def test_another_setpoint_and_a_cold_zone() -> None:
    columns = as_planned()
    columns["zone1_sp_degC"][600:] = 118.0
    columns["zone2_pv_degC"][400:500] = 90.5
    found = told(columns)
    assert found == {
        "zone 1 setpoint": (113.0, 118.0),
        "zone 2 temperature": (95.0, pytest.approx(90.5)),
    }
    assert "for 840 mm" in departures(PLAN, columns)[0].text
    assert "for 140 mm of cord" in departures(PLAN, columns)[1].text


def test_cold_before_the_feed_is_no_departure() -> None:
    columns = as_planned()
    columns["zone1_pv_degC"][:200] = 22.0
    assert told(columns) == {}


def test_another_speed() -> None:
    columns = as_planned()
    columns["feed_speed_mm_s"][700:] = 10.0
    columns["output_position_mm"][700:] = 700.0 + np.arange(500) * 1.0
    columns["lane1_position_mm"] = columns["output_position_mm"]
    columns["lane2_position_mm"] = columns["output_position_mm"] * 703.0 / 700.0
    found = told(columns)
    assert found["speed"] == (14.0, pytest.approx(10.0))
    assert found["length"] == (1400.0, pytest.approx(1199.0))
    assert set(found) == {"speed", "length"}


def test_a_hold_is_told_with_its_time() -> None:
    columns = as_planned()
    columns["state"][500:800] = HELD
    (hold,) = [one for one in departures(PLAN, columns) if one.what == "holds"]
    assert hold.found == 1 and "30 s" in hold.text


def test_a_joint_elsewhere_and_two_too_close() -> None:
    """Lane 2's strip is 130 mm shorter than planned: its joint comes early."""
    columns = as_planned()
    columns["lane2_position_mm"] = columns["lane2_position_mm"] + 130.0
    found = told(columns)
    assert set(found) == {"joint of lane 2", "stagger"}
    planned, at = found["joint of lane 2"]
    assert planned == 700.0 and at == pytest.approx(570.5, abs=1.5)
    assert found["stagger"] == (100.0, pytest.approx(70.0, abs=2.0))


def two_starts() -> dict[str, np.ndarray]:
    """One stopped before its end, one to its end with a hold, both with something amiss."""
    stopped, whole = as_planned(), as_planned()
    whole["state"][500:800] = HELD
    whole["zone1_sp_degC"][600:] = 118.0
    whole["zone2_pv_degC"][400:500] = 90.5
    whole["lane2_position_mm"] = whole["lane2_position_mm"] + 130.0
    whole["feed_speed_mm_s"][900:] = 12.34
    joined = {k: np.concatenate([stopped[k][:700], values]) for k, values in whole.items()}
    joined["time_s"] = np.arange(len(joined["state"])) * 0.1
    return joined


def in_parts(
    columns: dict[str, np.ndarray], cuts: list[int]
) -> tuple[list[PlannedRun], PlannedRun]:
    against, ended = AgainstPlan(PLAN), []
    edges = [0, *sorted(cuts), len(columns["state"])]
    for start, stop in pairwise(edges):
        ended += against.take({name: values[start:stop] for name, values in columns.items()})
    return ended, against.last()


@given(st.lists(st.integers(0, 1900), max_size=8))
def test_in_parts_of_any_size_it_is_the_same_to_the_bit(cuts: list[int]) -> None:
    columns = two_starts()
    whole = in_parts(columns, [])
    assert len(whole[0]) == 1 and len(whole[1].departures) == 6
    assert in_parts(columns, cuts) == whole


def test_what_the_head_does_after_the_run_is_no_part_of_it() -> None:
    """Rollers that are jogged once the run is complete."""
    columns = as_planned()
    rest = {name: np.full(100, values[-1]) for name, values in columns.items()}
    rest["state"][:] = COMPLETE
    rest["output_position_mm"] += np.arange(100) * 1.0
    joined = {name: np.concatenate([columns[name], rest[name]]) for name in columns}
    assert told(joined) == {}
    (run,), last = in_parts(joined, [1199])
    assert run == last and [joint.lane for joint in run.joints] == [1, 2]


def test_the_row_with_which_it_comes_to_rest_counts() -> None:
    """Where polls before it are missing."""
    columns = as_planned()
    columns["state"][-1] = COMPLETE
    columns["output_position_mm"][-1] += 40.0
    assert told(columns) == {"length": (1400.0, pytest.approx(1438.6))}


def test_a_head_reset_early_in_a_run_has_not_laid_nothing() -> None:
    """Lengths that begin anew are of no run, however short the run was."""
    columns = {name: values[:210] for name, values in as_planned().items()}
    reset = {name: np.full(50, values[0]) for name, values in columns.items()}
    joined = {name: np.concatenate([columns[name], reset[name]]) for name in columns}
    assert told(joined) == {"length": (1400.0, pytest.approx(12.6))}
