"""Sweep of the ratio: corners recovered from slack in whole pulses. Slip against speed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from plylane.feed.calibration import CalibrationError, find_ratio, find_slip, mean_speed

RATIOS = np.tile(np.arange(-48_000.0, 36_001.0, 6_000.0), 4)
DRAG, BUCKLE = -24_500.0, 0.0


def seen_slack(seed: int, pulse_mm: float = 0.5) -> np.ndarray:
    """Mean of five lanes that each see whole pulses of what comes back."""
    rng = np.random.default_rng(seed)
    rooms = rng.uniform(0.3, 0.8, 5)[:, None]
    beyond = np.maximum(DRAG - RATIOS, 0.0) + np.maximum(RATIOS - BUCKLE, 0.0)
    slack = rooms * np.clip((RATIOS - DRAG) / (BUCKLE - DRAG), 0.0, 1.0) + 4e-6 * beyond
    phase = rng.uniform(0.0, 1.0, slack.shape)
    return pulse_mm * np.floor(phase + slack / pulse_mm).mean(axis=0)


def test_corners_within_the_stated_uncertainty() -> None:
    """95 of 100, as often as chance allows; a sweep that tells nothing says so."""
    hits, told = np.zeros(3), 0
    for seed in range(80):
        try:
            found = find_ratio(RATIOS, seen_slack(seed))
        except CalibrationError:
            continue
        told += 1
        for k, (corner, true) in enumerate(
            [(found.drag, DRAG), (found.buckle, BUCKLE), (found.middle, 0.5 * (DRAG + BUCKLE))]
        ):
            hits[k] += abs(corner.ppm - true) <= corner.u_ppm
    assert told >= 70
    assert (hits >= binom.ppf(0.001, told, 0.95)).all()


def test_finer_wheels_tell_more() -> None:
    coarse = find_ratio(RATIOS, seen_slack(1))
    fine = find_ratio(RATIOS, seen_slack(1, pulse_mm=0.05))
    assert fine.middle.u_ppm < 0.5 * coarse.middle.u_ppm
    assert fine.press_to_infeed == pytest.approx(1.0 / (1.0 - 0.01225), rel=1e-3)


@pytest.mark.parametrize(
    ("ratios", "slacks", "expected"),
    [
        (RATIOS, np.zeros(len(RATIOS)), "no slack"),
        (RATIOS[:6], np.zeros(6), "12 stops"),
        (RATIOS, np.where(RATIOS > 33_000.0, 0.5, 0.0), "sweep"),
        (RATIOS, np.clip((RATIOS + 60_000.0) / 30_000.0, 0.0, 1.0), "begin to drag: go lower"),
    ],
)
def test_sweeps_that_tell_nothing(ratios: np.ndarray, slacks: np.ndarray, expected: str) -> None:
    with pytest.raises(CalibrationError, match=expected):
        find_ratio(ratios, slacks)


@given(st.floats(0.0, 0.05), st.floats(-0.001, 0.001))
def test_slip_that_was_put_in(slip: float, per_mm_s: float) -> None:
    speeds = np.tile([5.0, 10.0, 14.0, 20.0], 3)
    laid = 250.0 * (1.0 - slip - per_mm_s * (speeds - 14.0))
    found = find_slip(speeds, [250.0] * 12, laid, at_mm_s=14.0, mm_per_count=0.05, scale_u=0.0005)
    assert found.slip == pytest.approx(slip, abs=1e-9)
    assert found.per_mm_s == pytest.approx(per_mm_s, abs=1e-9)
    assert found.slip_u >= 1.9 * 0.0005 * (1.0 - slip)  # the scales' part stays


def test_a_feed_in_which_the_wheel_slipped_is_left_out_and_named() -> None:
    speeds = np.tile([5.0, 10.0, 14.0, 20.0], 3)
    rng = np.random.default_rng(4)
    laid = 250.0 * 0.985 + 0.02 * rng.standard_normal(12)
    laid[6] -= 1.5
    found = find_slip(speeds, [250.0] * 12, laid, at_mm_s=14.0, mm_per_count=0.05, scale_u=0.0005)
    assert found.left_out == (6,) and found.misread is None
    assert found.slip == pytest.approx(0.015, abs=2e-4)
    assert any("feed 7" in remark for remark in found.remarks)


@pytest.mark.parametrize(
    ("speeds", "laid", "expected"),
    [
        ([14.0] * 8, [246.0] * 8, "third faster"),
        ([5.0, 10.0, 15.0] * 3, [0.0] * 9, "hardly turned"),
    ],
)
def test_slip_that_cannot_be_told(speeds: list[float], laid: list[float], expected: str) -> None:
    with pytest.raises(CalibrationError, match=expected):
        find_slip(
            speeds, [250.0] * len(speeds), laid, at_mm_s=14.0, mm_per_count=0.05, scale_u=0.001
        )


@given(st.floats(1.0, 60.0), st.floats(20.0, 500.0))
def test_mean_speed_over_length(speed: float, length: float) -> None:
    """Against the profile summed up in small steps of length."""
    a = 40.0
    at = (np.arange(20_000) + 0.5) * length / 20_000
    profile = np.minimum(speed, np.sqrt(2.0 * a * np.minimum(at, length - at)))
    assert mean_speed(speed, length, a) == pytest.approx(float(profile.mean()), rel=1e-3)
