"""From the output commanded to the power the heater gets: time-proportioning."""

from __future__ import annotations

import numpy as np

from plylane.tuning.model import Instrument
from plylane.tuning.record import Floats, Record
from plylane.tuning.response import Steps

ROW_LATE_S, LOOP_LATE_S = 0.005, 0.099
"""A window takes over the output that it finds. The one that begins as its zone is switched on
takes the output of that moment, which a row shows within a loop of the head.
"""


def heater_steps(record: Record, instrument: Instrument) -> Steps:
    """The input the process saw, in percent of full power, as steps.

    With a window that began at a known time: the head's pulses, one at the start of every window,
    as long as the command found there asks. Else the command itself, which the window delays by
    half of its period on average (`unknown_delay_s`).
    """
    if instrument.window_s == 0.0 or instrument.window_start_s is None:
        return Steps.of(record.time_s, record.op_percent)
    starts = _windows(record.time_s, instrument.window_s, instrument.window_start_s)
    # a row that shows the output of a window's start may come a little later
    switched_on = np.abs(starts - instrument.window_start_s) < ROW_LATE_S
    late_s = np.where(switched_on, LOOP_LATE_S, ROW_LATE_S)
    seen = np.searchsorted(record.time_s, starts + late_s, side="right")
    at = np.clip(seen - 1, 0, None)
    return _pulses(starts, record.op_percent[at], instrument.window_s)


def _windows(time_s: Floats, window_s: float, start_s: float) -> Floats:
    first = np.ceil((time_s[0] - start_s) / window_s) - 1.0
    last = np.floor((time_s[-1] - start_s) / window_s)
    return np.asarray(start_s + window_s * np.arange(first, last + 1.0))


def _pulses(starts: Floats, op_percent: Floats, window_s: float) -> Steps:
    """On at each start, off after its share. What the first window asks has stood for ever."""
    times = np.column_stack([starts, starts + window_s * op_percent / 100.0]).ravel()
    on = np.where(op_percent > 0.0, 100.0, 0.0)
    off = np.where(op_percent < 100.0, 0.0, 100.0)
    values = np.column_stack([on, off]).ravel()
    mean = float(op_percent[0])
    steps = np.diff(np.concatenate(([mean], values)))
    kept = steps != 0.0
    return Steps(mean, times[kept], steps[kept])


def unknown_delay_s(instrument: Instrument) -> float:
    """Mean delay by a window of unknown start (s), which a fit finds within the dead time."""
    return instrument.window_s / 2.0 if instrument.window_start_s is None else 0.0


def unknown_delay_variance_s2(instrument: Instrument, changes: int) -> float:
    """Variance of that delay's mean over so many independent changes of the command (s^2)."""
    if instrument.window_start_s is not None:
        return 0.0
    return instrument.window_s**2 / 12.0 / max(1, changes)
