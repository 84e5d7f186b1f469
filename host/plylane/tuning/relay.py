"""Relay experiment: the describing function, and the exact solution for one lag with dead time.

The relay gives `high_percent` until the PV passes the setpoint by the hysteresis upwards, then
`low_percent` until it passes it by the hysteresis downwards. Where the two levels lie unevenly
about the output that would hold the setpoint, the cycle is lopsided, and its two amplitudes and
two times tell gain, lag, dead time and that output.

Q.-G. Wang, C.-C. Hang, B. Zou, Low-order modeling from relay feedback, Ind. Eng. Chem. Res. 36
(1997) 375-381; describing function: K. J. Astrom, T. Hagglund, Automatica 20 (1984) 645-651.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import exp, log, pi, sin, sqrt

import numpy as np
from scipy.optimize import brentq

from plylane.tuning.process import Process
from plylane.tuning.record import Record, RecordError

CYCLES_LEAST = 2
LOPSIDED_LEAST = 0.15
"""Least |ln| of the ratio of both times from which the gain can be told. Below it an error of a
tenth of a second, which the head's loop makes, moves the gain by a quarter."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """A relay's steady cycle. PVs relative to the setpoint (degC), outputs in percent.

    `above_degC` > 0 highest PV, `below_degC` < 0 lowest; `high_s`, `low_s` how long each output is
    on; `hysteresis_degC` on either side of the setpoint.
    """

    above_degC: float
    below_degC: float
    high_s: float
    low_s: float
    high_percent: float
    low_percent: float
    hysteresis_degC: float

    @property
    def period_s(self) -> float:
        """Of a whole cycle."""
        return self.high_s + self.low_s


def describing_gain(
    relay_percent: float, amplitude_degC: float, hysteresis_degC: float = 0.0, duty: float = 0.5
) -> float:
    """Ultimate gain (%/degC) by the describing function.

    `relay_percent` and `amplitude_degC` are half of peak to peak; `duty` the share of the period at
    the higher output (a lopsided square wave has a smaller first harmonic, by sin(pi duty)). With
    hysteresis the point found lies a little off the negative real axis. Raises ValueError where the
    amplitude does not exceed the hysteresis.
    """
    if not amplitude_degC > hysteresis_degC >= 0.0:
        raise ValueError("the amplitude must exceed the hysteresis")
    first = 4.0 * relay_percent / pi * sin(pi * duty)
    return first / sqrt(amplitude_degC**2 - hysteresis_degC**2)


def ultimate_by_describing_function(cycle: Cycle) -> tuple[float, float]:
    """Ultimate gain (%/degC) and period (s), approximate: 11 % low for a lag equal to the dead
    time.
    """
    relay = (cycle.high_percent - cycle.low_percent) / 2.0
    amplitude = (cycle.above_degC - cycle.below_degC) / 2.0
    duty = cycle.high_s / cycle.period_s
    return describing_gain(relay, amplitude, cycle.hysteresis_degC, duty), cycle.period_s


def predicted_cycle(
    process: Process,
    high_percent: float,
    low_percent: float,
    hysteresis_degC: float,
    holding_percent: float,
) -> Cycle:
    """Exact steady cycle of a process of one lag; `holding_percent` holds the setpoint.

    Raises ValueError where the process has more lags or the relay cannot drive the PV across.
    """
    if len(process.lags_s) != 1:
        raise ValueError("the exact solution is for one lag; use Process.first_order()")
    lag = process.lags_s[0]
    up = (high_percent - holding_percent) * process.gain
    down = (holding_percent - low_percent) * process.gain
    eps = hysteresis_degC
    if not min(up, down) > eps >= 0.0:
        raise ValueError("the relay cannot drive the PV across its hysteresis")
    keep = exp(-process.dead_time_s / lag)
    above = up * (1.0 - keep) + eps * keep
    below = -down * (1.0 - keep) - eps * keep
    high_s = process.dead_time_s + lag * log((up - below) / (up - eps))
    low_s = process.dead_time_s + lag * log((down + above) / (down - eps))
    return Cycle(above, below, high_s, low_s, high_percent, low_percent, eps)


def _down_for(cycle: Cycle, up: float) -> float:
    """Drive downwards (degC) that goes with a drive upwards, from the two amplitudes."""
    eps = cycle.hysteresis_degC
    return eps + (up - eps) * (-cycle.below_degC - eps) / (cycle.above_degC - eps)


def _durations(cycle: Cycle, up: float) -> tuple[float, float]:
    """Both times in units of the lag, for a drive upwards of `up` degC."""
    eps, down = cycle.hysteresis_degC, _down_for(cycle, up)
    dead = log((up - eps) / (up - cycle.above_degC))
    high = dead + log((up - cycle.below_degC) / (up - eps))
    low = dead + log((down + cycle.above_degC) / (down - eps))
    return high, low


def process_from_cycle(cycle: Cycle) -> tuple[Process, float]:
    """Exact process of one lag, and the output (%) that holds the setpoint.

    Raises RecordError where the cycle is too even to tell (move the relay's levels), or no process
    of one lag makes it.
    """
    _check_cycle(cycle)
    wanted = log(cycle.high_s / cycle.low_s)
    if abs(wanted) < LOPSIDED_LEAST:
        raise RecordError(
            "the relay's cycle is too even to tell the gain",
            "shift both relay outputs the same way so that one half cycle is half as long again",
        )

    def away(log_excess: float) -> float:
        high, low = _durations(cycle, cycle.above_degC * (1.0 + exp(log_excess)))
        return log(high / low) - wanted

    edges = -25.0, 12.0
    if away(edges[0]) * away(edges[1]) > 0.0:
        raise RecordError(
            "no single lag with dead time makes this relay cycle",
            "record more cycles with the strips standing, or fit the whole record instead",
        )
    up = cycle.above_degC * (1.0 + exp(float(brentq(away, *edges, xtol=1e-13))))
    return _solved(cycle, up)


def _solved(cycle: Cycle, up: float) -> tuple[Process, float]:
    gain = (up + _down_for(cycle, up)) / (cycle.high_percent - cycle.low_percent)
    lag = cycle.high_s / _durations(cycle, up)[0]
    dead = lag * log((up - cycle.hysteresis_degC) / (up - cycle.above_degC))
    return Process.of(gain, lag, dead_time_s=dead), cycle.high_percent - up / gain


def _check_cycle(cycle: Cycle) -> None:
    eps = cycle.hysteresis_degC
    if not (cycle.above_degC > eps >= 0.0 and -cycle.below_degC > eps):
        raise RecordError(
            "the PV does not swing beyond the relay's hysteresis", "record once it cycles steadily"
        )
    if not (cycle.high_percent > cycle.low_percent and min(cycle.high_s, cycle.low_s) > 0.0):
        raise RecordError("the relay's output does not switch", "record once it cycles steadily")


def measure_cycle(record: Record, setpoint_degC: float, hysteresis_degC: float) -> Cycle:
    """Mean steady cycle in a record of a relay experiment; its first cycle is left out.

    Raises RecordError where fewer than two whole cycles remain or the output is no relay's.
    """
    low, high = float(record.op_percent.min()), float(record.op_percent.max())
    on = record.op_percent > (low + high) / 2.0
    edges = np.flatnonzero(np.diff(on.astype(np.int8))) + 1
    rising = edges[on[edges]][1:]
    if len(rising) < CYCLES_LEAST + 1:
        raise RecordError(
            f"the relay made {max(0, len(rising) - 1)} steady cycles, {CYCLES_LEAST} are needed",
            "let the experiment run longer",
        )
    inside = slice(int(rising[0]), int(rising[-1]))
    held_s = np.diff(record.time_s)[inside]
    cycles = len(rising) - 1
    pv = [record.pv_degC[a:b] - setpoint_degC for a, b in pairwise(rising)]
    return Cycle(
        above_degC=float(np.mean([part.max() for part in pv])),
        below_degC=float(np.mean([part.min() for part in pv])),
        high_s=float(held_s[on[inside]].sum()) / cycles,
        low_s=float(held_s[~on[inside]].sum()) / cycles,
        high_percent=high,
        low_percent=low,
        hysteresis_degC=hysteresis_degC,
    )
