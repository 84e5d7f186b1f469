"""The pictures of the Tune screen. Need no screen."""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from plylane.curves import thinned
from plylane.screens.pictures import Curve, Pattern, Picture, spread_labels
from plylane.tune_run.log import Floats, Trace
from plylane.tune_run.outcome import Checked, ZoneTuning
from plylane.tune_run.rules import RuleView
from plylane.words import clock


class Plotted(StrEnum):
    """What there is to draw."""

    RECORD = "record"
    OUTPUT = "output"
    RESIDUAL = "residual"
    RESPONSE = "response"


LIVE_S = 120.0
MEASURED, MODEL, REFERENCE = "trace-1", "trace-2", "reference"


def live_picture(plotted: Plotted, trace: Trace, zone: int, columns: int, rows: int) -> Picture:
    """PV or OP of a zone as it goes, times counted back from the newest sample."""
    end = float(trace.time_s[-1]) if len(trace.time_s) else 0.0
    time_s = trace.time_s - end
    span = max(LIVE_S, -float(time_s[0]) if len(time_s) else 0.0)
    x_range, x_labels = (-span, 0.0), {-span: clock(-span), -span / 2: clock(-span / 2), 0.0: "now"}
    if plotted is Plotted.OUTPUT:
        curve = _curve(time_s, trace.op_percent[zone], MEASURED, columns)
        return _picture("OP %", [curve], x_range, x_labels, (0.0, 100.0), rows)
    pv = trace.pv_degC[zone]
    good = pv > -200.0
    curve = _curve(time_s[good], pv[good], MEASURED, columns)
    return _picture("PV °C", [curve], x_range, x_labels, _range([curve], 4.0), rows)


def found_picture(
    plotted: Plotted, tuning: ZoneTuning, picked: RuleView | None, columns: int, rows: int
) -> Picture:
    """What the experiment showed, and what the picked rule promises."""
    if plotted is Plotted.RESPONSE:
        return response_picture(tuning, picked, columns, rows)
    found, record = tuning.found, tuning.record
    start = float(record.time_s[0])
    x_range, x_labels = _axis(record.span_s)
    if plotted is Plotted.OUTPUT:
        curve = _curve(record.time_s - start, record.op_percent, MEASURED, columns)
        return _picture("OP % of the experiment", [curve], x_range, x_labels, (0.0, 100.0), rows)
    times = found.time_s - start
    if plotted is Plotted.RESIDUAL:
        curve = _curve(times, found.residual_degC, MEASURED, columns)
        title = "PV less model, °C"
        low, high = _range([curve], 0.4)
        top = max(-low, high)
        zero = Curve(np.array(x_range), np.zeros(2), REFERENCE, Pattern.SPARSE)
        return _picture(title, [zero, curve], x_range, x_labels, (-top, top), rows)
    model = _curve(times, found.fitted_degC, MODEL, columns, Pattern.DOTS)
    measured = _curve(record.time_s - start, record.pv_degC, MEASURED, columns)
    title = "PV °C ━ measured ┅ model"
    return _picture(
        title, [measured, model], x_range, x_labels, _range([measured, model], 4.0), rows
    )


def response_picture(
    tuning: ZoneTuning, picked: RuleView | None, columns: int, rows: int
) -> Picture:
    """The last check with its prediction, or the setpoint step that the picked rule promises."""
    if tuning.checks and (picked is None or picked.name == tuning.chosen):
        return _checked(tuning.checks[-1], columns, rows)
    view = picked or tuning.view(tuning.suggestion.name)
    preview = view.preview
    x_range, x_labels = _axis(float(preview.time_s[-1]))
    line = _curve(preview.time_s, preview.pv_degC, MODEL, columns)
    goal = Curve(np.array(x_range), np.full(2, preview.setpoint_degC), REFERENCE, Pattern.SPARSE)
    title = f"setpoint step °C, {view.name.replace('_', ' ')} predicted"
    return _picture(title, [goal, line], x_range, x_labels, _range([goal, line], 2.0), rows)


def _checked(check: Checked, columns: int, rows: int) -> Picture:
    x_range, x_labels = _axis(float(check.predicted.time_s[-1]))
    predicted = _curve(
        check.predicted.time_s, check.predicted.pv_degC, MODEL, columns, Pattern.DOTS
    )
    measured = _curve(check.time_s, check.pv_degC, MEASURED, columns)
    goal = check.predicted.setpoint_degC
    line = Curve(np.array(x_range), np.full(2, goal), REFERENCE, Pattern.SPARSE)
    curves = [line, measured, predicted]
    title = f"{check.verdict.kind} °C ━ measured ┅ predicted"
    return _picture(title, curves, x_range, x_labels, _range(curves, 2.0), rows)


def _curve(
    time_s: Floats,
    values: Floats,
    colour: str,
    columns: int,
    pattern: Pattern = Pattern.LINE,
) -> Curve:
    if not len(time_s):
        return Curve(time_s, values, colour, pattern)
    ends = float(time_s[0]), float(time_s[-1])
    return Curve(*thinned(time_s, values, *ends, columns), colour, pattern)


def _axis(span_s: float) -> tuple[tuple[float, float], dict[float, str]]:
    return (0.0, span_s), {0.0: "0:00", span_s / 2: clock(span_s / 2), span_s: clock(span_s)}


def _range(curves: list[Curve], least_span: float) -> tuple[float, float]:
    values = [c.values for c in curves if len(c.values)]
    if not values:
        return 0.0, least_span
    low, high = min(float(v.min()) for v in values), max(float(v.max()) for v in values)
    air = max(0.08 * (high - low), (least_span - (high - low)) / 2.0)
    return low - air, high + air


def _picture(
    title: str,
    curves: list[Curve],
    x_range: tuple[float, float],
    x_labels: dict[float, str],
    y_range: tuple[float, float],
    rows: int,
) -> Picture:
    low, high = y_range
    digits = 0 if high - low >= 8.0 else 1 if high - low >= 0.8 else 2
    wanted = [(level, f"{level:.{digits}f}") for level in (high, low, (low + high) / 2.0)]
    y_labels = spread_labels(wanted, y_range, rows)
    return Picture(title, tuple(curves), x_range, y_range, x_labels, y_labels)
