"""Figures of a heat plan: the window, the temperatures along the way, the motors."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from plylane.plan.conduction import Course, Floats
from plylane.plan.heat_case import Limit, Limits
from plylane.plan.laid import LaidAt
from plylane.plan.motor import MotorCheck
from plylane.plan.window import HeatMap, Point
from plylane.report.figure_style import (
    BLUE,
    HATCH,
    INK,
    ORANGE,
    PALE,
    QUIET,
    RULE,
    STYLE,
    VIOLET,
    WASH,
    new_figure,
)

BOUND_LINES = {
    Limit.GLUE_COLD: (BLUE, "-"),
    Limit.HOLD_SHORT: (BLUE, "--"),
    Limit.FACE_HOT: (ORANGE, "-"),
    Limit.GLUE_HOT: (ORANGE, "--"),
    Limit.HEATER: (VIOLET, "-."),
    Limit.COOLING: (VIOLET, ":"),
    Limit.BLOCK_LOW: (QUIET, "--"),
    Limit.BLOCK_HIGH: (QUIET, "--"),
}


# ---- the window ----


def window_figure(
    found: HeatMap, planned: Point | None = None, laid: LaidAt | None = None
) -> Figure:
    """Speed against block temperature: too cold, too hot, and the fastest within all limits; what
    was planned, and where a run laid its cord.
    """
    with mpl.rc_context(STYLE):
        figure, (axes,) = new_figure(7.2, 4.9)
        _regions(axes, found)
        _glue_contours(axes, found)
        _bound_lines(axes, found)
        if found.fastest is not None:
            _mark_fastest(axes, found.fastest)
        if planned is not None:
            _mark_planned(axes, planned, wide=laid is not None)
        if laid is not None:
            _mark_laid(axes, laid, found.case.chosen)
        axes.set_xlim(found.speed_mm_s[0], found.speed_mm_s[-1])
        axes.set_ylim(found.block_degC[0], found.block_degC[-1])
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel("strip speed (mm/s)")
        axes.set_ylabel(f"block temperature of zone {found.case.chosen + 1} (°C)")
        axes.set_title(_window_title(found.fastest))
        figure.legend(loc="outside lower center", ncols=2, fontsize=8.5)
    return figure


def _window_title(fastest: Point | None) -> str:
    if fastest is None:
        return "No speed and block temperature keep every limit"
    return (
        f"Fastest within limits: {fastest.speed_mm_s:.1f} mm/s with the block at "
        f"{fastest.block_degC:.0f} ± {fastest.tolerance_K:g} °C"
    )


def _regions(axes: Axes, found: HeatMap) -> None:
    low, high = found.block_degC[0], found.block_degC[-1]
    floor = np.clip(found.bounds.lowest_degC, low, high)
    ceiling = np.clip(found.bounds.highest_degC, low, high)
    speed = found.speed_mm_s
    open_at = ceiling > floor
    if open_at.any():
        axes.fill_between(
            speed, floor, ceiling, where=open_at, color=WASH, lw=0, label="every limit kept"
        )
    # named in the legend: words on the map would cover lines or their labels, here or there
    for below, above, hatch, words in (
        (low, floor, "\\", "too cold"),
        (ceiling, high, "/", "too hot, or more than the heater gives"),
    ):
        look: dict[str, Any] = {"facecolor": "none", "linewidth": 0.0}
        axes.fill_between(speed, below, above, edgecolor=HATCH, hatch=2 * hatch, **look)
        # the legend's field is small: closer and darker there
        axes.fill_between([], [], edgecolor=QUIET, hatch=5 * hatch, label=words, **look)


def _glue_contours(axes: Axes, found: HeatMap) -> None:
    lines = axes.contour(
        found.speed_mm_s,
        found.block_degC,
        found.glue_degC,
        levels=np.arange(40.0, 160.0, 10.0),
        colors=QUIET,
        linewidths=0.5,
    )
    axes.clabel(lines, fmt="%g °C", fontsize=7.5, zorder=3)
    axes.plot([], [], color=QUIET, lw=0.5, label="coldest glue line where it is pressed")


def _bound_lines(axes: Axes, found: HeatMap) -> None:
    for limits in (found.bounds.lower, found.bounds.upper):
        for limit, degC in limits.items():
            shown = _inside(degC, found.block_degC)
            if np.isfinite(shown).any():
                colour, dashes = BOUND_LINES[limit]
                axes.plot(found.speed_mm_s, shown, dashes, color=colour, lw=1.6, label=str(limit))


def _inside(degC: Floats, block_degC: Floats) -> Floats:
    beyond = ~np.isfinite(degC) | (degC < block_degC[0]) | (degC > block_degC[-1])
    return np.where(beyond, np.nan, degC)


def _mark_fastest(axes: Axes, fastest: Point) -> None:
    axes.errorbar(
        fastest.speed_mm_s,
        fastest.block_degC,
        yerr=fastest.tolerance_K,
        fmt="o",
        color=INK,
        ms=5,
        capsize=4,
        lw=1.4,
        label="fastest within all limits, with the block's tolerance",
        zorder=5,
    )


def _mark_planned(axes: Axes, planned: Point, *, wide: bool) -> None:
    """`wide`: so that the run's mark has room in it."""
    size = 9 if wide else 6
    at = [planned.speed_mm_s], [planned.block_degC]
    axes.plot(*at, "D", color=INK, ms=size, mfc="white", ls="", label="planned", zorder=6)


