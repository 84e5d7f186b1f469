"""The strip schedule as a lane chart: pieces end to end, joints in their places."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from plylane.plan.departures import FoundJoint
from plylane.plan_kept import Bar, LaneBars
from plylane.report.figure_style import HATCH, INK, ORANGE, QUIET, RULE, STYLE, new_figure

EVEN, ODD = RULE, HATCH
WIDTH_IN, LANE_IN, LANE_FOUND_IN, ABOVE_IN = 9.0, 0.36, 0.5, 1.1
BAR, STROKE, MARK = 0.72, 0.41, 0.5  # height of a bar, ends of a stroke, place of a mark
WHITE = {"facecolor": "white", "edgecolor": "none", "pad": 0.5}
NAMED = 60
"""With more pieces than this their names would not be read any more."""


def lane_chart(
    bars: LaneBars, found: Sequence[FoundJoint] = (), ended_mm: float | None = None
) -> Figure:
    """A bar a piece, shaded in turn, joints as strokes.

    Under the bars stand the joints that were `found` in a run; `ended_mm` is where its cord ended,
    if elsewhere than planned.
    """
    lanes = len(bars.lanes)
    lane_in = LANE_FOUND_IN if found else LANE_IN
    with mpl.rc_context(STYLE):
        figure, (axes,) = new_figure(WIDTH_IN, ABOVE_IN + lane_in * lanes)
        named = sum(map(len, bars.lanes)) <= NAMED
        for number, row in enumerate(bars.lanes, 1):
            for k, bar in enumerate(row):
                _bar(axes, number, bar, (EVEN, ODD)[k % 2], named=named)
        for at, lane in bars.joints_mm:
            axes.plot([at, at], [lane - STROKE, lane + STROKE], color=INK, linewidth=1.6)
        for joint in found:
            _found(axes, joint, bars.length_mm, named=named)
        _scales(axes, lanes, bars.length_mm, ended_mm)
        if bars.shear_at_mm is not None:
            _upright(axes, bars.shear_at_mm, "shear fires", QUIET, above=0.45)
        if ended_mm is not None:
            _upright(axes, ended_mm, "the run ended", ORANGE, above=0.12)
    return figure


def _bar(axes: Axes, lane: int, bar: Bar, shade: str, *, named: bool) -> None:
    width = bar.end_mm - bar.start_mm
    axes.barh(lane, width, BAR, bar.start_mm, color=shade)
    if named:
        middle = bar.start_mm + width / 2
        box = {"facecolor": shade, "edgecolor": "none", "pad": 1.0}  # over a line that crosses it
        axes.text(middle, lane, bar.name, ha="center", va="center", fontsize=7.5, bbox=box)


def _found(axes: Axes, joint: FoundJoint, length_mm: float, *, named: bool) -> None:
    """A mark below the bar; how far off it is where that is too far."""
    colour = ORANGE if joint.off else INK
    axes.plot([joint.found_mm], [joint.lane + MARK], "^", color=colour, ms=5, mew=0)
    if joint.off and named:
        right = joint.found_mm > joint.planned_mm  # away from the stroke
        if not 0.1 * length_mm < joint.found_mm < 0.9 * length_mm:
            right = joint.found_mm < 0.5 * length_mm
        axes.annotate(
            f"{joint.found_mm - joint.planned_mm:+.0f} mm",
            (joint.found_mm, joint.lane + MARK),
            ha="left" if right else "right",
            va="center",
            fontsize=7,
            color=ORANGE,
            textcoords="offset points",
            xytext=(5 if right else -5, 0),
            bbox=WHITE,
            zorder=5,
        )


def _upright(axes: Axes, at_mm: float, words: str, colour: str, *, above: float) -> None:
    """A line across all lanes, with words at its head."""
    axes.plot([at_mm] * 2, [above - 0.3, axes.get_ylim()[0]], ":", color=colour, linewidth=1.2)
    left = at_mm > 0.15 * axes.get_xlim()[1]
    axes.annotate(
        words,
        (at_mm, above),
        ha="right" if left else "left",
        va="bottom",
        fontsize=7,
        color=colour,
        textcoords="offset points",
        xytext=(-3 if left else 3, 1),
        bbox=WHITE,
        zorder=5,
    )


def _scales(axes: Axes, lanes: int, length_mm: float, ended_mm: float | None) -> None:
    axes.set_xlim(0.0, max(length_mm, ended_mm or 0.0))
    axes.set_ylim(lanes + 0.6, 0.1 if ended_mm is None else -0.25)
    axes.set_yticks(range(1, lanes + 1), [f"lane {k}" for k in range(1, lanes + 1)])
    axes.set_xlabel("place along the cord (mm)")
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
