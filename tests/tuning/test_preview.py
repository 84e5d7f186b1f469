"""The predicted response: the same loop as the head's, on the model."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from plylane.tuning import Course, Gains, Process, figures, load_preview, setpoint_preview
from plylane.tuning.preview import LOOP_S, _Plant
from plylane_twin._core import ffi, lib

PROCESS = Process.of(1.2, 150.0, 4.0, dead_time_s=3.0)
GAINS = Gains(8.0, 60.0, 3.0, 0.8)


def run_core(
    start: tuple[float, float],
    setpoint: float,
    load: Callable[[float], float],
    forward: Callable[[float], float],
    count: int,
    limits: tuple[float, float] = (0.0, 100.0),
) -> tuple[np.ndarray, np.ndarray]:
    """The head's own controller, compiled C, on the same plant; its integral stands at a limit, as
    zones.c has it.
    """
    pid = ffi.new("struct pid *")
    gains = ffi.new("struct pid_gains *")
    gains.kp, gains.kd, gains.filter_s = GAINS.kp, GAINS.kd, GAINS.td_filter_s
    gains.op_min, gains.op_max = limits
    lib.pid_reset(pid)
    pid.integral = start[1]
    plant = _Plant(PROCESS, start[1], LOOP_S)
    base = start[0] - PROCESS.gain * start[1]
    pv, op, pvs, ops = start[0], start[1], [], []
    for number in range(count):
        now_s = number * LOOP_S
        low, high = limits
        held = op >= high if pv < setpoint else op <= low
        gains.ki = 0.0 if held else GAINS.ki
        op = lib.pid_step(pid, gains, setpoint, pv, forward(now_s), LOOP_S)
        pvs.append(pv)
        ops.append(op)
        pv = base + plant.step(op + load(now_s))
    return np.array(pvs), np.array(ops)


@pytest.mark.parametrize("setpoint", [63.0, 110.0, 45.0])
def test_setpoint_step_is_what_the_heads_controller_does(setpoint: float) -> None:
    preview = setpoint_preview(
        PROCESS, GAINS, start_degC=60.0, setpoint_degC=setpoint, start_percent=31.0, span_s=400.0
    )
    pv, op = run_core((60.0, 31.0), setpoint, never, never, len(preview.time_s))
    assert preview.time_s[1] == pytest.approx(LOOP_S)
    # single against double precision
    assert preview.pv_degC == pytest.approx(pv, abs=2e-3)
    assert preview.op_percent == pytest.approx(op, abs=0.05)


def never(_: float) -> float:
    return 0.0


@pytest.mark.parametrize(
    ("load", "forward"),
    [
        (Course(-15.0), Course(0.0)),
        (Course(-15.0), Course(15.0)),
        (Course(20.0), Course(0.0)),
        (Course(-15.0, 5.0, 6.0), Course(14.0, -4.0, 7.0)),
    ],
)
def test_load_is_met_as_by_the_heads_controller(load: Course, forward: Course) -> None:
    preview = load_preview(
        PROCESS,
        GAINS,
        setpoint_degC=110.0,
        start_percent=73.0,
        load_percent=load,
        forward_percent=forward,
        span_s=300.0,
    )
    pv, op = run_core((110.0, 73.0), 110.0, load.at, forward.at, len(preview.time_s))
    assert preview.pv_degC == pytest.approx(pv, abs=2e-3)
    assert preview.op_percent == pytest.approx(op, abs=0.05)


def test_right_feed_forward_leaves_no_disturbance() -> None:
    """But for the dead time, which a load at the process's input shares here."""
    without, with_it = (
        load_preview(
            PROCESS, GAINS, setpoint_degC=110.0, start_percent=50.0, load_percent=-15.0,
            forward_percent=forward,
        )
        for forward in (0.0, 15.0)
    )  # fmt: skip
    assert with_it.figures.largest_degC < 0.01 < without.figures.largest_degC


def test_preview_stays_within_limits_and_settles() -> None:
    preview = setpoint_preview(
        PROCESS,
        GAINS,
        start_degC=22.0,
        setpoint_degC=110.0,
        start_percent=0.0,
        limits=(0.0, 90.0),
    )
    assert preview.op_percent.max() == 90.0 and preview.op_percent.min() >= 0.0
    assert preview.figures.settling_s is not None
    assert preview.pv_degC[-1] == pytest.approx(110.0, abs=0.1)


def test_slow_loops_are_stepped_coarser() -> None:
    slow = setpoint_preview(
        Process.of(1.0, 3000.0, dead_time_s=100.0),
        Gains(3.0, 2000.0),
        start_degC=20.0,
        setpoint_degC=30.0,
        start_percent=10.0,
    )
    assert len(slow.time_s) <= 5001
    assert slow.figures.settling_s is not None


# ------------------------------------------------------------------------------------------ figures


def test_figures_of_a_response_worked_by_hand() -> None:
    time_s = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    pv = np.array([0.0, 5.0, 11.0, 10.6, 10.0, 10.0])
    got = figures(time_s, pv, 10.0, 0.5)
    assert got.overshoot_degC == pytest.approx(1.0)
    assert got.settling_s == 4.0
    # trapezoids by hand: 7.5 + 3.0 + 0.8 + 0.3 + 0.0
    assert got.iae_degC_s == pytest.approx(11.6)
    assert got.final_degC == 0.0
    down = figures(time_s, -pv, -10.0, 0.5)
    assert down.overshoot_degC == got.overshoot_degC and down.iae_degC_s == got.iae_degC_s


def test_figures_without_settling() -> None:
    time_s = np.arange(5.0)
    assert figures(time_s, np.full(5, 3.0), 10.0, 0.5).settling_s is None
    assert figures(time_s, np.full(5, 10.2), 10.0, 0.5).settling_s == 0.0
