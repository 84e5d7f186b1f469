"""The loop closed on a model, by `simple-pid`, step by step as the head does it.

The head's controller differs from a plain `simple_pid.PID` in three graces, put together here: the
derivative acts on a filtered measurement (a second PID with nothing but a derivative),
feed-forward is added within the limits, and the integral stands while the output is at a limit.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from simple_pid import PID

from plylane.tuning.figures import Figures, figures
from plylane.tuning.gains import Gains
from plylane.tuning.process import Process
from plylane.tuning.record import Floats
from plylane.tuning.response import apart, shares

STEPS_MOST = 5000
LOOP_S = 0.1

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Course:
    """`percent` of output; over the first `after_s` it is `first_percent`."""

    percent: float
    first_percent: float = 0.0
    after_s: float = 0.0

    def at(self, time_s: float) -> float:
        """Percent at that time from the start."""
        return self.percent if time_s >= self.after_s else self.first_percent


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """A predicted response: arrays (n), and its figures against the setpoint."""

    time_s: Floats
    pv_degC: Floats
    op_percent: Floats
    setpoint_degC: float
    figures: Figures


class _Controller:
    """The head's loop."""

    def __init__(
        self, gains: Gains, setpoint_degC: float, op_percent: float, limits: Range
    ) -> None:
        def no_clock() -> float:
            return 0.0

        self._gains, self._limits, self._op = gains, limits, op_percent
        self._main = PID(
            gains.kp, gains.ki, 0.0, setpoint_degC, None, limits,
            time_fn=no_clock, starting_output=op_percent,
        )  # fmt: skip
        self._slope = PID(0.0, 0.0, gains.kd, setpoint_degC, None, time_fn=no_clock)
        self._smooth: float | None = None

    def _filtered(self, pv_degC: float, dt_s: float) -> float:
        before = pv_degC if self._smooth is None else self._smooth
        self._smooth = before + (pv_degC - before) * dt_s / (self._gains.td_filter_s + dt_s)
        return self._smooth

    def _held(self, pv_degC: float) -> bool:
        """The output is at a limit and the error would drive it further."""
        low, high = self._limits
        return self._op >= high if pv_degC < self._main.setpoint else self._op <= low

    def step(self, pv_degC: float, forward_percent: float, dt_s: float) -> float:
        low, high = self._limits
        main = self._main
        main.Ki = 0.0 if self._held(pv_degC) else self._gains.ki
        main.output_limits = (low - forward_percent, high - forward_percent)
        main(pv_degC, dt=dt_s)
        proportional, integral, _ = main.components
        slope = self._slope(self._filtered(pv_degC, dt_s), dt=dt_s) or 0.0
        self._op = min(max(proportional + integral + slope + forward_percent, low), high)
        return self._op


class _Plant:
    """A process stepped exactly, one state for each lag; dead time between steps is
    interpolated.
    """

    def __init__(self, process: Process, op_percent: float, dt_s: float) -> None:
        lags = apart(process.lags_s)
        self._parts = list(
            zip(shares(lags), (1.0 - np.exp(-dt_s / np.array(lags))).tolist(), strict=True)
        )
        self._states = [op_percent] * len(lags)
        whole, self._late = divmod(process.dead_time_s / dt_s, 1.0)
        self._line = deque([op_percent] * (int(whole) + 2), maxlen=int(whole) + 2)
        self._gain = process.gain

    def step(self, op_percent: float) -> float:
        """PV (degC above that at no output) after one more step with this output."""
        self._line.append(op_percent)
        seen = self._late * self._line[0] + (1.0 - self._late) * self._line[1]
        total = 0.0
        for number, (share, rate) in enumerate(self._parts):
            self._states[number] += (seen - self._states[number]) * rate
            total += share * self._states[number]
        return self._gain * total


def horizon_s(process: Process, gains: Gains) -> float:
    """Time within which a loop has settled (s)."""
    steady = max(process.gain * gains.kp, 1e-6)
    slow_s = max(gains.ti_s, 1.0) * (1.0 + 1.0 / steady)
    return float(max(6.0 * slow_s, 3.0 * (process.lags_s[0] + process.dead_time_s)))


def _run(
    process: Process,
    controller: _Controller,
    start: tuple[float, float],
    span_s: float,
    load: Callable[[float], tuple[float, float]],
) -> tuple[Floats, Floats, Floats]:
    """Times, PVs, outputs (n each). `load` gives, at a time, the disturbance and the
    feed-forward.
    """
    start_degC, start_percent = start
    dt_s = max(LOOP_S, span_s / STEPS_MOST)
    plant = _Plant(process, start_percent, dt_s)
    base_degC = start_degC - process.gain * start_percent
    pv, pvs, ops = start_degC, [], []
    count = int(span_s / dt_s) + 1
    for number in range(count):
        disturbance, forward = load(number * dt_s)
        op = controller.step(pv, forward, dt_s)
        pvs.append(pv)
        ops.append(op)
        pv = base_degC + plant.step(op + disturbance)
    times = np.arange(count, dtype=np.float64) * dt_s
    return times, np.array(pvs, dtype=np.float64), np.array(ops, dtype=np.float64)


def setpoint_preview(
    process: Process,
    gains: Gains,
    *,
    start_degC: float,
    setpoint_degC: float,
    start_percent: float,
    band_degC: float = 0.5,
    limits: Range = (0.0, 100.0),
    span_s: float | None = None,
) -> Preview:
    """Response to a setpoint step from rest at `start_degC`, held by `start_percent`."""
    controller = _Controller(gains, setpoint_degC, start_percent, limits)
    span = span_s or horizon_s(process, gains)
    start = start_degC, start_percent
    time_s, pv, op = _run(process, controller, start, span, lambda _: (0.0, 0.0))
    judged = figures(time_s, pv, setpoint_degC, band_degC)
    return Preview(time_s, pv, op, setpoint_degC, judged)


def load_preview(
    process: Process,
    gains: Gains,
    *,
    setpoint_degC: float,
    start_percent: float,
    load_percent: float | Course,
    forward_percent: float | Course = 0.0,
    band_degC: float = 0.5,
    limits: Range = (0.0, 100.0),
    span_s: float | None = None,
) -> Preview:
    """Response at rest to a load worth `load_percent` of output (negative: heat carried away).

    `forward_percent` is what feed-forward adds from the same moment. Numbers are steps.
    """
    controller = _Controller(gains, setpoint_degC, start_percent, limits)
    span = span_s or horizon_s(process, gains)
    start = setpoint_degC, start_percent
    load, forward = (
        each if isinstance(each, Course) else Course(each)
        for each in (load_percent, forward_percent)
    )
    time_s, pv, op = _run(
        process, controller, start, span, lambda now_s: (load.at(now_s), forward.at(now_s))
    )
    judged = figures(time_s, pv, setpoint_degC, band_degC)
    return Preview(time_s, pv, op, setpoint_degC, judged)
