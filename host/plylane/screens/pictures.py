"""What a plot shows: which curves, which range, which words on the axes. Needs no screen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from plylane.curves import round_times, thinned
from plylane.overview import Overview
from plylane.screens.decide import NO_READING_DEGC
from plylane.screens.timeline import View
from plylane.trends import FloatArray, Trends
from plylane.words import clock, zone_name


class Topic(StrEnum):
    """What there is to draw."""

    TEMPERATURE = "temperature"
    OUTPUT = "output"
    SPEED = "speed"
    MISMATCH = "mismatch"


class Pattern(StrEnum):
    """How a curve is drawn, so that curves differ by more than their grey."""

    LINE = "line"
    DOTS = "dots"
    SPARSE = "sparse"
    POINTS = "points"


@dataclass(frozen=True, slots=True)
class Curve:
    """Times (s) and values, shape (n,); `colour` names a variable of the theme."""

    time_s: FloatArray
    values: FloatArray
    colour: str
    pattern: Pattern = Pattern.LINE


@dataclass(frozen=True, slots=True)
class Mark:
    """An upright line at a time."""

    time_s: float
    colour: str


@dataclass(frozen=True, slots=True)
class Picture:
    """One plot."""

    title: str
    curves: tuple[Curve, ...]
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    x_labels: dict[float, str]
    y_labels: dict[float, str]
    marks: tuple[Mark, ...] = field(default=())

    def with_marks(self, marks: tuple[Mark, ...]) -> Picture:
        """The same picture with those marks."""
        return replace(self, marks=marks)


Fetch = Callable[[str], tuple[FloatArray, FloatArray]]  # column name -> times (s), values

LEGEND = {Pattern.LINE: "━", Pattern.DOTS: "┅", Pattern.SPARSE: "┄", Pattern.POINTS: "●"}
_OF_ZONE = (
    ("trace-1", Pattern.LINE),
    ("trace-2", Pattern.DOTS),
    ("trace-3", Pattern.SPARSE),
)


def fetch_trends(trends: Trends, span_s: float, columns: int) -> Fetch:
    """Curves over the last `span_s` of a ring, times counted back from the newest sample."""
    newest = trends.last_s()

    def fetch(name: str) -> tuple[FloatArray, FloatArray]:
        time_s, (values,) = trends.window(newest - span_s, (name,))
        return thinned(time_s - newest, values, -span_s, 0.0, columns)

    return fetch


def fetch_overview(overview: Overview, view: View, columns: int) -> Fetch:
    """Curves over the part of a run that a view shows."""

    def fetch(name: str) -> tuple[FloatArray, FloatArray]:
        return overview.curve(name, view.start_s, view.end_s, columns)

    return fetch


def back_labels(span_s: float) -> dict[float, str]:
    """The time axis of a trend: half and all of the span ago, and now."""
    return {-span_s: clock(-span_s), -span_s / 2: clock(-span_s / 2), 0.0: "now"}


def time_labels(view: View, width: int) -> dict[float, str]:
    """The time axis of a run: round times, as many as `width` cells can show."""
    times = round_times(view.start_s, view.end_s, max(12, width) / 12)
    return {time_s: clock(time_s) for time_s in times}


def draw(
    topic: Topic,
    fetch: Fetch,
    zones: int,
    rows: int,
    mismatch_limit_mm: float,
    x_range: tuple[float, float],
    x_labels: dict[float, str],
) -> Picture:
    """The picture of a topic in a plot with `rows` rows inside its frame."""
    title, curves, y_range, wanted = _TOPICS[topic](fetch, zones, mismatch_limit_mm)
    y_labels = spread_labels(wanted, y_range, rows)
    return Picture(title, tuple(curves), x_range, y_range, x_labels, y_labels)


Drawn = tuple[str, list[Curve], tuple[float, float], list[tuple[float, str]]]


def _temperature(fetch: Fetch, zones: int, _limit: float) -> Drawn:
    setpoints = [
        Curve(*fetch(f"zone{k + 1}_sp_degC"), "reference", Pattern.SPARSE) for k in range(zones)
    ]
    curves = list(setpoints)
    for k in reversed(range(zones)):  # the solid line last, on top
        time_s, values = fetch(f"zone{k + 1}_pv_degC")
        good = values > NO_READING_DEGC
        curves.append(Curve(time_s[good], values[good], *_OF_ZONE[k]))
    low, high = _range(curves, least_span=10.0)
    sp = f" {LEGEND[Pattern.SPARSE]} SP" if zones < len(_OF_ZONE) else ""  # the axis names it too
    title = f"PV °C {_legend(zones)}{sp}"
    ends = [(low, f"{low:.0f}"), (high, f"{high:.0f}")]
    return title, curves, (low, high), [*_setpoint_labels(setpoints), *ends]


def _setpoint_labels(setpoints: Sequence[Curve]) -> list[tuple[float, str]]:
    """The last setpoints by the zones' names; one that several zones share is just SP."""
    last = [(k, float(c.values[-1])) for k, c in enumerate(setpoints) if len(c.values)]
    values = [value for _, value in last]
    return [
        (value, f"{'SP' if values.count(value) > 1 else _short_zone(k)} {value:.0f}")
        for k, value in last
    ]


