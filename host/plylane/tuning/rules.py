"""Tuning rules: from a process to gains.

Every rule takes the process as the loop sees it: add the delay of sampling and window first
(`Process.delayed`). Rules for one lag reduce the process by the half rule themselves.
"""

from __future__ import annotations

from math import atan, pi

from scipy.optimize import brentq

from plylane.tuning.gains import FILTER_SHARE, Gains
from plylane.tuning.process import Process

BRISK, EVEN, CALM = 1.0, 1.5, 3.0
"""SIMC's knob: closed-loop time constant in units of the effective dead time."""

DEAD_LEAST = 0.01
"""Least dead time that rules reckon with, as a share of the lag: none at all would ask for infinite
gain."""


def _one_lag(process: Process) -> tuple[float, float, float]:
    """Gain, lag and effective dead time."""
    simple = process.first_order()
    lag = simple.lags_s[0]
    return simple.gain, lag, max(simple.dead_time_s, DEAD_LEAST * lag)


# SIMC: S. Skogestad, J. Process Control 13 (2003) 291-309.


def simc_pi(process: Process, knob: float = EVEN) -> Gains:
    """SIMC PI; `knob` from BRISK to CALM."""
    gain, lag, dead = _one_lag(process)
    closed = knob * dead + dead
    return Gains(lag / (gain * closed), min(lag, 4.0 * closed))


def simc_pid(process: Process, knob: float = EVEN) -> Gains:
    """SIMC PID for two lags, series form turned into the head's; PI where there is one lag only.

    The rule knows no filter on the derivative; one of an eighth of the dead time hardly shows.
    """
    simple = process.second_order()
    if len(simple.lags_s) == 1:
        return simc_pi(process, knob)
    lag, second = simple.lags_s
    dead = max(simple.dead_time_s, DEAD_LEAST * lag)
    closed = (1.0 + knob) * dead
    filter_s = min(second, dead) / FILTER_SHARE
    return Gains.of_series(lag / (simple.gain * closed), min(lag, 4.0 * closed), second, filter_s)


# AMIGO: K. J. Astrom, T. Hagglund, J. Process Control 14 (2004) 635-650.


def amigo_pi(process: Process) -> Gains:
    """AMIGO PI."""
    gain, T, L = _one_lag(process)
    kp = 0.15 / gain + (0.35 - L * T / (L + T) ** 2) * T / (gain * L)
    return Gains(kp, 0.35 * L + 13.0 * L * T**2 / (T**2 + 12.0 * L * T + 7.0 * L**2))


def amigo_pid(process: Process) -> Gains:
    """AMIGO PID."""
    gain, T, L = _one_lag(process)
    kp = (0.2 + 0.45 * T / L) / gain
    ti_s = (0.4 * L + 0.8 * T) / (L + 0.1 * T) * L
    return Gains.filtered(kp, ti_s, 0.5 * L * T / (0.3 * L + T))


# J. G. Ziegler, N. B. Nichols, Trans. ASME 64 (1942) 759-768.


def ziegler_nichols_step_pi(process: Process) -> Gains:
    """Ziegler-Nichols PI from the step response."""
    gain, T, L = _one_lag(process)
    return Gains(0.9 * T / (gain * L), L / 0.3)


def ziegler_nichols_step_pid(process: Process) -> Gains:
    """Ziegler-Nichols PID from the step response."""
    gain, T, L = _one_lag(process)
    return Gains.filtered(1.2 * T / (gain * L), 2.0 * L, 0.5 * L)


def ultimate(process: Process) -> tuple[float, float]:
    """Ultimate gain (%/degC) and period (s): where the phase is -180 degrees under gain alone.

    Infinite gain does not occur: the least dead time of the rules is put in where there is none.
    """
    dead = max(process.dead_time_s, DEAD_LEAST * process.lags_s[-1])

    def beyond(w: float) -> float:
        return w * dead + sum(atan(w * lag) for lag in process.lags_s) - pi

    frequency = float(brentq(beyond, 0.0, pi / dead))
    return 1.0 / abs(complex(process.at(frequency))), 2.0 * pi / frequency


def ziegler_nichols_pi_at(ku: float, tu_s: float) -> Gains:
    """Ziegler-Nichols PI from ultimate gain and period, as a relay gives them."""
    return Gains(0.45 * ku, tu_s / 1.2)


def ziegler_nichols_pid_at(ku: float, tu_s: float) -> Gains:
    """Ziegler-Nichols PID from ultimate gain and period."""
    return Gains.filtered(0.6 * ku, tu_s / 2.0, tu_s / 8.0)


def ziegler_nichols_pi(process: Process) -> Gains:
    """Ziegler-Nichols PI from the process's ultimate point."""
    return ziegler_nichols_pi_at(*ultimate(process))


def ziegler_nichols_pid(process: Process) -> Gains:
    """Ziegler-Nichols PID from the process's ultimate point."""
    return ziegler_nichols_pid_at(*ultimate(process))


# B. D. Tyreus, W. L. Luyben, Ind. Eng. Chem. Res. 31 (1992) 2625-2628; the PID row: W. L. Luyben,
# M. L. Luyben, Essentials of Process Control (1997).


def tyreus_luyben_pi_at(ku: float, tu_s: float) -> Gains:
    """Tyreus-Luyben PI from ultimate gain and period."""
    return Gains(ku / 3.2, 2.2 * tu_s)


def tyreus_luyben_pid_at(ku: float, tu_s: float) -> Gains:
    """Tyreus-Luyben PID from ultimate gain and period."""
    return Gains.filtered(ku / 2.2, 2.2 * tu_s, tu_s / 6.3)


def tyreus_luyben_pi(process: Process) -> Gains:
    """Tyreus-Luyben PI from the process's ultimate point."""
    return tyreus_luyben_pi_at(*ultimate(process))


def tyreus_luyben_pid(process: Process) -> Gains:
    """Tyreus-Luyben PID from the process's ultimate point."""
    return tyreus_luyben_pid_at(*ultimate(process))
