"""The loop against simple-pid 2.0.1, an independent implementation, and its own promises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from simple_pid import PID

from plylane_twin._core import ffi, lib

DT_S = 0.1


@dataclass(frozen=True)
class Gains:
    kp: float
    ki: float
    kd: float
    op_min: float
    op_max: float
    filter_s: float = 0.0

    def c(self) -> Any:
        fields = (self.kp, self.ki, self.kd, self.filter_s, self.op_min, self.op_max)
        return ffi.new("struct pid_gains *", fields)


def fresh() -> Any:
    pid = ffi.new("struct pid *")
    lib.pid_reset(pid)
    return pid


def f32(value: float) -> float:
    """The nearest float: both sides are given the same numbers."""
    return float(np.float32(value))


temperatures = st.floats(0, 250).map(f32)
percents = st.floats(0, 100).map(f32)


@st.composite
def gains(draw: st.DrawFn, filters: st.SearchStrategy[float] | None = None) -> Gains:
    kp, ki, kd = (f32(draw(st.floats(0, top))) for top in (50, 5, 500))
    low, high = sorted((draw(percents), draw(percents)))
    return Gains(kp, ki, kd, low, high, draw(filters) if filters is not None else 0.0)


def rounding_percent(g: Gains, pairs: Sequence[tuple[float, float]]) -> float:
    """What float may differ from double: each term rounds a few times to 2^-24 of its size, and
    the integral (at most 100 % and one increment) once more a step."""
    worst_K = max(abs(sp - pv) for sp, pv in pairs)
    slopes_K_s = [abs(b[1] - a[1]) / DT_S for a, b in pairwise(pairs)]
    terms = g.kp * worst_K + g.kd * max(slopes_K_s, default=0.0)
    integral = 100 + g.ki * worst_K * DT_S
    return 2.0**-24 * (8 * (terms + integral) + 2 * len(pairs) * integral) + 1e-6


sequences = st.lists(st.tuples(temperatures, temperatures), min_size=1, max_size=60)


@given(gains(), sequences)
def test_agrees_with_simple_pid(g: Gains, pairs: list[tuple[float, float]]) -> None:
    reference = PID(g.kp, g.ki, g.kd, sample_time=None, output_limits=(g.op_min, g.op_max))
    pid, c_gains = fresh(), g.c()
    allowed = rounding_percent(g, pairs)
    for sp, pv in pairs:
        reference.setpoint = sp
        want = reference(pv, dt=f32(DT_S))
        assert lib.pid_step(pid, c_gains, sp, pv, 0.0, DT_S) == pytest.approx(want, abs=allowed)
    assert pid.integral == pytest.approx(reference.components[1], abs=allowed)


@given(gains(), gains(), sequences, sequences)
def test_agrees_with_simple_pid_when_gains_change(
    g: Gains,
    other: Gains,
    before: list[tuple[float, float]],
    after: list[tuple[float, float]],
) -> None:
    later = Gains(other.kp, other.ki, other.kd, g.op_min, g.op_max)
    reference = PID(g.kp, g.ki, g.kd, sample_time=None, output_limits=(g.op_min, g.op_max))
    pid = fresh()
    pairs = before + after
    allowed = rounding_percent(g, pairs) + rounding_percent(later, pairs)
    for now, some in ((g, before), (later, after)):
        reference.tunings = (now.kp, now.ki, now.kd)
        for sp, pv in some:
            reference.setpoint = sp
            want = reference(pv, dt=f32(DT_S))
            got = lib.pid_step(pid, now.c(), sp, pv, 0.0, DT_S)
            assert got == pytest.approx(want, abs=allowed)


forwards = st.floats(0, 60).map(f32)


@given(gains(st.floats(0, 30).map(f32)), st.lists(st.tuples(temperatures, temperatures, forwards)))
def test_output_and_integral_stay_within_the_limits(
    g: Gains, steps: list[tuple[float, float, float]]
) -> None:
    pid, c_gains = fresh(), g.c()
    lowest = 0.0
    for sp, pv, forward in steps:
        op = lib.pid_step(pid, c_gains, sp, pv, forward, DT_S)
        assert f32(g.op_min) <= op <= f32(g.op_max)
        lowest = min(lowest, g.op_min - forward)
        assert lowest - 1e-4 <= pid.integral <= g.op_max - forward + 1e-4


@given(gains(), temperatures, temperatures, forwards, percents, sequences)
def test_take_over_makes_the_next_output_equal(
    g: Gains,
    sp: float,
    pv: float,
    forward: float,
    op: float,
    before: list[tuple[float, float]],
) -> None:
    assume(pv <= sp)
    pid, c_gains = fresh(), g.c()
    for old_sp, old_pv in before:
        lib.pid_step(pid, c_gains, old_sp, old_pv, 0.0, DT_S)
    lib.pid_take_over(pid, c_gains, sp, pv, forward, DT_S, op)
    got = lib.pid_step(pid, c_gains, sp, pv, forward, DT_S)
    limited = min(max(op, g.op_min), g.op_max)
    # the integral takes up terms of the size of kp times the error and gives them back
    size = 200 + (g.kp + g.ki) * (sp - pv)
    assert got == pytest.approx(limited, abs=8 * size * 2.0**-24)


@given(gains(), temperatures, temperatures, percents)
def test_take_over_never_heats_on_above_the_setpoint(
    g: Gains, sp: float, pv: float, op: float
) -> None:
    assume(pv > sp)
    pid, c_gains = fresh(), g.c()
    lib.pid_take_over(pid, c_gains, sp, pv, 0.0, DT_S, op)
    got = lib.pid_step(pid, c_gains, sp, pv, 0.0, DT_S)
    size = 200 + (g.kp + g.ki) * (pv - sp)
    highest = max(g.op_min, g.op_max - g.kp * (pv - sp))
    assert got <= min(max(op, g.op_min), highest) + 8 * size * 2.0**-24


def test_take_over_far_below_the_setpoint_winds_up_to_the_range_and_not_beyond() -> None:
    g = Gains(kp=6.0, ki=0.05, kd=0.0, op_min=0.0, op_max=100.0)
    pid, c_gains = fresh(), g.c()
    lib.pid_take_over(pid, c_gains, 110.0, 60.0, 0.0, DT_S, 30.0)
    ops = [lib.pid_step(pid, c_gains, 110.0, 60.0, 0.0, DT_S) for _ in range(3000)]
    assert ops[0] == pytest.approx(30.0, abs=1e-3)
    assert all(b >= a for a, b in pairwise(ops))
    assert ops[-1] == 100.0
    assert pid.integral == 100.0


@given(st.floats(0, 60).map(f32))
def test_forward_comes_on_top_at_once(forward: float) -> None:
    g = Gains(kp=2.0, ki=0.1, kd=0.0, op_min=0.0, op_max=100.0)
    pid, other, c_gains = fresh(), fresh(), g.c()
    plain = lib.pid_step(pid, c_gains, 100.0, 95.0, 0.0, DT_S)
    assert plain == pytest.approx(10.05, abs=1e-5)
    assert lib.pid_step(other, c_gains, 100.0, 95.0, forward, DT_S) == pytest.approx(
        plain + forward, abs=1e-4
    )


def test_a_forward_too_strong_is_taken_back_by_the_integral() -> None:
    g = Gains(kp=2.0, ki=0.1, kd=0.0, op_min=0.0, op_max=100.0)
    pid, c_gains = fresh(), g.c()
    for _ in range(5000):
        op = lib.pid_step(pid, c_gains, 100.0, 101.0, 40.0, DT_S)
    assert op == 0.0
    assert pid.integral == pytest.approx(-40.0, abs=1e-4)


def test_no_windup_with_forward() -> None:
    g = Gains(kp=2.0, ki=0.1, kd=0.0, op_min=0.0, op_max=100.0)
    pid, c_gains = fresh(), g.c()
    for _ in range(3000):
        assert lib.pid_step(pid, c_gains, 100.0, 20.0, 40.0, DT_S) == 100.0
    # one step above the setpoint and the output leaves its limit
    assert lib.pid_step(pid, c_gains, 100.0, 101.0, 40.0, DT_S) < 99.0


@pytest.mark.parametrize("filter_s", [0.5, 2.0, 10.0])
def test_filtered_derivative_follows_the_first_order_lag(filter_s: float) -> None:
    g = Gains(kp=0.0, ki=0.0, kd=1.0, op_min=-100.0, op_max=100.0, filter_s=filter_s)
    pid, c_gains = fresh(), g.c()
    slope_K_s = 3.0
    for n in range(200):
        op = lib.pid_step(pid, c_gains, 0.0, slope_K_s * DT_S * n, 0.0, DT_S)
        # backward Euler of a first-order lag answering a step of the slope
        want = -slope_K_s * (1 - (filter_s / (filter_s + DT_S)) ** n)
        assert op == pytest.approx(want, abs=2e-3)
    # close to the exact lag: the step is short against the time constant
    exact = -slope_K_s * (1 - np.exp(-199 * DT_S / filter_s))
    assert op == pytest.approx(exact, abs=slope_K_s * DT_S / filter_s / 2)


def test_first_step_has_no_derivative() -> None:
    g = Gains(kp=0.0, ki=0.0, kd=100.0, op_min=-100.0, op_max=100.0)
    assert lib.pid_step(fresh(), g.c(), 0.0, 90.0, 0.0, DT_S) == 0.0
