"""The numerical optimum, against searches that know nothing of how it works."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import differential_evolution

from plylane.tuning import Gains, Process, load_preview, loop_margins
from plylane.tuning.optimum import Bounds, largest_gain, load_iae, optimum_pi, optimum_pid

PLANTS = [
    Process.of(1.2, 320.0, 4.0, dead_time_s=3.0),
    Process.of(2.0, 60.0, 25.0, 4.0, dead_time_s=8.0),
    Process.of(0.5, 30.0, dead_time_s=20.0),
]


@pytest.mark.parametrize("plant", PLANTS)
def test_no_blind_search_finds_a_better_pid(plant: Process) -> None:
    """scipy's differential evolution over gain and both times, Ms as a penalty."""
    best = optimum_pid(plant, Bounds(1.6))

    def cost(logs: np.ndarray) -> float:
        gains = Gains.filtered(*np.exp(logs))
        margins = loop_margins(plant, gains)
        if margins.ms > 1.6:
            return 1e6 * min(margins.ms, 1e3)
        return load_iae(plant, gains)

    wanted = np.log([best.kp, best.ti_s, best.td_s])
    bounds = [(value - 1.2, value + 1.2) for value in wanted]
    blind = differential_evolution(cost, bounds, seed=5, popsize=12, maxiter=20, polish=False)
    assert load_iae(plant, best) <= 1.01 * blind.fun


@given(
    lag=st.floats(30.0, 300.0),
    second=st.floats(1.0, 30.0),
    dead=st.floats(2.0, 20.0),
    ms=st.floats(1.2, 2.0),
)
@settings(max_examples=12)
def test_optimum_meets_its_limit_and_pid_beats_pi(
    lag: float, second: float, dead: float, ms: float
) -> None:
    plant = Process.of(1.0, lag, second, dead_time_s=dead)
    pid, pi = optimum_pid(plant, Bounds(ms)), optimum_pi(plant, Bounds(ms))
    for gains in (pid, pi):
        assert loop_margins(plant, gains).ms == pytest.approx(ms, rel=5e-3)
    assert load_iae(plant, pid) < load_iae(plant, pi)


def test_largest_gain_is_the_largest() -> None:
    plant = PLANTS[0]
    kp = largest_gain(plant, 60.0, 0.0, Bounds(1.6))
    assert loop_margins(plant, Gains(kp, 60.0)).ms == pytest.approx(1.6, rel=2e-3)
    assert loop_margins(plant, Gains(1.02 * kp, 60.0)).ms > 1.6


@pytest.mark.parametrize("plant", PLANTS)
def test_load_iae_agrees_with_the_loop_run_in_time(plant: Process) -> None:
    """Frequency response on one side, simple-pid step by step on the other."""
    gains = optimum_pi(plant, Bounds(1.4))
    preview = load_preview(
        plant,
        gains,
        setpoint_degC=100.0,
        start_percent=50.0,
        load_percent=-1.0,
        span_s=1500.0,
    )
    assert preview.figures.iae_degC_s == pytest.approx(load_iae(plant, gains), rel=0.02)


def test_load_iae_without_undershoot_is_ti_over_kp() -> None:
    """K. J. Astrom, T. Hagglund, Advanced PID Control (2006), ch. 4: the integral of the error is
    ti / kp exactly; it is the IAE where the PV does not cross its setpoint.
    """
    plant, gains = Process.of(1.0, 100.0, dead_time_s=5.0), Gains(4.0, 100.0)
    assert load_iae(plant, gains) == pytest.approx(gains.ti_s / gains.kp, rel=1e-3)


@given(most=st.floats(0.5, 500.0))
@settings(max_examples=12)
def test_noise_limits_the_gain(most: float) -> None:
    """Fast gain within its bound, still robust, and worth its price: looser is never worse."""
    plant = PLANTS[0]
    bounded, free = optimum_pid(plant, Bounds(1.6, most)), optimum_pid(plant, Bounds(1.6))
    assert bounded.fast_gain <= most * (1.0 + 1e-9)
    assert loop_margins(plant, bounded).ms <= 1.6 * 1.005
    assert load_iae(plant, bounded) >= 0.995 * load_iae(plant, free)
