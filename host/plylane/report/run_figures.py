"""Figures of a run: its time line, heat, feed, lanes, and what stood around a finding.

Grey but for what is abnormal, and that has a symbol or a word as well.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from plylane.curves import Band, round_times
from plylane.head.registers import State
from plylane.head.snapshot import spaced
from plylane.jam import Finding
from plylane.report.figure_style import (
    HATCH,
    INK,
    ORANGE,
    PALE,
    QUIET,
    RULE,
    STYLE,
    new_rows,
)
from plylane.report.run_story import NEAR_S, AlarmSpan, Curve, Story, away_name
from plylane.runlog import Break
from plylane.words import clock, zone_name

Place = Literal["lower left", "lower right", "upper left"]

WIDTH_IN = 9.0
MARK, ALARM = "◆", "▲"
STANDING = frozenset({State.HOLDING, State.HELD, State.ABORTING, State.ABORTED})
"""States that were not wanted: shaded in every figure."""
ALARM_ROWS = 12
_NARROW, _LETTER = 0.015, 0.009  # shares of the width that a state's name needs
_MARGINS_IN = 1.75, 0.55, 0.15, 0.28


class RunFigures:
    """Draws a run; every figure has the same time axis, the same marks and shades."""

    def __init__(self, story: Story, findings: Sequence[Finding], breaks: Sequence[Break]) -> None:
        self.story, self.findings = story, findings
        self.gaps = [one for one in breaks if one.kind == "gap"]

    # ---- along the run ----

    def timeline(self, alarms: Sequence[AlarmSpan]) -> Figure:
        """States end to end, alarms from raised to over, findings by their numbers."""
        names = list(dict.fromkeys(span.text for span in alarms))[:ALARM_ROWS]
        rows = ["state", *names]
        with mpl.rc_context(STYLE):
            figure, (axes,) = new_rows(WIDTH_IN, [0.3 * len(rows)], _MARGINS_IN)
            for band in self.story.bands:
                _state_bar(axes, band, self._span_s)
            for span in alarms:
                if span.text in names:
                    _alarm_bar(axes, span, rows.index(span.text), self.story)
            axes.set_yticks(range(len(rows)), rows)
            axes.set_ylim(len(rows) - 0.4, -0.6)
            axes.tick_params(axis="y", length=0)
            axes.spines["left"].set_visible(False)
            self._along(axes, [axes])
        return figure

    def heat(self, zones: int) -> Figure:
        """PV and SP of every zone, its OP below."""
        with mpl.rc_context(STYLE):
            figure, panels = new_rows(WIDTH_IN, [1.4, 0.7] * zones, _MARGINS_IN)
            for zone in range(1, zones + 1):
                upper, lower = panels[2 * zone - 2 : 2 * zone]
                _zone_panel(upper, self.story.curves, zone)
                op = self.story.curves.get(f"zone{zone}_op_percent")
                if op is not None:
                    lower.plot(*op, color=QUIET, lw=0.9)
                lower.set_ylim(-3.0, 103.0)
                lower.set_yticks([0, 50, 100])
                lower.set_ylabel("OP, %")
            self._along(panels[-1], panels)
        return figure

    def feed(self, limit_mm: float | None) -> Figure:
        """Speeds of feed and output, and by how much they parted."""
        with mpl.rc_context(STYLE):
            figure, (upper, lower) = new_rows(WIDTH_IN, [1.3, 1.3], _MARGINS_IN)
            _speed_panel(upper, self.story.curves, "upper left")  # runs begin at rest
            _mismatch_panel(lower, self.story.curves, limit_mm)
            self._along(lower, [upper, lower])
        return figure

    def lanes(self, lanes: int) -> Figure:
        """How far every lane is from the median lane, all at one scale; two lanes or more."""
        concerned = {finding.lane for finding in self.findings}
        with mpl.rc_context(STYLE):
            figure, panels = new_rows(WIDTH_IN, [0.48] * lanes, _MARGINS_IN)
            for lane, axes in enumerate(panels, 1):
                curve = self.story.curves[away_name(lane)]
                axes.axhline(0.0, color=RULE, lw=0.7)
                axes.plot(*curve, color=INK if lane in concerned else QUIET, lw=1.0)
                axes.set_ylabel(f"lane {lane}", rotation=0, ha="right", va="center")
            low, high = _common_range(panels)
            for axes in panels:
                axes.set_ylim(low, high)
                axes.yaxis.set_major_locator(MaxNLocator(2))
            self._along(panels[-1], panels)
        return figure

    @property
    def _span_s(self) -> float:
        return max(self.story.last_s - self.story.first_s, 1.0)

    def _along(self, lowest: Axes, panels: Sequence[Axes]) -> None:
        """Axis, shades and marks that all figures along the run have."""
        first_s = self.story.first_s
        last_s = first_s + self._span_s
        for axes in panels:
            for band in self.story.bands:
                if band.state in STANDING:
                    axes.axvspan(band.start_s, band.end_s, color=PALE, lw=0, zorder=0)
            for gap in self.gaps:
                ends_s = gap.time_s, gap.time_s + gap.length_s
                axes.axvspan(*ends_s, fc="none", ec=HATCH, hatch="////", lw=0, zorder=0)
            _mark(axes, [finding.time_s for finding in self.findings])
        _number(panels[0], self.findings, self._span_s)
        lowest.set_xlim(first_s, last_s)
        _time_ticks(lowest, first_s, last_s)

    # ---- around a finding ----

    def close_up(self, finding: Finding, near: Mapping[str, Curve], lanes: int) -> Figure:
        """Speeds, mismatch and lanes some seconds before and after; the zone's heat if it counts.

        `near` holds the curves, at least those of the lanes.
        """
        zone = round(finding.evidence.get("zone", 0.0))
        heat = zone > 0 and f"zone{zone}_pv_degC" in near
        with mpl.rc_context(STYLE):
            heights_in = [1.15, 1.15, *[1.35] * (lanes > 1), *[1.15] * heat]
            figure, panels = new_rows(WIDTH_IN * 0.8, heights_in)
            _speed_panel(panels[0], near)
            _mismatch_panel(panels[1], near, None)
            if lanes > 1:
                _lanes_panel(panels[2], near, lanes, finding.lane)
            if heat:
                _zone_panel(panels[-1], near, zone)
            self._around(panels, finding)
        return figure

    def _around(self, panels: Sequence[Axes], finding: Finding) -> None:
        onset_s = finding.evidence.get("onset_s")
        start_s, end_s = finding.time_s - NEAR_S, finding.time_s + NEAR_S
        for axes in panels:
            axes.axvline(finding.time_s, color=ORANGE, lw=1.1)
            if onset_s is not None:
                axes.axvline(onset_s, color=ORANGE, lw=1.1, ls=":")
            for band in self.story.bands:
                if band.state in STANDING and band.end_s > start_s and band.start_s < end_s:
                    axes.axvspan(band.start_s, band.end_s, color=PALE, lw=0, zorder=0)
        _say_above(panels[0], finding.time_s, "found ", "left")
        if onset_s is not None and onset_s > start_s:
            _say_above(panels[0], onset_s, "began ", "right")
        panels[-1].set_xlim(start_s, end_s)
        panels[-1].set_xlabel("time, s")


# ---- panels ----


def _zone_panel(axes: Axes, curves: Mapping[str, Curve], zone: int) -> None:
    sp = curves.get(f"zone{zone}_sp_degC")
    if sp is not None:
        axes.plot(*sp, color=QUIET, lw=1.0, ls="--", label="SP")
    axes.plot(*curves[f"zone{zone}_pv_degC"], color=INK, lw=1.2, label="PV")
    axes.set_ylabel(f"{zone_name(zone - 1)}, °C")
    axes.margins(y=0.12)
    _legend(axes, "lower right")


def _speed_panel(axes: Axes, curves: Mapping[str, Curve], place: Place = "lower left") -> None:
    for name, colour, dashes, label in (
        ("output_speed_mm_s", QUIET, "-", "output"),
        ("feed_speed_mm_s", INK, "--", "feed"),
    ):
        if name in curves:
            axes.plot(*curves[name], color=colour, lw=1.1, ls=dashes, label=label)
    axes.set_ylabel("speed, mm/s")
    _legend(axes, place)


def _mismatch_panel(axes: Axes, curves: Mapping[str, Curve], limit_mm: float | None) -> None:
    axes.axhline(0.0, color=RULE, lw=0.7)
    if "mismatch_mm" in curves:
        axes.plot(*curves["mismatch_mm"], color=INK, lw=1.1)
    if limit_mm is not None:
        for level in (limit_mm, -limit_mm):
            axes.axhline(level, color=QUIET, lw=0.9, ls=":")
        axes.annotate(
            f"the head's limit, {limit_mm:g} mm",
            (0.005, limit_mm),
            xycoords=axes.get_yaxis_transform(),
            xytext=(0, -2),
            textcoords="offset points",
            va="top",
            fontsize=8,
        )
    axes.set_ylabel("feed less\noutput, mm")


def _lanes_panel(
    axes: Axes, curves: Mapping[str, Curve], lanes: int, concerned: int | None
) -> None:
    for lane in range(1, lanes + 1):
        chosen = lane == concerned
        axes.plot(
            *curves[away_name(lane)],
            color=INK if chosen else RULE,
            lw=1.6 if chosen else 0.9,
            zorder=3 if chosen else 2,
            label=f"lane {lane}" if chosen else None,
        )
    axes.plot([], [], color=RULE, lw=0.9, label="other lanes" if concerned else "lanes")
    axes.set_ylabel("from the median\nlane, mm")
    _legend(axes)


def _legend(axes: Axes, place: Place = "lower left") -> None:
    axes.legend(
        loc=place,
        ncols=3,
        fontsize=8,
        borderaxespad=0.1,
        frameon=True,
        facecolor="white",
        edgecolor="none",
        framealpha=0.8,
    )


def _common_range(panels: Sequence[Axes]) -> tuple[float, float]:
    low = min(axes.get_ylim()[0] for axes in panels)
    high = max(axes.get_ylim()[1] for axes in panels)
    return min(low, -2.0), max(high, 2.0)


# ---- marks ----


def _state_bar(axes: Axes, band: Band, span_s: float) -> None:
    length_s = band.end_s - band.start_s
    abnormal = band.state in STANDING
    axes.barh(
        0,
        length_s,
        0.72,
        band.start_s,
        facecolor="white" if abnormal else HATCH,
        edgecolor=ORANGE if abnormal else "white",
        hatch="///" if abnormal else None,
        lw=0.8,
    )
    word = spaced(band.state.name).capitalize()
    if length_s > (_NARROW + _LETTER * len(word)) * span_s:
        middle = band.start_s + length_s / 2
        box = {"facecolor": "white", "edgecolor": "none", "pad": 1.0} if abnormal else None
        axes.text(middle, 0, word, ha="center", va="center", fontsize=8.5, bbox=box)


def _alarm_bar(axes: Axes, span: AlarmSpan, row: int, story: Story) -> None:
    start_s = story.first_s if span.raised_s is None else span.raised_s
    end_s = story.last_s if span.over_s is None else span.over_s
    axes.plot([start_s, end_s], [row, row], color=ORANGE, lw=2.2, solid_capstyle="butt")
    axes.plot([start_s], [row], "^", color=ORANGE, ms=5)


def _mark(axes: Axes, times_s: Sequence[float]) -> None:
    """Upright lines, drawn as one: hundreds would make the page long."""
    up = np.tile([0.0, 1.0, np.nan], len(times_s))
    axes.plot(
        np.repeat(times_s, 3),
        up,
        color=ORANGE,
        lw=0.9,
        zorder=1,
        transform=axes.get_xaxis_transform(),
    )


def _number(axes: Axes, findings: Sequence[Finding], span_s: float) -> None:
    """The findings' numbers above the uppermost panel; one that would cover another is left out."""
    last_s = -np.inf
    for number, finding in enumerate(findings, 1):
        if finding.time_s - last_s >= 0.03 * span_s:
            _say_above(axes, finding.time_s, f"{MARK}{number}", "center")
            last_s = finding.time_s


def _say_above(axes: Axes, time_s: float, words: str, ha: str) -> None:
    axes.text(
        time_s,
        1.02,
        words,
        transform=axes.get_xaxis_transform(),
        ha=ha,
        va="bottom",
        fontsize=8.5,
        color=ORANGE,
    )


def _time_ticks(axes: Axes, start_s: float, end_s: float) -> None:
    times = round_times(start_s, end_s, 10)
    axes.set_xticks(times, [clock(time_s) for time_s in times])
    axes.set_xlabel("min:s" if end_s < 3600.0 else "h:min:s")