def _mark_laid(axes: Axes, laid: LaidAt, chosen: int) -> None:
    speed, block = laid.speed_mm_s, laid.zone_degC[chosen]
    axes.errorbar(
        speed.median,
        block.median,
        xerr=[[speed.median - speed.low], [speed.high - speed.median]],
        yerr=[[block.median - block.low], [block.high - block.median]],
        fmt="s",
        color=INK,
        ms=3.5,
        lw=1.2,
        label="run: median, with 90 % of its cord",
        zorder=7,
    )


# ---- along the way ----


def course_figure(course: Course, limits: Limits, laid: Course | None = None) -> Figure:
    """Temperature of every glue line and of the surface along the way, with the limits.

    `laid`: the same at what a run had, its coldest glue line and its hottest surface only.
    """
    with mpl.rc_context(STYLE):
        figure, (axes,) = new_figure(7.2, 4.2)
        _stretches(axes, course)
        ends = _way_lines(axes, course)
        if laid is not None:
            ends += _laid_lines(axes, laid)
        for degC, words in _limit_lines(limits):
            axes.axhline(degC, color=ORANGE if words == "surface limit" else BLUE, lw=1.0, ls=":")
            ends.append((degC, f"{words} {degC:g} °C"))
        axes.set_xlim(0.0, course.way.ends_mm[-1])
        axes.set_xlabel("place along the way (mm)")
        axes.set_ylabel("temperature (°C)")
        dotted = "" if laid is None else f", dotted the run at {laid.speed_mm_s:g} mm/s"
        axes.set_title(f"Along the way at {course.speed_mm_s:g} mm/s{dotted}", pad=18)
        _labels_at_the_right(axes, ends)
    return figure


def _stretches(axes: Axes, course: Course) -> None:
    start = 0.0
    for stretch, end in zip(course.way.stretches, course.way.ends_mm, strict=True):
        if stretch.zone is not None:
            axes.axvspan(start, end, color=PALE, lw=0)
            degC = course.zone_degC[stretch.zone]
            axes.hlines(degC, start, end, color=QUIET, lw=1.0)
            axes.annotate(
                f"block {degC:.0f} °C",
                (start, degC),
                xytext=(3, 2),
                textcoords="offset points",
                fontsize=7.5,
                color=QUIET,
            )
        axes.text(
            0.5 * (start + end),
            1.01,
            stretch.name,
            transform=axes.get_xaxis_transform(),
            ha="center",
            fontsize=8.5,
            color=QUIET,
        )
        start = float(end)


