"""What goes from a plan into the run's book of strips."""

from __future__ import annotations

import pytest

from plylane.plan.plan import work_out
from plylane.plan_command import DEMO_PLAN
from plylane.plan_file import read_plan
from plylane.plan_forms import run_strips


def test_the_book_of_strips_begins_with_the_first_piece_of_each_lane() -> None:
    plan = work_out(read_plan(DEMO_PLAN)[1])
    assert plan.schedule is not None
    strips = run_strips(plan)
    first = [lane[0].used_mm for lane in plan.schedule.lanes]
    assert strips["loaded_mm"] == pytest.approx([used - 240.0 for used in first], abs=0.05)
    assert strips["next_mm"] == 2400.0
    assert strips["stagger_mm"] == 100.0
    assert [curve["radius_mm"] for curve in strips["curve"]] == pytest.approx([120, 45, 60, 45])
    assert sum(curve["turn_deg"] for curve in strips["curve"]) == pytest.approx(180.0, abs=1e-3)
