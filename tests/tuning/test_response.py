"""The simulated response against scipy's own simulation and the frequency response."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lsim

from plylane.tuning import Process
from plylane.tuning.response import Steps, apart, response, shares


@given(
    lags=st.lists(st.floats(1.0, 200.0), min_size=1, max_size=3),
    dead=st.integers(0, 200),
    seed=st.integers(0, 1000),
)
@settings(max_examples=20)
def test_response_is_that_of_scipys_lsim(lags: list[float], dead: int, seed: int) -> None:
    """scipy.signal.lsim, exact for an input held between samples; dead time whole samples there."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(1500) * 0.25
    op = np.repeat(rng.uniform(0.0, 100.0, 15), 100)
    denominator = np.array([1.0])
    for lag in lags:
        denominator = np.polymul(denominator, [lag, 1.0])
    delayed = np.concatenate((np.full(dead, op[0]), op[: len(op) - dead]))
    wanted = lsim(([1.0], denominator), delayed - op[0], time_s, interp=False)[1]
    got = response(Steps.of(time_s, op), lags, dead * 0.25, time_s)
    assert got == pytest.approx(wanted, abs=1e-5)  # of up to 100


@given(dead=st.floats(0.0, 30.0), shift=st.floats(0.0, 10.0))
def test_dead_time_only_shifts(dead: float, shift: float) -> None:
    steps = Steps(0.0, np.array([3.0, 17.5, 40.1]), np.array([30.0, -12.0, 5.0]))
    time_s = np.sort(np.random.default_rng(1).uniform(0.0, 200.0, 300))
    later = response(steps, [20.0, 7.0], dead + shift, time_s + shift)
    assert later == pytest.approx(response(steps, [20.0, 7.0], dead, time_s), abs=1e-9)


@given(first=st.floats(1.0, 300.0), ratio=st.floats(0.01, 1.0))
def test_lags_may_be_equal_and_may_be_swapped(first: float, ratio: float) -> None:
    steps, time_s = Steps(0.0, np.array([0.0]), np.array([1.0])), np.linspace(0.0, 900.0, 200)
    one = response(steps, [first, first * ratio, 4.0], 0.0, time_s)
    assert one == pytest.approx(response(steps, [4.0, first * ratio, first], 0.0, time_s), abs=1e-7)
    assert (np.diff(one) > -1e-7).all() and one[-1] <= 1.0 + 1e-7


def test_equal_lags_have_their_textbook_response() -> None:
    """1 - (1 + t/T) exp(-t/T), any textbook."""
    steps, time_s = Steps(0.0, np.array([0.0]), np.array([1.0])), np.linspace(0.0, 100.0, 50)
    wanted = 1.0 - (1.0 + time_s / 10.0) * np.exp(-time_s / 10.0)
    assert response(steps, [10.0, 10.0], 0.0, time_s) == pytest.approx(wanted, abs=1e-6)


def test_short_lags_over_long_records_do_not_overflow() -> None:
    time_s = np.arange(0.0, 20000.0, 10.0)
    op = np.where(np.arange(len(time_s)) % 2, 100.0, 0.0)
    got = response(Steps.of(time_s, op), [0.05], 0.0, time_s + 5.0)
    assert got == pytest.approx(op, abs=1e-9)


def test_shares_sum_to_one() -> None:
    assert sum(shares(apart([300.0, 4.0, 4.0, 0.0]))) == pytest.approx(1.0, rel=1e-6)


def test_frequency_response_has_the_exact_delay() -> None:
    process = Process.of(2.0, 10.0, dead_time_s=3.0)
    value = complex(process.at(0.1))
    assert abs(value) == pytest.approx(2.0 / np.sqrt(2.0))
    assert np.angle(value) == pytest.approx(-np.pi / 4.0 - 0.3)


@pytest.mark.parametrize("bad", [(0.0, (1.0,), 0.0), (1.0, (), 0.0), (1.0, (1.0,), -1.0)])
def test_impossible_processes_are_refused(bad: tuple) -> None:
    with pytest.raises(ValueError, match=r"gain and lags|dead time"):
        Process(*bad)
