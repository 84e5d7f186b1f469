"""A run laid over its plan: where it was on the map, its temperatures, its joints."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from plylane.plan.conduction import Floats, passage
from plylane.plan.departures import LENGTH_MM, PlannedRun
from plylane.plan.laid import LaidAt, Spread
from plylane.plan.plan import MAP_POINTS
from plylane.plan.window import Point, heat_map, point
from plylane.plan_errors import PlanError
from plylane.plan_kept import KeptHeat, heat_of, lanes_of
from plylane.report.heat_figures import course_figure, window_figure
from plylane.report.lane_chart import lane_chart
from plylane.report.plan_page import COURSE, LANES, WINDOW

OLDER = "The log keeps nothing of the plan's heat, as an earlier version wrote it: no map to draw."


@dataclass(frozen=True, slots=True)
class Drawn:
    """A figure with its name, title and caption."""

    name: str
    title: str
    caption: str
    figure: Figure


@dataclass(frozen=True, slots=True)
class PlanPicture:
    """The figures, and what is not drawn and why."""

    figures: tuple[Drawn, ...]
    remarks: tuple[str, ...]


def plan_picture(
    cord: Mapping[str, Any], lanes: int, run: PlannedRun, laid: LaidAt | None
) -> PlanPicture:
    """Draw the ``[plan]`` table of a run on a head with so many lanes, and the run over it.

    `laid` None: nothing was fed, so that the plan stands alone.
    """
    figures: list[Drawn] = []
    remarks: list[str] = []
    for draw in (partial(_heat, cord, laid), partial(_lanes, cord, lanes, run)):
        try:
            figures += draw()
        except ValueError as error:  # of a log spoilt by hand; the rest is worth having
            remarks.append(f"Not drawn: {error}")
    if "heat" not in cord:
        remarks.append(OLDER)
    return PlanPicture(tuple(figures), tuple(remarks))


# ---- the heat ----


def _heat(cord: Mapping[str, Any], laid: LaidAt | None) -> Iterator[Drawn]:
    heat = heat_of(cord)
    if heat is None:
        return
    case, chosen = heat.case, heat.case.chosen
    zones, setpoints = len(case.blocks), cord["setpoints_degC"]
    if len(setpoints) != zones or (laid is not None and len(laid.zone_degC) != zones):
        raise PlanError(f"plan.cord.heat is of a head with {zones} zones, the run is not")
    planned = point(case, cord["speed_mm_s"], setpoints[chosen])
    speeds, blocks = _ranges(heat, laid)
    window = window_figure(heat_map(case, speeds, blocks), planned, laid)
    yield Drawn("plan-window", WINDOW, _window_caption(planned, laid, chosen), window)
    course, words = None, ""
    if laid is not None:
        degC = tuple(zone.median for zone in laid.zone_degC)
        course = passage(case.stack, case.way, [laid.speed_mm_s.median]).course(degC)
        words = (
            " Dotted: at the run's median speed and zone temperatures,"
            f" {laid.speed_mm_s.median:.2f} mm/s and {_each(degC)} °C. All of it worked out, not"
            " measured."
        )
    along = course_figure(planned.course, case.limits, course)
    yield Drawn("plan-course", COURSE, f"As planned.{words}", along)


def _ranges(heat: KeptHeat, laid: LaidAt | None) -> tuple[Floats, Floats]:
    """The plan's map, made larger where the run was outside of it."""
    low, high = heat.speeds_mm_s
    coldest, hottest = heat.case.limits.block_degC
    if laid is not None:
        speed, block = laid.speed_mm_s, laid.zone_degC[heat.case.chosen]
        low, high = min(low, max(0.9 * speed.low, 0.1)), max(high, 1.1 * speed.high)
        coldest, hottest = min(coldest, block.low - 2.0), max(hottest, block.high + 2.0)
    return np.linspace(low, high, MAP_POINTS), np.linspace(coldest, hottest, MAP_POINTS)


def _window_caption(planned: Point, laid: LaidAt | None, chosen: int) -> str:
    told = f"Planned: {planned.speed_mm_s:g} mm/s with the block at {planned.block_degC:g} °C."
    if laid is None:
        return f"{told} Nothing was fed."
    speed, block = laid.speed_mm_s, laid.zone_degC[chosen]
    return (
        f"{told} The run: {_spread(speed, 2)} mm/s, {_spread(block, 1)} °C; 90 % of its cord was"
        " laid between what stands in brackets."
    )


def _spread(one: Spread, digits: int) -> str:
    return f"{one.median:.{digits}f} ({one.low:.{digits}f} to {one.high:.{digits}f})"


def _each(degC: tuple[float, ...]) -> str:
    return " / ".join(f"{one:.1f}" for one in degC)


# ---- the lanes ----


def _lanes(cord: Mapping[str, Any], lanes: int, run: PlannedRun) -> Iterator[Drawn]:
    bars = lanes_of(cord, lanes)
    other = abs(run.length_mm - bars.length_mm) >= LENGTH_MM and run.length_mm > 0.0
    figure = lane_chart(bars, run.joints, run.length_mm if other else None)
    planned, found = len(bars.joints_mm), len(run.joints)
    caption = (
        f"Strokes: the {planned} joints as planned. ▲: the {found} that the run came to, where"
        " the lane wheels had counted the strips before them; orange with the distance where they"
        " are more than 15 mm off."
    )
    yield Drawn("plan-lanes", LANES, caption, figure)
