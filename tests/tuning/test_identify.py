"""Identification: exact on exact records, deaf to what must not matter, honest about errors."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.tuning_study import Manual, Plant, simulate
from plylane.tuning import (
    Instrument,
    LoopTiming,
    Model,
    Process,
    Record,
    identify,
    load_preview,
    setpoint_preview,
    tune,
)
from plylane.tuning.response import Steps, response

STEPS_S = np.array([30.0, 90.0, 160.0, 190.0, 310.0])
LEVELS = np.array([0.0, 60.0, 20.0, 80.0, 10.0, 45.0])


def made(
    process: Process, *, sensor_s: float = 0.0, seed: int = 1, noise: float = 0.0, count: int = 800
) -> Record:
    """Steps of the output at times between the rows, rows uneven, offset 22 degC."""
    rng = np.random.default_rng(seed)
    time_s = np.sort(np.concatenate((rng.uniform(0.0, 450.0, count), STEPS_S)))
    level = LEVELS[np.searchsorted(STEPS_S, time_s, side="right")]
    lags = [*process.lags_s, sensor_s]
    unit = response(Steps.of(time_s, level), lags, process.dead_time_s, time_s)
    pv = 22.0 + process.gain * unit
    return Record.of(time_s, level, pv + rng.normal(0.0, noise, len(pv)) if noise else pv)


@given(
    gain=st.floats(0.3, 2.0),
    lag=st.floats(20.0, 120.0),
    dead=st.floats(0.5, 25.0),
    ratio=st.one_of(st.just(0.0), st.floats(0.1, 0.6)),
    sensor=st.sampled_from([0.0, 4.0]),
)
@settings(max_examples=15)
def test_exact_records_give_exact_parameters(
    gain: float, lag: float, dead: float, ratio: float, sensor: float
) -> None:
    """Uneven rows, dead time no multiple of anything, second lag or not, sensor lag or not."""
    process = Process.of(gain, lag, ratio * lag, dead_time_s=dead)
    found = identify(made(process, sensor_s=sensor), Instrument(sensor_lag_s=sensor))
    model = found.model
    assert model.gain_degC_per_percent == pytest.approx(gain, rel=1e-4)
    assert model.time_constant_s == pytest.approx(lag, rel=1e-3)
    assert model.dead_time_s == pytest.approx(dead, abs=1e-2)
    assert model.second_time_constant_s == pytest.approx(ratio * lag, abs=2e-2)
    assert model.kind == ("sopdt" if ratio else "fopdt")
    assert model.offset_degC == pytest.approx(22.0, abs=1e-2)
    assert found.rms_degC < 1e-3


BASE = Process.of(0.9, 80.0, 12.0, dead_time_s=6.3)


def fitted(record: Record) -> Model:
    return identify(record, Instrument(sensor_lag_s=4.0)).model


def test_what_must_not_matter_does_not() -> None:
    record = made(BASE, sensor_s=4.0, noise=0.05)
    model = fitted(record)
    later = fitted(Record.of(record.time_s + 1.7e6, record.op_percent, record.pv_degC))
    warmer = fitted(Record.of(record.time_s, record.op_percent, record.pv_degC + 30.0))
    halved = fitted(Record.of(record.time_s, record.op_percent / 2.0, record.pv_degC))
    slower = identify(
        Record.of(3.0 * record.time_s, record.op_percent, record.pv_degC), Instrument(12.0)
    ).model
    for other in (later, warmer, halved):
        assert other.time_constant_s == pytest.approx(model.time_constant_s, rel=1e-3)
        assert other.dead_time_s == pytest.approx(model.dead_time_s, rel=1e-2)
    assert warmer.offset_degC == pytest.approx(model.offset_degC + 30.0, abs=1e-3)
    assert halved.gain_degC_per_percent == pytest.approx(2.0 * model.gain_degC_per_percent)
    assert slower.time_constant_s == pytest.approx(3.0 * model.time_constant_s, rel=1e-3)


def test_model_order_can_be_forced() -> None:
    record = made(BASE, noise=0.05)
    first, second = identify(record, order="first"), identify(record, order="second")
    assert (first.model.kind, second.model.kind) == ("fopdt", "sopdt")
    assert first.rms_degC > 3.0 * second.rms_degC
    # a second lag left out shows in residuals that hang together
    assert first.correlation_s > 5.0 * second.correlation_s


def test_sensor_lag_left_out_turns_into_lags_and_dead_time() -> None:
    process = Process.of(0.9, 80.0, dead_time_s=6.3)
    model = identify(made(process, sensor_s=4.0)).model
    assert model.kind == "sopdt"
    assert model.second_time_constant_s == pytest.approx(4.0, rel=0.01)
    assert sum(model.process.lags_s) + model.dead_time_s == pytest.approx(90.3, rel=1e-3)


def test_record_need_not_begin_at_rest() -> None:
    record = made(Process.of(1.1, 70.0, 9.0, dead_time_s=5.0), noise=0.02)
    cut = record.part(100.0, 450.0)
    found = identify(cut)
    assert not found.at_rest
    model = found.model
    assert model.gain_degC_per_percent == pytest.approx(1.1, rel=0.01)
    assert model.time_constant_s == pytest.approx(70.0, rel=0.01)
    assert model.dead_time_s == pytest.approx(5.0, abs=0.1)
    assert model.offset_degC == pytest.approx(22.0, abs=0.3)
    assert identify(record).at_rest


def test_drift_of_the_surroundings() -> None:
    record = made(BASE, sensor_s=4.0, noise=0.03)
    drifting = Record.of(record.time_s, record.op_percent, record.pv_degC + 0.01 * record.time_s)
    model = identify(drifting, Instrument(4.0), drift=True).model
    assert model.drift_degC_per_s == pytest.approx(0.01, rel=0.05)
    assert model.gain_degC_per_percent == pytest.approx(0.9, rel=5e-3)


@pytest.mark.parametrize("phase", [0.0, 0.7, 1.9])
def test_window_of_known_start_leaves_no_trace(phase: float) -> None:
    """Heater pulses by the matrix exponential; window 1 s, rows read later than it began."""
    plant = Plant(0.9, 60.0, 8.0, 5.43, 0.0)
    ops, pvs = simulate(plant, Manual((0.0, 10.0), (30.4, 55.0), (120.7, 15.0), (200.1, 70.0)), 400)
    skip = round(10 * phase)
    time_s = np.arange(len(ops))[skip:] * 0.1 - 0.1 * skip
    record = Record.of(time_s, ops[skip:], pvs[skip:])
    model = identify(record, Instrument(4.0, 1.0, window_start_s=3.0 - phase)).model
    assert model.dead_time_s == pytest.approx(5.43, abs=0.02)
    assert model.time_constant_s == pytest.approx(60.0, rel=2e-3)
    assert model.second_time_constant_s == pytest.approx(8.0, rel=1e-2)


def test_window_of_unknown_start_is_in_the_standard_error() -> None:
    """Changes anywhere in a window of 2 s: mean delay taken off, its scatter in the error."""
    rng = np.random.default_rng(5)
    scores = []
    for _ in range(40):
        change_s = 30.0 + rng.uniform(0.0, 2.0)
        taken_s = np.ceil(change_s / 2.0) * 2.0
        time_s = np.arange(0.0, 300.0, 0.5)
        steps = Steps(0.0, np.array([taken_s]), np.array([40.0]))
        pv = 22.0 + response(steps, [50.0], 6.0, time_s) + rng.normal(0.0, 0.02, len(time_s))
        # the command as it stood, logged at an exact moment
        rows = np.sort(np.append(time_s, change_s))
        pv = np.interp(rows, time_s, pv)
        op = np.where(rows >= change_s, 40.0, 0.0)
        found = identify(Record.of(rows, op, pv), Instrument(window_s=2.0), order="first")
        model = found.model
        scores.append((model.dead_time_s - 6.0) / model.dead_time_se)
        assert model.dead_time_se > 0.5
    assert np.mean(np.abs(scores) <= 2.0) >= 0.9
    assert abs(np.mean(scores)) < 0.5


def test_closed_loop_records_are_not_biased() -> None:
    """The output answers to noisy PVs here: an equation-error fit would be off, this is not."""
    rng = np.random.default_rng(8)
    lag, dead, gain = 60.0, 50, 1.0
    pv, line, rows, integral = 22.0, [0.0] * dead, [], 0.0
    for number in range(6000):
        read = pv + rng.normal(0.0, 0.2)
        setpoint = 22.0 + 30.0 * (number > 300) - 15.0 * (number > 3500)
        integral += 0.05 * (setpoint - read) * 0.1
        op = float(np.clip(2.0 * (setpoint - read) + integral, 0.0, 100.0))
        rows.append((0.1 * number, op, read))
        line.append(op)
        pv += (22.0 + gain * line.pop(0) - pv) * (1.0 - np.exp(-0.1 / lag))
    model = identify(Record.of(*np.array(rows).T), order="first").model
    assert model.gain_degC_per_percent == pytest.approx(gain, rel=0.02)
    assert model.time_constant_s == pytest.approx(lag, rel=0.02)
    assert model.dead_time_s == pytest.approx(5.0, abs=0.15)


def test_long_records_are_averaged_not_refused() -> None:
    record = made(BASE, sensor_s=4.0, noise=0.05, count=30000)
    found = identify(record, Instrument(4.0))
    assert len(found.time_s) <= 2600
    assert found.model.dead_time_s == pytest.approx(6.3, abs=0.15)


def test_standard_errors_shrink_with_the_noise() -> None:
    quiet = identify(made(BASE, noise=0.02), order="second").model
    loud = identify(made(BASE, noise=0.2), order="second").model
    assert loud.gain_se == pytest.approx(10.0 * quiet.gain_se, rel=0.5)
    assert loud.dead_time_se > 4.0 * quiet.dead_time_se


def test_standard_errors_know_correlated_noise() -> None:
    """Noise of the same size that wanders (8 s) makes the gain less certain than white noise."""
    rng = np.random.default_rng(2)
    base = made(BASE)
    white = rng.normal(0.0, 0.1, len(base.time_s))
    slow = np.convolve(rng.normal(0.0, 0.1, len(white) + 15), np.ones(16) / 4.0, "valid")
    one, other = (
        identify(Record.of(base.time_s, base.op_percent, base.pv_degC + noise), order="second")
        for noise in (white, slow)
    )
    assert other.model.gain_se > 2.0 * one.model.gain_se
    assert other.correlation_s > 4.0 * one.correlation_s


def test_residuals_are_what_the_fit_leaves() -> None:
    found = identify(made(BASE, noise=0.1))
    record = made(BASE, noise=0.1)
    assert found.fitted_degC + found.residual_degC == pytest.approx(record.pv_degC)
    assert found.rms_degC == pytest.approx(0.1, rel=0.1)
    assert 0.98 < found.explained < 1.0


def test_json_form() -> None:
    found = identify(made(BASE, sensor_s=4.0, noise=0.05), Instrument(4.0))
    form = json.loads(json.dumps(tune(found).to_json()))
    model = form["model"]
    assert model["kind"] == "sopdt"
    for name in ("gain_degC_per_percent", "time_constant_s", "dead_time_s"):
        assert model[name] > 0.0 and model["standard_errors"][name] > 0.0
    assert model["second_time_constant_s"] == pytest.approx(12.0, rel=0.05)
    for rule in form["rules"].values():
        assert {"kp", "ti_s", "td_s", "ms", "gain_margin", "phase_margin_deg"} <= set(rule)
        assert rule["kp"] > 0.0 and rule["ti_s"] > 0.0


def test_rules_see_sampling_and_window_as_delay() -> None:
    model = identify(made(BASE, sensor_s=4.0, noise=0.05), Instrument(4.0)).model
    quick, slow = tune(model, LoopTiming(0.1, 0.0)), tune(model, LoopTiming(0.1, 4.0))
    assert slow.seen.dead_time_s == pytest.approx(quick.seen.dead_time_s + 2.0)
    for name, rule in slow.rules.items():
        assert rule.gains.kp < quick.rules[name].gains.kp
    assert quick.rules["optimum"].margins.ms == pytest.approx(1.6, rel=0.01)


def test_the_knob_goes_from_brisk_to_calm() -> None:
    model = identify(made(BASE, sensor_s=4.0, noise=0.05), Instrument(4.0)).model
    results = [tune(model, knob=knob).rules["simc"] for knob in (1.0, 1.5, 3.0)]
    assert [rule.gains.kp for rule in results] == sorted(
        (r.gains.kp for r in results), reverse=True
    )
    assert [rule.margins.ms for rule in results] == sorted(
        (r.margins.ms for r in results), reverse=True
    )
    load = [
        load_preview(
            model.process, rule.gains, setpoint_degC=60.0, start_percent=40.0, load_percent=-10.0
        )
        for rule in results
    ]
    strayed = [preview.figures.iae_degC_s for preview in load]
    assert strayed == sorted(strayed)
    step = setpoint_preview(
        model.process, results[-1].gains, start_degC=60.0, setpoint_degC=65.0, start_percent=40.0
    )
    assert step.figures.settling_s is not None