def _way_lines(axes: Axes, course: Course) -> list[tuple[float, str]]:
    """Draw the temperatures; return where each line ends and its name."""
    place = course.position_mm
    axes.plot(place, course.face_degC.max(axis=1), color=ORANGE, lw=1.6, ls="--")
    ends = [(float(course.face_degC[-1].max()), "surface")]
    for lines in _alike(course.glue_degC):
        degC = course.glue_degC[:, lines[0]]
        inner = degC[-1] <= course.glue_degC[-1].min() + 1e-6
        axes.plot(place, degC, color=BLUE, lw=2.2 if inner else 1.0)
        names = " and ".join(str(line + 1) for line in lines)
        ends.append((float(degC[-1]), f"glue line{'s' * (len(lines) > 1)} {names}"))
    return ends


def _laid_lines(axes: Axes, laid: Course) -> list[tuple[float, str]]:
    ends = []
    for degC, words in (
        (laid.face_degC.max(axis=1), "surface, run"),
        (laid.glue_degC.min(axis=1), "coldest glue line, run"),
    ):
        axes.plot(laid.position_mm, degC, color=INK, lw=1.1, ls=(0, (1, 1.2)), zorder=4)
        ends.append((float(degC[-1]), words))
    return ends


def _alike(glue_degC: Floats) -> list[list[int]]:
    """Glue lines in groups of the same temperature all along."""
    groups: list[list[int]] = []
    for line in range(glue_degC.shape[1]):
        for group in groups:
            if np.allclose(glue_degC[:, group[0]], glue_degC[:, line], atol=0.01):
                group.append(line)
                break
        else:
            groups.append([line])
    return groups


def _limit_lines(limits: Limits) -> list[tuple[float, str]]:
    lines = [(limits.glue_degC, "glue limit"), (limits.face_degC, "surface limit")]
    if np.isfinite(limits.glue_top_degC):
        lines.append((limits.glue_top_degC, "glue's upper limit"))
    return lines


def _labels_at_the_right(axes: Axes, ends: list[tuple[float, str]]) -> None:
    """Words beside the lines' ends, pushed apart so that none covers another."""
    low, high = axes.get_ylim()
    apart, last = 0.048 * (high - low), -np.inf
    for degC, words in sorted(ends):
        last = max(degC, last + apart)
        axes.annotate(
            words,
            (1.0, degC),
            xytext=(1.03, last),
            xycoords=axes.get_yaxis_transform(),
            textcoords=axes.get_yaxis_transform(),
            fontsize=8.5,
            va="center",
            arrowprops={"arrowstyle": "-", "color": RULE, "lw": 0.6, "shrinkA": 1, "shrinkB": 0},
            annotation_clip=False,
        )


# ---- motors ----


def motor_figure(checks: Mapping[str, MotorCheck]) -> Figure:
    """Torque that each drive needs against what its motor can give, over speed."""
    with mpl.rc_context(STYLE):
        figure, panels = new_figure(1.2 + 2.4 * len(checks), 3.4, len(checks))
        for axes, (name, check) in zip(panels, checks.items(), strict=True):
            _motor_panel(axes, name, check)
        panels[0].set_ylabel("torque (Nm)")
        figure.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=2)
    return figure


def _motor_panel(axes: Axes, name: str, check: MotorCheck) -> None:
    speed = np.linspace(0.0, 3.0 * check.speed_mm_s, 121)
    needed = check.load.needed_Nm(speed)
    axes.plot(
        speed,
        check.pull_out.torque_Nm(check.load.rev_s(speed)),
        color=INK,
        lw=1.8,
        label="motor loses steps above",
    )
    axes.plot(speed, check.least * needed, color=BLUE, lw=1.2, ls="--", label="needed with margin")
    axes.plot(speed, needed, color=BLUE, lw=1.8, label="needed")
    axes.axvline(check.speed_mm_s, color=QUIET, lw=1.0, ls=":", label="planned speed")
    axes.plot([check.speed_mm_s] * 2, [check.needed_Nm, check.available_Nm], "o", color=INK, ms=4)
    words = "enough" if check.enough else "too little"
    axes.set_title(f"{name}: {check.margin:.2f} times, {words}")
    axes.set_xlabel("strip speed (mm/s)")
    axes.set_xlim(0.0, speed[-1])
    axes.set_ylim(bottom=0.0)
