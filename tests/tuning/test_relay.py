"""Relay: the exact solution against an event-exact simulation, and cycles measured in records."""

from __future__ import annotations

from dataclasses import astuple
from math import exp, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.tuning import Process, Record, RecordError, identify
from plylane.tuning.relay import (
    Cycle,
    describing_gain,
    measure_cycle,
    predicted_cycle,
    process_from_cycle,
    ultimate_by_describing_function,
)
from plylane.tuning.rules import ultimate


def event_exact_cycle(
    gain: float, lag: float, dead: float, high: float, low: float, eps: float
) -> Cycle:
    """Run a relay on one lag from event to event: crossings in closed form, switches felt after the
    dead time. Setpoint and the output that holds it are zero. The twentieth cycle is taken.
    """
    pv, now, felt = -eps - 1e-9, 0.0, high
    relay = high
    pending: list[tuple[float, float]] = []
    switches, extremes = [], []
    while len(switches) < 43:
        edge = eps if relay == high else -eps
        target = gain * felt
        until = pending[0][0] - now if pending else float("inf")
        ratio = (target - pv) / (target - edge) if target != edge else -1.0
        crossing = lag * log(ratio) if ratio > 1.0 else float("inf")
        if relay != felt:
            crossing = float("inf")  # still moving away
        span = min(until, crossing)
        pv = target + (pv - target) * exp(-span / lag)
        now += span
        if crossing < until:
            relay = low if relay == high else high
            pending.append((now + dead, relay))
            switches.append((now, relay))
        else:
            extremes.append(pv)
            felt = pending.pop(0)[1]
    switches = switches[-4:]
    at = next(number for number, (_, level) in enumerate(switches[:2]) if level == high)
    first, second, third = (time for time, _ in switches[at : at + 3])
    above, below = max(extremes[-2:]), min(extremes[-2:])
    return Cycle(above, below, second - first, third - second, high, low, eps)


relays = {
    "gain": st.floats(0.3, 3.0),
    "lag": st.floats(10.0, 300.0),
    "dead_share": st.floats(0.02, 1.5),
    "bias": st.floats(-0.6, 0.6),
    "eps_share": st.floats(0.0, 0.3),
}


@given(**relays)
def test_exact_cycle_is_what_the_simulation_runs_into(
    gain: float, lag: float, dead_share: float, bias: float, eps_share: float
) -> None:
    high, low = 20.0 * (1.0 + bias), -20.0 * (1.0 - bias)
    eps = eps_share * gain * min(high, -low)
    process = Process.of(gain, lag, dead_time_s=dead_share * lag)
    got = predicted_cycle(process, high, low, eps, 0.0)
    run = event_exact_cycle(gain, lag, process.dead_time_s, high, low, eps)
    # the simulation nears its cycle by a factor each time round; twenty are enough for 1e-6
    assert astuple(got) == pytest.approx(astuple(run), rel=1e-6)


@given(**relays)
def test_solution_undoes_the_cycle(
    gain: float, lag: float, dead_share: float, bias: float, eps_share: float
) -> None:
    high, low = 50.0 + 20.0 * (1.0 + bias), 50.0 - 20.0 * (1.0 - bias)
    eps = eps_share * gain * 20.0 * (1.0 - abs(bias))
    process = Process.of(gain, lag, dead_time_s=dead_share * lag)
    cycle = predicted_cycle(process, high, low, eps, 50.0)
    if abs(log(cycle.high_s / cycle.low_s)) < 0.15:
        with pytest.raises(RecordError, match="too even"):
            process_from_cycle(cycle)
        return
    found, holding = process_from_cycle(cycle)
    assert found.gain == pytest.approx(gain, rel=1e-4)
    assert found.lags_s[0] == pytest.approx(lag, rel=1e-4)
    assert found.dead_time_s == pytest.approx(process.dead_time_s, rel=1e-4)
    assert holding == pytest.approx(50.0, abs=1e-2)


def test_describing_function_is_near_the_ultimate_point() -> None:
    """About 10 % for an even relay; its error is the reason for the exact solution."""
    process = Process.of(1.0, 1.0, dead_time_s=1.0)
    ku, tu = ultimate_by_describing_function(predicted_cycle(process, 1.0, -1.0, 0.0, 0.0))
    assert (ku, tu) == pytest.approx(ultimate(process), rel=0.12)
    assert ku != pytest.approx(ultimate(process)[0], rel=0.05)
    assert describing_gain(1.0, 0.5, duty=0.3) < describing_gain(1.0, 0.5)


def test_no_single_lag_makes_some_cycles() -> None:
    # amplitudes that say the upper drive is far the stronger, times that say the lower one is
    odd = Cycle(5.0, -0.6, 30.0, 5.0, 100.0, 0.0, 0.5)
    with pytest.raises(RecordError, match="no single lag"):
        process_from_cycle(odd)


@pytest.mark.parametrize(
    ("cycle", "why"),
    [
        (Cycle(0.4, -2.0, 5.0, 9.0, 100.0, 0.0, 0.5), "does not swing"),
        (Cycle(2.0, -2.0, 5.0, 9.0, 50.0, 50.0, 0.5), "does not switch"),
    ],
)
def test_impossible_cycles_are_refused(cycle: Cycle, why: str) -> None:
    with pytest.raises(RecordError, match=why):
        process_from_cycle(cycle)


def relay_record(cycles: int = 6) -> tuple[Record, float]:
    """One lag of 60 s, 5 s dead time, 1 degC/%, about 60 degC held by 38 %; rows of 0.1 s."""
    lag, dead, step = 60.0, 50, 0.1
    line = [38.0] * dead
    pv, op, rows, switches = 60.0, 85.0, [], 0
    while switches < 2 * cycles:
        wanted = 10.0 if pv > 60.5 else 85.0 if pv < 59.5 else op
        switches += wanted != op
        op = wanted
        rows.append((len(rows) * step, op, pv))
        line.append(op)
        pv += (22.0 + line.pop(0) - pv) * (1.0 - exp(-step / lag))
    return Record.of(*np.array(rows).T), 60.0


def test_cycle_measured_in_a_record() -> None:
    record, setpoint = relay_record()
    cycle = measure_cycle(record, setpoint, 0.5)
    process, holding = process_from_cycle(cycle)
    # the relay of the record looks every 0.1 s only, and gain and lag are sensitive to that
    assert process.gain == pytest.approx(1.0, rel=0.1)
    assert process.lags_s[0] == pytest.approx(60.0, rel=0.1)
    assert process.dead_time_s == pytest.approx(5.05, abs=0.1)
    assert holding == pytest.approx(38.0, abs=1.0)
    # and the fit of the whole record says the same
    model = identify(record).model
    assert model.gain_degC_per_percent == pytest.approx(1.0, rel=1e-3)
    assert model.dead_time_s == pytest.approx(5.0, abs=0.01)


def test_too_few_cycles_are_refused() -> None:
    record, setpoint = relay_record(2)
    with pytest.raises(RecordError, match="steady cycles"):
        measure_cycle(record, setpoint, 0.5)
