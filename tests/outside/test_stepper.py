"""Pulses and speed profiles against the literature on steppers and line drawing.

Status of a value, as beside each: *source* = read in the document named, *recomputed* = calculated
from the formula named, *memory* = recalled.
"""

from __future__ import annotations

from itertools import pairwise
from math import sqrt

import numpy as np
import pytest

from feed_rig import PERIOD_S, Rig
from plylane_twin._core import ffi, lib

TICK_S = 1e-3

# ------------------------------------------------------------------------- trapezoid, triangle
# v^2 = 2 a d: triangle if v^2/a >= D with peak sqrt(a D) and T = 2 sqrt(D/a), else T = v/a + D/v
# (kinematics; recomputed). Steps, steps/s, steps/s2.
PROFILES = [
    # D, vmax, accel, kind, peak, accelerating s, cruising s, total s
    (1000, 400, 800, "trapezoid", 400.0, 0.5, 2.0, 3.0),
    (100, 400, 800, "triangle", 282.8427125, 0.3535533906, 0.0, 0.7071067812),
    (2000, 1000, 1000, "trapezoid", 1000.0, 1.0, 1.0, 3.0),
]
STEPS_PER_MM = 10


@pytest.mark.parametrize(
    ("steps", "vmax", "accel", "kind", "peak", "rising_s", "cruise_s", "total_s"), PROFILES
)
def test_length_follows_the_trapezoid(
    steps, vmax, accel, kind, peak, rising_s, cruise_s, total_s
) -> None:
    """Tolerances: the speed changes in steps of a tick, so the peak is met to one change of speed,
    each of the three times to two ticks, and the whole to three."""
    rig = Rig(accel // STEPS_PER_MM, pulses_per_m=[1000 * STEPS_PER_MM] * 3)
    rig.length(steps * 1000 // STEPS_PER_MM, vmax * 1000 // STEPS_PER_MM)
    rig.start()
    speed = rig.run(10_000, until=lambda: rig.feed.length_done).speed * (STEPS_PER_MM / 1000)
    rig.run(5)

    assert rig.pulses() == steps
    assert speed.max() == pytest.approx(peak, abs=accel * TICK_S)
    assert len(speed) * TICK_S == pytest.approx(total_s, abs=3 * TICK_S)
    change = np.diff(speed, prepend=0.0, append=0.0)
    assert np.count_nonzero(change > 0) * TICK_S == pytest.approx(rising_s, abs=2 * TICK_S)
    cruising = np.count_nonzero(speed == speed.max())
    if kind == "trapezoid":
        assert cruising * TICK_S == pytest.approx(cruise_s, abs=2 * TICK_S)
    else:
        assert cruising <= 2


# ---------------------------------------------------------------------------------- ramp from rest
# D. Austin, Generate stepper-motor speed profiles in real time, Embedded Systems Programming
# (Jan 2005): c0 = f sqrt(2 alpha/accel), exact c_n = c0 (sqrt(n+1) - sqrt(n)), recurrence
# c_n = c_(n-1) - 2 c_(n-1)/(4n+1) from 0.676 c0 (memory). f = 1 MHz, 1000 steps/s2, alpha = 1 step.
F_HZ, ACCEL_STEPS_S2 = 1_000_000, 1000
C0 = 44721.35955  # recomputed
AUSTIN = {  # n: (recurrence, exact), ticks of 1 us; recomputed
    1: (18138.98343, 18524.19365),
    2: (14108.09823, 14214.11372),
    3: (11937.62158, 11983.05218),
    4: (10533.19551, 10557.2809),
    5: (9530.034031, 9544.511501),
    10: (6899.901161, 6902.613505),
    20: (4938.623405, 4939.015319),
    50: (3146.665889, 3146.622437),
    99: (2241.747821, 2241.686274),
    199: (1583.169307, 1583.12021),
}
# Delay of the hundredth step in the front page example of the stepgen crate's documentation, which
# implements the paper (source).
STEPGEN_N99 = 2242


@pytest.fixture(scope="module")
def ramp_s() -> np.ndarray:
    """When the pulses of a ramp at 1000 steps/s2 come, s; element 0 is the start."""
    rig = Rig(acceleration=20, pulses_per_m=[50_000] * 3)
    rig.set_speed(100_000)
    rig.start()
    pulses = rig.run(700).pulses[:, 0]
    periods = np.flatnonzero(np.diff(pulses, prepend=0)) + 1
    return np.concatenate(([0.0], periods * PERIOD_S))


def test_pulses_of_a_ramp_come_when_kinematics_say(ramp_s: np.ndarray) -> None:
    """Pulse n of a steady acceleration comes at sqrt(2 n / accel). Ours has the speed of a tick's
    end from its beginning: it moves like an even ramp half a tick ahead, less up to
    accel tick^2 / 8 between ticks (3 us at the first pulse); then comes the next pulse period."""
    n = np.arange(1, len(ramp_s))
    early = np.sqrt(2 * n / ACCEL_STEPS_S2) - TICK_S / 2
    late = ramp_s[1:] - early
    assert len(n) > 200
    assert late.min() >= -1e-9
    assert late.max() <= PERIOD_S + 3e-6


@pytest.mark.parametrize("n", AUSTIN)
def test_delays_of_a_ramp_are_those_of_austin(ramp_s: np.ndarray, n: int) -> None:
    """Each of the two pulses is placed to a period, so a delay is right to one period; the
    recurrence is an approximation that is 2.1 % off at n = 1 and converges."""
    recurrence, exact = AUSTIN[n]
    assert C0 * (sqrt(n + 1) - sqrt(n)) == pytest.approx(exact, abs=1e-4)
    delay = (ramp_s[n + 1] - ramp_s[n]) * F_HZ
    period = (PERIOD_S + 3e-6) * F_HZ
    assert delay == pytest.approx(exact, abs=period)
    assert delay == pytest.approx(recurrence, abs=period + abs(recurrence - exact))
    if n == 99:
        assert delay == pytest.approx(STEPGEN_N99, abs=period + 0.5)


def test_recurrence_of_the_table_is_the_one_named() -> None:
    c = 0.676 * C0
    for n in range(1, 200):
        c -= 2 * c / (4 * n + 1)
        if n in AUSTIN:
            assert c == pytest.approx(AUSTIN[n][0], abs=1e-3)


def test_ramp_over_steps_follows_v_squared(ramp_s: np.ndarray) -> None:
    """v_i = sqrt(v_(i-1)^2 + 2 a): A. Eiderman, Real time stepper motor linear ramping just by
    addition and multiplication, www.hwml.com/LeibRamp.htm (source). The mean speed between two
    pulses is that of their middle in time; one period of the delay is the tolerance."""
    v = [0.0]
    for _ in range(200):
        v.append(sqrt(v[-1] ** 2 + 2 * ACCEL_STEPS_S2))
    for n, (before, after) in enumerate(pairwise(v)):
        if n >= 1:
            delay = ramp_s[n + 1] - ramp_s[n]
            assert delay == pytest.approx(2 / (before + after), abs=PERIOD_S + 3e-6)


# ------------------------------------------------------------------------------ even distribution
# J.E. Bresenham, Algorithm for computer control of a digital plotter, IBM Systems J. 4 (1965)
# 25-30, and the digital differential analyser: an accumulator that starts at 0 errs in (-1, 0]
# against the line i n/N, one that starts at N//2 within half a pulse (recomputed).
DISTRIBUTIONS = [
    # N, n, start, pulses, greatest and least error
    (1000, 333, 0, 333, 0.0, -0.999),
    (1000, 333, 500, 333, 0.5, -0.499),
    (100, 37, 0, 37, 0.0, -0.99),
    (100, 37, 50, 37, 0.5, -0.49),
    (7, 3, 0, 3, 0.0, -0.8571428571),
    (7, 3, 3, 3, 0.4285714286, -0.4285714286),
]


def distribute(whole: int, pulses: int, start: int) -> list[int]:
    """Pulse (1) or none (0) of one drive in `whole` periods, its accumulator begun at start/whole.

    A pulse is 10^9 units, which not every N divides: start and steps are rounded up by less than a
    unit, and the steps add up to the whole number of pulses."""
    rig = Rig()
    drive, feed = rig.feed.drive[0], ffi.addressof(rig.feed)
    step, over = divmod(pulses * lib.PHASE_PER_PULSE, whole)
    drive.phase = -(-start * lib.PHASE_PER_PULSE // whole)
    pattern = []
    for period in range(whole):
        drive.step = step + (period < over)
        rig.feed.left = 16
        pattern.append(lib.feed_pulse(feed) & 1)
    return pattern


@pytest.mark.parametrize(("whole", "pulses", "start", "count", "most", "least"), DISTRIBUTIONS)
def test_pulses_are_spread_with_the_known_error(whole, pulses, start, count, most, least) -> None:
    pattern = distribute(whole, pulses, start)
    line = np.arange(1, whole + 1) * pulses / whole
    error = np.cumsum(pattern) - line
    assert sum(pattern) == count
    assert error.max() == pytest.approx(most, abs=1e-9)
    assert error.min() == pytest.approx(least, abs=1e-9)


@pytest.mark.parametrize(("start", "pattern"), [(0, "00100101"), (4, "01010010")])
def test_three_pulses_in_eight_periods_have_the_known_pattern(start: int, pattern: str) -> None:
    assert "".join(map(str, distribute(8, 3, start))) == pattern


def test_pattern_runs_backwards_as_it_ran_forwards() -> None:
    rig = Rig()
    drive, feed = rig.feed.drive[0], ffi.addressof(rig.feed)
    forward = distribute(8, 3, 0)
    drive.phase, drive.step = 0, 3 * lib.PHASE_PER_PULSE // 8
    rig.feed.left = 16
    assert [lib.feed_pulse(feed) & 1 for _ in range(8)] == forward
    drive.step = -drive.step
    assert [lib.feed_pulse(feed) & 1 for _ in range(8)] == forward[::-1]
    assert (drive.phase, drive.pulses) == (0, 0)
