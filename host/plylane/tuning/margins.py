"""How far a loop is from instability; dead time exact.

Gain margin, phase margin and maximum sensitivity as in K. J. Astrom, T. Hagglund, Advanced PID
Control (ISA, 2006), ch. 4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from plylane.tuning.gains import Gains
from plylane.tuning.process import Complexes, Process
from plylane.tuning.record import Floats

Loop = Callable[[Floats], Complexes]


@dataclass(frozen=True, slots=True)
class LoopTiming:
    """What sampling and time-proportioning add to the dead time.

    `loop_s` period of the loop; `window_s` of the output, 0 none; `duty` share of the window that
    the heater is on about the working point.
    """

    loop_s: float = 0.1
    window_s: float = 1.0
    duty: float = 0.5

    @property
    def extra_delay_s(self) -> float:
        """Half a period for the mean of the readings, half for holding the output, and the share of
        the window after which a change of its pulse's end is felt (uniformly sampled trailing-edge
        modulation delays by duty x period: D. M. Van de Sype et al., IEEE APEC 2004, *memory*).
        """
        return self.loop_s + self.duty * self.window_s


IDEAL = LoopTiming(0.0, 0.0)
"""A continuous loop, as in books."""


@dataclass(frozen=True, slots=True)
class Margins:
    """Of a loop.

    `gain_margin` (inf where the phase never reaches -180 deg), `phase_margin_deg` (inf where the
    gain never is one), `ms` the largest magnitude of 1 / (1 + loop), `stable`. Of an unstable loop
    `ms` is infinite; the margins say by how much it misses.
    """

    gain_margin: float
    phase_margin_deg: float
    ms: float
    stable: bool


def margins(loop: Loop, low_rad_s: float, high_rad_s: float) -> Margins:
    """Margins of a loop whose open part is stable but for integrators, between two frequencies.

    `loop` takes frequencies (n), rad/s, and gives the open-loop response (n).
    """
    grid = np.geomspace(low_rad_s, high_rad_s, 3000)
    value = loop(grid)
    stable = is_stable(value)
    return Margins(
        _gain_margin(loop, grid, value),
        _phase_margin_deg(loop, grid, value),
        _ms(loop, grid, value) if stable else float("inf"),
        stable,
    )


def loop_margins(process: Process, gains: Gains, timing: LoopTiming = IDEAL) -> Margins:
    """Margins of those gains on that process, sampling and window of `timing` as further delay."""
    seen = process.delayed(timing.extra_delay_s)
    low, high = frequency_range(seen, gains)
    return margins(lambda frequency: seen.at(frequency) * gains.at(frequency), low, high)


def frequency_range(process: Process, gains: Gains) -> tuple[float, float]:
    """Frequencies (rad/s) between which everything that matters to a loop happens."""
    slow_s = sum(process.lags_s) + process.dead_time_s + gains.ti_s
    filtered = gains.td_s / gains.td_filter_s if gains.td_filter_s > 0.0 else 0.0
    crossing = gains.kp * process.gain * (1.0 + filtered) / process.lags_s[0]
    fast = max(1.0 / process.lags_s[-1], crossing, 1.0 / max(process.dead_time_s, 1e-3 * slow_s))
    return 1e-3 / slow_s, 20.0 * fast


def _between(function: Callable[[float], float], grid: Floats, at: int) -> float:
    """Frequency of the zero between two neighbours of the grid."""
    return float(brentq(function, grid[at], grid[at + 1], rtol=1e-10))


def _one(loop: Loop, frequency: float) -> complex:
    return complex(loop(np.array([frequency]))[0])


def _gain_margin(loop: Loop, grid: Floats, value: Complexes) -> float:
    changes = np.flatnonzero(np.diff(np.sign(value.imag)) != 0.0)
    margin = float("inf")
    for at in changes:
        if value.real[at] >= 0.0:
            continue
        frequency = _between(lambda w: _one(loop, w).imag, grid, int(at))
        margin = min(margin, 1.0 / abs(_one(loop, frequency)))
    return margin


def _phase_margin_deg(loop: Loop, grid: Floats, value: Complexes) -> float:
    angle = np.unwrap(np.angle(value))
    margin = float("inf")
    for at in np.flatnonzero(np.diff(np.sign(np.abs(value) - 1.0)) != 0.0):
        frequency = _between(lambda w: abs(_one(loop, w)) - 1.0, grid, int(at))
        turned = np.angle(_one(loop, frequency) / value[at])
        margin = min(margin, 180.0 + float(np.degrees(angle[at] + turned)))
    return margin


def _ms(loop: Loop, grid: Floats, value: Complexes) -> float:
    at = int(np.argmin(np.abs(1.0 + value)))
    low, high = grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)]
    best = minimize_scalar(lambda w: abs(1.0 + _one(loop, w)), bounds=(low, high), method="bounded")
    return 1.0 / float(best.fun)


def is_stable(value: Complexes) -> bool:
    """Nyquist, from an open-loop response (n) at rising frequencies: 1 + loop comes to rest at one
    without having gone round zero. The open loop must be stable but for one integrator.
    """
    angle = np.unwrap(np.angle(1.0 + value))
    return bool(abs(angle[-1]) < np.pi / 2.0)
