"""The best gains a search finds: least IAE after a load step under a limit on Ms.

For given integral and derivative times every frequency forbids a range of gains, between the two
roots of |1 + kp H| = 1 / Ms: a quadratic, no search. The largest stable gain between the ranges is
taken; it need not lie below all of them, for with a short integral time a loop can be less robust
at a small gain than at a larger one. What is left are the two times, over which the IAE has
cliffs, so a grid comes before the descent. The problem is that of H. Panagopoulos, K. J. Astrom,
T. Hagglund, IEE Proc. Control Theory Appl. 149 (2002) 32-40, with IAE in place of IE.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize, minimize_scalar

from plylane.tuning.gains import Gains
from plylane.tuning.margins import is_stable
from plylane.tuning.process import Complexes, Process
from plylane.tuning.record import Floats

MS_MOST = 1.6


def load_response(process: Process, gains: Gains) -> tuple[Floats, Floats]:
    """Times (n) and PV (n), degC, after a load step of 1 % at the process's input, loop closed.

    Through the frequency response with exact dead time; the loop must be stable and have an
    integral.
    """
    horizon_s, count = _window(process, gains)
    frequency = 2.0 * np.pi / horizon_s * np.arange(count // 2 + 1)
    value = np.empty(len(frequency), dtype=np.complex128)
    value[0] = 1.0 / gains.ki
    open_part = process.at(frequency[1:])
    value[1:] = open_part / (1j * frequency[1:] * (1.0 + open_part * gains.at(frequency[1:])))
    pv = np.fft.irfft(value, count) * count / horizon_s
    return np.arange(count) * horizon_s / count, pv


def _window(process: Process, gains: Gains) -> tuple[float, int]:
    """Horizon (s) over which the loop has come to rest, and samples enough for its fastest part."""
    steady = process.gain * gains.kp
    slow_s = gains.ti_s * (1.0 + steady) / steady
    horizon_s = 12.0 * max(slow_s, sum(process.lags_s) + process.dead_time_s)
    fine_s = max((process.dead_time_s + sum(process.lags_s[1:])) / 8.0, process.lags_s[0] / 200.0)
    return horizon_s, int(2 ** np.ceil(np.log2(np.clip(horizon_s / fine_s, 512, 16384))))


def load_iae(process: Process, gains: Gains) -> float:
    """Integral of |PV - SP| (degC s) after a load step of 1 %; the loop must be stable."""
    time_s, pv = load_response(process, gains)
    return float(np.abs(pv).sum() * time_s[1])


def _grid(process: Process) -> Floats:
    slow_s = sum(process.lags_s) + process.dead_time_s
    fast_s = max(process.dead_time_s + sum(process.lags_s[1:]), 0.01 * slow_s)
    return np.geomspace(0.02 / slow_s, 60.0 / fast_s, 500)


@dataclass(frozen=True, slots=True)
class Bounds:
    """Limits of the search: `ms` (more than 1); `fast_gain` %/degC, what the loop may make of fast
    noise on the PV (`Gains.fast_gain`).
    """

    ms: float = MS_MOST
    fast_gain: float = float("inf")


def largest_gain(process: Process, ti_s: float, td_s: float, bounds: Bounds) -> float:
    """Largest kp (%/degC) within the bounds for which the loop is stable."""
    grid = _grid(process)
    controller = Gains.filtered(1.0, ti_s, td_s)
    unit = process.at(grid) * controller.at(grid)
    most = bounds.fast_gain / controller.fast_gain
    for low, high in _free_ranges(unit, bounds.ms):
        gain = min(high, most)
        if gain > low and is_stable(gain * unit):
            return gain
    raise ValueError("no gain meets that limit on Ms")


def _free_ranges(unit: Complexes, ms: float) -> list[tuple[float, float]]:
    """Ranges of gain that no frequency forbids, the largest first."""
    square, real = np.abs(unit) ** 2, unit.real
    inner = real**2 - square * (1.0 - 1.0 / ms**2)
    meets = (real < 0.0) & (inner >= 0.0)
    middle, half, size = -real[meets], np.sqrt(inner[meets]), square[meets]
    low, high = (middle - half) / size, (middle + half) / size
    order = np.argsort(low)
    low, reached = low[order], np.maximum.accumulate(high[order])
    starts = np.concatenate(([0.0], reached[:-1]))
    free = low > starts
    return list(zip(starts[free][::-1].tolist(), low[free][::-1].tolist(), strict=True))


def _with_times(process: Process, ti_s: float, td_s: float, bounds: Bounds) -> Gains:
    return Gains.filtered(largest_gain(process, ti_s, td_s, bounds), ti_s, td_s)


def _scales(process: Process) -> tuple[float, float]:
    """Lag and effective dead time (s) of the simplified process, the latter never quite zero."""
    simple = process.first_order()
    lag_s = simple.lags_s[0]
    return lag_s, max(simple.dead_time_s, 0.01 * lag_s)


def _promising(
    process: Process, bounds: Bounds, times: list[tuple[float, float]], count: int
) -> Floats:
    """The `count` best pairs of times by IAE, among the best by its lower bound ti / kp."""

    def bound(pair: tuple[float, float]) -> float:
        return pair[0] / largest_gain(process, pair[0], pair[1], bounds)

    shortlist = sorted(times, key=bound)[: 6 * count]
    ranked = sorted(
        shortlist,
        key=lambda pair: load_iae(process, _with_times(process, pair[0], pair[1], bounds)),
    )
    return np.array(ranked[:count])


def _limited(process: Process) -> Process:
    """The process with dead time enough that its gain has a limit at all."""
    return process.delayed(max(0.0, 1e-3 * process.lags_s[0] - process.dead_time_s))


def optimum_pi(process: Process, bounds: Bounds = Bounds()) -> Gains:
    """PI with the least load IAE within the bounds."""
    process = _limited(process)
    lag_s, dead_s = _scales(process)
    times = np.geomspace(0.3 * min(dead_s, lag_s), 3.0 * (lag_s + dead_s), 50)
    best = _promising(process, bounds, [(float(ti_s), 0.0) for ti_s in times], 1)[0]
    ratio = float(times[1] / times[0])
    found = minimize_scalar(
        lambda log_ti: load_iae(process, _with_times(process, float(np.exp(log_ti)), 0.0, bounds)),
        bounds=(np.log(best[0] / ratio), np.log(best[0] * ratio)),
        method="bounded",
        options={"xatol": 1e-3},
    )
    return _with_times(process, float(np.exp(found.x)), 0.0, bounds)


def optimum_pid(process: Process, bounds: Bounds = Bounds()) -> Gains:
    """PID with the least load IAE within the bounds; the derivative is filtered at td / 8."""
    process = _limited(process)
    lag_s, dead_s = _scales(process)
    ti = np.geomspace(0.5 * min(dead_s, lag_s), 1.5 * (lag_s + dead_s), 18)
    td = np.geomspace(0.1 * dead_s, 4.0 * dead_s, 9)
    times = [(float(a), float(b)) for a in ti for b in td]
    starts = _promising(process, bounds, times, 2)
    found = [_descended(process, bounds, start) for start in np.log(starts)]
    return min(found, key=lambda gains: load_iae(process, gains))


def _descended(process: Process, bounds: Bounds, start: Floats) -> Gains:
    """Nelder and Mead from logarithms of times, twice, as a cliff can flatten the first simplex."""

    def gains(logs: Floats) -> Gains:
        return _with_times(process, float(np.exp(logs[0])), float(np.exp(logs[1])), bounds)

    for size in (0.15, 0.05):
        simplex = start + size * np.array([[0.0, 0.0], [-1.0, 0.3], [0.3, 1.0]])
        start = minimize(
            lambda logs: load_iae(process, gains(logs)),
            start,
            method="Nelder-Mead",
            options={"xatol": 2e-3, "fatol": 1e-9, "maxfev": 60, "initial_simplex": simplex},
        ).x
    return gains(np.asarray(start, dtype=np.float64))
