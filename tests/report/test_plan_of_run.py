"""The run laid over its plan on the report's page: marks stand where the log has them."""

from __future__ import annotations

import tomllib
from functools import cache
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

from made_run import FIVE_LANES, record
from plylane.plan.departures import FoundJoint, PlannedRun
from plylane.plan.laid import LaidAt, Spread
from plylane.plan.plan import work_out
from plylane.plan_command import DEMO_PLAN
from plylane.plan_file import read_plan
from plylane.plan_forms import to_run
from plylane.report.plan_of_run import OLDER, PlanPicture, plan_picture
from plylane.report_command import PAGE, report

JOINTS = (FoundJoint(5, 1996.67, 1998.0), FoundJoint(4, 2096.67, 2050.0))
RUN = PlannedRun((), JOINTS, 2500.0)
LAID = LaidAt(Spread(15.9, 16.0, 16.2), (Spread(117.0, 118.0, 118.4), Spread(94.0, 95.0, 95.5)))


@cache
def cord() -> dict[str, Any]:
    """What a log keeps of the demo's plan."""
    kept: dict[str, Any] = tomllib.loads(to_run(work_out(read_plan(DEMO_PLAN)[1]), {}))["plan"]
    return kept


def picture(laid: LaidAt | None = LAID, run: PlannedRun = RUN, **changes: Any) -> PlanPicture:
    return plan_picture(cord() | changes, 5, run, laid)


def figure(name: str, drawn: PlanPicture) -> Figure:
    return next(one.figure for one in drawn.figures if one.name == name)


def places(drawn: Figure, marker: str) -> list[tuple[float, float]]:
    return [
        (float(np.ravel(line.get_xdata())[0]), float(np.ravel(line.get_ydata())[0]))
        for line in drawn.axes[0].lines
        if line.get_marker() == marker
    ]


def words(drawn: Figure) -> str:
    return " | ".join(text.get_text() for text in drawn.axes[0].texts)


def test_planned_and_run_stand_on_the_map() -> None:
    drawn = picture()
    window = figure("plan-window", drawn)
    assert places(window, "D") == [(14.0, 113.6)]
    assert places(window, "s") == [(16.0, 118.0)]
    (caption,) = [one.caption for one in drawn.figures if one.name == "plan-window"]
    assert "16.00 (15.90 to 16.20) mm/s, 118.0 (117.0 to 118.4) °C" in caption


def test_a_run_beyond_the_map_makes_it_larger() -> None:
    beyond = LaidAt(Spread(1.0, 1.2, 1.5), (Spread(150.0, 151.0, 152.0), LAID.zone_degC[1]))
    axes = figure("plan-window", picture(beyond)).axes[0]
    assert axes.get_xlim()[0] < 1.0 and axes.get_ylim()[1] > 152.0


def test_a_faster_run_has_colder_glue_along_the_guide() -> None:
    along = figure("plan-course", picture())
    said = words(along)
    assert "coldest glue line, run" in said and "surface, run" in said
    planned = min(float(line.get_ydata()[-1]) for line in along.axes[0].lines[1:3])
    run = next(line for line in along.axes[0].lines[::-1] if len(line.get_xdata()) > 2)
    assert float(run.get_ydata()[-1]) < planned


def test_joints_stand_where_they_were_found_and_the_cord_ended() -> None:
    lanes = figure("plan-lanes", picture())
    assert [(at, round(lane)) for at, lane in places(lanes, "^")] == [(1998.0, 6), (2050.0, 4)]
    assert [text for text in words(lanes).split(" | ") if text.endswith(" mm")] == ["-47 mm"]
    assert "the run ended" in words(lanes)
    assert "the run ended" not in words(
        figure("plan-lanes", picture(run=PlannedRun((), (), 2998.0)))
    )


def test_where_nothing_was_fed_the_plan_stands_alone() -> None:
    drawn = picture(None, PlannedRun((), (), 0.0))
    assert len(drawn.figures) == 3 and drawn.remarks == ()
    assert places(figure("plan-window", drawn), "s") == []
    assert "run" not in words(figure("plan-course", drawn))
    assert "the run ended" not in words(figure("plan-lanes", drawn))


@pytest.mark.parametrize(
    ("changes", "names", "remark"),
    [
        ({"heat": {}}, ["plan-lanes"], "Not drawn: plan.cord.heat.stack"),
        ({"setpoints_degC": [113.6]}, ["plan-lanes"], "of a head with 2 zones"),
        ({"speed_mm_s": -1.0}, ["plan-lanes"], "Not drawn: "),
        ({"lanes": 3}, ["plan-window", "plan-course"], "Not drawn: plan.cord.lanes"),
    ],
)
def test_what_was_spoilt_costs_only_its_figure(
    changes: dict[str, Any], names: list[str], remark: str
) -> None:
    drawn = picture(**changes)
    assert [one.name for one in drawn.figures] == names
    (told,) = drawn.remarks
    assert remark in told


@pytest.mark.parametrize("older", [False, True])
def test_on_the_page(tmp_path: Path, older: bool) -> None:
    kept = {name: value for name, value in cord().items() if not (older and name == "heat")}
    record(tmp_path / "run", FIVE_LANES.model_copy(update={"plan": {"cord": kept}})).close(
        "stopped"
    )
    report(tmp_path / "run")
    page = unescape((tmp_path / "run" / PAGE).read_text(encoding="utf-8"))
    assert ('id="plan-window-' in page, OLDER in page) == (not older, older)
    assert 'id="plan-lanes-' in page
