"""Clock alignment, against a head clock whose true offset and drift the test knows."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plylane.head.clock import HeadClock, Jump, WallClock

WRAP_MS = 1 << 32


def readings(
    seed: int, drift_ppm: float, seconds: float, start_ms: float = 5000.0
) -> Iterator[tuple[float, int, float, float]]:
    """50 polls a second, 1 to 4 ms each way: (true host s, head ms, sent s, received s)."""
    rng = random.Random(seed)
    for k in range(int(seconds * 50)):
        sent_s = 1000.0 + k * 0.02
        true_s = sent_s + rng.uniform(0.001, 0.004)
        received_s = true_s + rng.uniform(0.001, 0.004)
        exact_ms = start_ms + (true_s - 1000.0) * 1000.0 * (1.0 + drift_ppm * 1e-6)
        yield true_s, int(exact_ms), sent_s, received_s


@given(seed=st.integers(0, 2**32), drift_ppm=st.floats(-100.0, 100.0))
@settings(max_examples=60, deadline=None)
def test_times_are_right_to_a_millisecond_at_once_and_closer_soon(
    seed: int, drift_ppm: float
) -> None:
    """A single trip bounds the error by half the spread of its latencies and half a tick.

    1.5 ms + 0.5 ms before anything is known. After five seconds the quickest trips of five
    windows are in; 0.6 ms leaves room for a tick of 1 ms in the head's clock.
    """
    clock = HeadClock()
    for true_s, head_ms, sent_s, received_s in readings(seed, drift_ppm, 20.0):
        assert clock.observe(head_ms, sent_s, received_s) is Jump.NONE
        error_s = abs(clock.host_s(head_ms) - true_s)
        assert error_s < (0.00205 if sent_s < 1005.0 else 0.0011)
    fresh_ms = int(5000.0 + 20000.0 * (1.0 + drift_ppm * 1e-6))
    middle_s = (fresh_ms + 0.5 - 5000.0) / 1000.0 / (1.0 + drift_ppm * 1e-6)
    assert abs(clock.host_s(fresh_ms) - 1000.0 - middle_s) < 0.0006


@given(seed=st.integers(0, 2**32), drift_ppm=st.floats(-100.0, 100.0))
@settings(max_examples=20, deadline=None)
def test_the_drift_is_found(seed: int, drift_ppm: float) -> None:
    clock = HeadClock()
    for _, head_ms, sent_s, received_s in readings(seed, drift_ppm, 60.0):
        clock.observe(head_ms, sent_s, received_s)
    slower_ppm = (1.0 / (1.0 + drift_ppm * 1e-6) - 1.0) * 1e6
    assert clock.drift_ppm == pytest.approx(slower_ppm, abs=15.0)  # 1 to 4 ms of latency, a minute


@given(seed=st.integers(0, 2**32), before_ms=st.integers(0, 9000))
@settings(max_examples=20, deadline=None)
def test_the_wrap_after_49_days_goes_unnoticed(seed: int, before_ms: int) -> None:
    clock = HeadClock()
    last_s = -1.0
    for true_s, ms, sent_s, received_s in readings(seed, 0.0, 10.0, WRAP_MS - before_ms):
        assert clock.observe(ms % WRAP_MS, sent_s, received_s) is Jump.NONE
        now_s = clock.host_s(ms % WRAP_MS)
        assert abs(now_s - true_s) < 0.0021
        assert now_s > last_s
        last_s = now_s
    assert clock.resets == 0


@given(
    lived_ms=st.integers(0, WRAP_MS - 1),
    away_s=st.floats(0.02, 600.0),
    share=st.floats(0.0, 1.0),
)
def test_a_reset_is_told_from_every_other_jump(lived_ms: int, away_s: float, share: float) -> None:
    """After `away_s` the head shows the age of its new life; at most `away_s`.

    A clock that goes back was reset. Where the new life happens to be about as old as the old one
    would be by now, nobody could tell.
    """
    clock = HeadClock()
    clock.observe(lived_ms, 100.0, 100.004)
    new_ms = int(share * away_s * 1000.0)
    jump = clock.observe(new_ms, 100.0 + away_s, 100.004 + away_s)
    went_ms = (new_ms - lived_ms) % WRAP_MS
    late_ms = away_s * 1000.0 - went_ms
    if went_ms > WRAP_MS / 2 or late_ms > 300.0 + away_s:
        assert jump is Jump.RESET
        assert abs(clock.host_s(new_ms) - 100.0 - away_s) < 0.0045
    elif abs(late_ms) < 200.0:
        assert jump is Jump.NONE


def test_a_computer_that_slept_is_no_reset() -> None:
    clock = HeadClock()
    clock.observe(10_000, 100.0, 100.004)
    assert clock.observe(3_610_000, 100.02, 100.024) is Jump.LEAP
    assert clock.resets == 0
    assert clock.host_s(3_610_000) == pytest.approx(100.0225, abs=1e-3)


def test_no_time_before_the_first_reading() -> None:
    with pytest.raises(ValueError, match="not been read"):
        HeadClock().host_s(5)


def test_the_wall_clock_goes_on() -> None:
    clock = WallClock()
    before_s = clock.now()
    clock.sleep(0.001)
    clock.sleep(-1.0)
    assert clock.now() - before_s >= 0.001