def _output(fetch: Fetch, zones: int, _limit: float) -> Drawn:
    curves = [
        Curve(*fetch(f"zone{k + 1}_op_percent"), *_OF_ZONE[k]) for k in reversed(range(zones))
    ]
    labels = [(0.0, "0"), (100.0, "100"), (50.0, "50")]
    return f"OP % {_legend(zones)}", curves, (0.0, 100.0), labels


def _speed(fetch: Fetch, _zones: int, _limit: float) -> Drawn:
    curves = [
        Curve(*fetch("feed_speed_mm_s"), "trace-2", Pattern.DOTS),
        Curve(*fetch("output_speed_mm_s"), "trace-1"),
    ]
    lowest = min((float(c.values.min()) for c in curves if len(c.values)), default=0.0)
    low, high = _range(curves, least_span=2.0)
    low = 0.0 if lowest >= -0.5 else low
    title = f"mm/s {LEGEND[Pattern.LINE]} output {LEGEND[Pattern.DOTS]} feed"
    labels = [(0.0, "0"), (high, f"{high:.0f}"), (low, f"{low:.0f}"), (high / 2, f"{high / 2:.0f}")]
    return title, curves, (low, high), labels


def _mismatch(fetch: Fetch, _zones: int, limit_mm: float) -> Drawn:
    curve = Curve(*fetch("mismatch_mm"), "trace-1")
    largest = float(np.max(np.abs(curve.values))) if len(curve.values) else 0.0
    top = max(2.0, 1.2 * largest, 1.1 * limit_mm if largest > limit_mm / 2 else 0.0)
    labels = [(0.0, "0"), (limit_mm, f"limit {limit_mm:.0f}")]
    labels.append((-limit_mm, f"limit -{limit_mm:.0f}"))
    if limit_mm > top:
        labels += [(top, f"{top:.0f}"), (-top, f"{-top:.0f}")]
    lines = [_level(level, curve) for level in (0.0, limit_mm, -limit_mm)]
    return "feed less output, mm", [*lines, curve], (-top, top), labels


_TOPICS: dict[Topic, Callable[[Fetch, int, float], Drawn]] = {
    Topic.TEMPERATURE: _temperature,
    Topic.OUTPUT: _output,
    Topic.SPEED: _speed,
    Topic.MISMATCH: _mismatch,
}


def _level(level: float, along: Curve) -> Curve:
    return Curve(along.time_s, np.full_like(along.values, level), "reference", Pattern.SPARSE)


def _short_zone(zone: int) -> str:
    return zone_name(zone).split()[-1] if zone < 2 else f"zone {zone + 1}"


def _legend(zones: int) -> str:
    return " ".join(f"{LEGEND[_OF_ZONE[k][1]]} {_short_zone(k)}" for k in range(zones))


def _range(curves: Sequence[Curve], least_span: float) -> tuple[float, float]:
    """Lowest and highest value with a tenth of air, rounded outwards to whole numbers."""
    values = [c.values for c in curves if len(c.values)]
    if not values:
        return 0.0, least_span
    low = min(float(v.min()) for v in values)
    high = max(float(v.max()) for v in values)
    air = max(0.1 * (high - low), (least_span - (high - low)) / 2)
    return float(np.floor(low - air)), float(np.ceil(high + air))


def spread_labels(
    wanted: Sequence[tuple[float, str]], y_range: tuple[float, float], rows: int
) -> dict[float, str]:
    """The labels that fit on an axis of `rows` rows; the earlier in `wanted` win."""
    low, high = y_range
    row_high = (high - low) / max(1, rows)
    labels: dict[float, str] = {}
    for value, text in wanted:
        near = any(abs(value - other) < 1.01 * row_high for other in labels)
        if low <= value <= high and not near:
            labels[value] = text
    return labels
