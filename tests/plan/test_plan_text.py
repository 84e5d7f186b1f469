"""The character figures of a plan: what they show stands where it should."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.plan.path import from_curves
from plylane.plan.plan import CordPlan, work_out
from plylane.plan.strips import Strip
from plylane.plan_command import DEMO_PLAN
from plylane.plan_file import read_plan
from plylane.plan_text import COLD, HERE, HOT, JOINT, WITHIN, Axis, course_rows, lane_rows, map_rows


@cache
def demo() -> CordPlan:
    return work_out(read_plan(DEMO_PLAN)[1])


@given(st.integers(20, 120), st.integers(6, 40))
def test_the_map_goes_from_cold_below_over_safe_to_hot(columns: int, rows: int) -> None:
    drawn = [row.split("│")[1] for row in map_rows(demo(), columns, rows) if "│" in row]
    assert len(drawn) == rows and {len(row) for row in drawn} == {columns}
    assert sum(row.count(HERE) for row in drawn) == 1
    order = {COLD: 0, WITHIN: 1, HOT: 2}
    for column in zip(*reversed(drawn), strict=True):
        levels = [order[mark] for mark in column if mark != HERE]
        assert levels == sorted(levels)


def test_every_joint_stands_in_its_lane_at_its_place() -> None:
    *lanes, scale = lane_rows(demo(), 60)
    assert scale.endswith("3000 mm")
    found = [(lane.index(JOINT) - 7) / 59 * 3000.0 for lane in lanes]
    at = {lane: joint for joint, lane in demo().schedule.joints_mm}  # type: ignore[union-attr]
    assert found == pytest.approx([at[k] for k in range(5)], abs=3000 / 59)


def test_of_a_long_cord_the_beginning_is_shown_and_said() -> None:
    job = read_plan(DEMO_PLAN)[1]
    strips = tuple(Strip(f"s{k}", 2400.0) for k in range(220))
    long = work_out(replace(job, path=from_curves(100_000.0, []), strips=strips))
    *lanes, scale = lane_rows(long, 60)
    assert "of 100000 mm" in scale
    assert all(3 <= lane.count(JOINT) <= 20 for lane in lanes)


def test_the_course_ends_where_the_glue_does() -> None:
    plan = demo()
    rows = [row.split("│")[1] for row in course_rows(plan, 50, 20) if "│" in row]
    ends = [k for k, row in enumerate(reversed(rows)) if row[-1] == "●"]
    assert plan.point is not None
    glue = plan.point.course.glue_degC.min(axis=1)
    low, high = float(glue.min()), 110.0
    assert ends == [round((float(glue[-1]) - low) / (high - low) * 19)]


@given(st.floats(-5.0, 5.0), st.floats(0.1, 50.0), st.integers(2, 80))
def test_an_axis_gives_each_of_its_values_its_own_cell(low: float, span: float, n: int) -> None:
    axis = Axis(low, low + span, n)
    assert [axis.cell(float(v)) for v in axis.values()] == list(range(n))
    assert axis.cell(low - span) is None
    assert np.isclose(axis.values()[-1], low + span)
