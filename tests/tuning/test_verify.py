"""Measured against predicted."""

from __future__ import annotations

import json

import numpy as np
import pytest

from plylane.tuning import (
    Gains,
    Limits,
    Preview,
    Process,
    load_preview,
    setpoint_preview,
    verify_feed_step,
    verify_setpoint_step,
)

PROCESS = Process.of(1.2, 150.0, 4.0, dead_time_s=3.0)
GAINS = Gains(8.0, 100.0, 3.0, 0.8)


def step(process: Process = PROCESS, gains: Gains = GAINS) -> Preview:
    return setpoint_preview(
        process, gains, start_degC=100.0, setpoint_degC=110.0, start_percent=50.0, span_s=600.0
    )


def feed(process: Process = PROCESS, load: float = -10.0, forward: float = 9.0) -> Preview:
    return load_preview(
        process,
        GAINS,
        setpoint_degC=110.0,
        start_percent=50.0,
        load_percent=load,
        forward_percent=forward,
        span_s=400.0,
    )


def noisy(preview: Preview) -> np.ndarray:
    pv = preview.pv_degC + np.random.default_rng(1).normal(0.0, 0.05, len(preview.pv_degC))
    return np.round(pv / 0.1) * 0.1


def test_a_loop_that_does_as_predicted_passes() -> None:
    got = verify_setpoint_step(step().time_s, noisy(step()), step())
    assert got.passed and got.kind == "setpoint step" and "as predicted" in got.reasons[0]
    fed = verify_feed_step(feed().time_s, noisy(feed()), feed())
    assert fed.passed and fed.kind == "feed step"
    assert json.loads(json.dumps(got.to_json()))["passed"] is True


def test_overshoot_beyond_the_promise_fails() -> None:
    wild = step(Process.of(1.2, 150.0, 4.0, dead_time_s=14.0))
    got = verify_setpoint_step(wild.time_s, noisy(wild), step())
    assert not got.passed and any("overshoot" in reason for reason in got.reasons)


def test_a_sluggish_loop_fails() -> None:
    slow = step(Process.of(0.25, 400.0, 4.0, dead_time_s=3.0))
    got = verify_setpoint_step(slow.time_s, noisy(slow), step())
    assert not got.passed
    assert any("strayed" in reason or "settle" in reason for reason in got.reasons)


def test_a_loop_that_never_settles_fails() -> None:
    drifting = noisy(step()) + np.linspace(0.0, 1.0, len(step().time_s))
    got = verify_setpoint_step(step().time_s, drifting, step())
    assert not got.passed and any("did not settle" in reason for reason in got.reasons)


@pytest.mark.parametrize("forward", [0.0, 18.0])
def test_a_feed_step_that_leaves_the_band_fails(forward: float) -> None:
    heavy = feed(load=-20.0, forward=forward)
    got = verify_feed_step(heavy.time_s, noisy(heavy), feed(), Limits(band_degC=0.4))
    assert got.passed is (forward == 18.0)
    if not got.passed:
        assert any("left its band" in reason for reason in got.reasons)


def test_only_as_much_is_judged_as_was_predicted() -> None:
    preview = step()
    time_s = np.concatenate((preview.time_s, preview.time_s[-1] + 1.0 + np.arange(100.0)))
    later = np.concatenate((noisy(preview), np.full(100, 60.0)))
    assert verify_setpoint_step(time_s, later, preview).passed
