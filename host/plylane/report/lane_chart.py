"""The strip schedule as a lane chart: pieces end to end, joints in their places."""

from __future__ import annotations

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from plylane.plan.plan import CordPlan
from plylane.plan.strips import Piece, Schedule
from plylane.report.figure_style import HATCH, INK, QUIET, RULE, STYLE, new_figure

EVEN, ODD = RULE, HATCH
WIDTH_IN, LANE_IN, ABOVE_IN = 9.0, 0.36, 1.1
NAMED = 60
"""With more pieces than this their names would not be read any more."""


def lane_chart(plan: CordPlan, schedule: Schedule) -> Figure:
    """A bar a piece, shaded in turn, joints as strokes; the plan's schedule or one offered."""
    lanes = len(schedule.lanes)
    with mpl.rc_context(STYLE):
        figure, (axes,) = new_figure(WIDTH_IN, ABOVE_IN + LANE_IN * lanes)
        named = len(schedule.pieces) <= NAMED
        for number, row in enumerate(schedule.lanes, 1):
            for k, piece in enumerate(row):
                _bar(axes, number, piece, (EVEN, ODD)[k % 2], named=named)
        for at, lane in schedule.joints_mm:
            axes.plot([at, at], [lane + 0.55, lane + 1.45], color=INK, linewidth=1.6)
        _scales(axes, lanes, plan.job.path.length_mm, plan.shear_at_mm)
    return figure


def _bar(axes: Axes, lane: int, piece: Piece, shade: str, *, named: bool) -> None:
    width = piece.end_mm - piece.start_mm
    axes.barh(lane, width, 0.72, piece.start_mm, color=shade)
    if named:
        middle = piece.start_mm + width / 2
        axes.text(middle, lane, piece.strip.name, ha="center", va="center", fontsize=7.5)


def _scales(axes: Axes, lanes: int, length_mm: float, shear_at_mm: float) -> None:
    axes.axvline(shear_at_mm, color=QUIET, linestyle=":", linewidth=1.2)
    axes.annotate(
        "shear fires", (shear_at_mm, 0.45), ha="right", va="bottom", fontsize=7, color=QUIET,
        textcoords="offset points", xytext=(-3, 1),
    )  # fmt: skip
    axes.set_xlim(0.0, length_mm)
    axes.set_ylim(lanes + 0.6, 0.1)
    axes.set_yticks(range(1, lanes + 1), [f"lane {k}" for k in range(1, lanes + 1)])
    axes.set_xlabel("place along the cord (mm)")
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
