"""Plays a case on a twin: what the technician does in it, and what the head tells meanwhile."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import ALARMS, Command, EventCode, State
from plylane.jam import columns_needed
from plylane.run_setup import RunSetup
from plylane.study.cases import LATEST_START_S, SETPOINTS_DEGC, Case, draw_speed, runs_out
from plylane.study_errors import StudyError
from plylane.twin_run import PERIOD_MS, TwinRun

Columns = dict[str, NDArray[Any]]

RESTING = frozenset({State.HELD, State.COMPLETE, State.ABORTED, State.STOPPED})
QUICKLY_S = 120.0  # a hot head starts, stops, and gathers itself within this
ENDLESS_MM = 1_900_000.0
HOUR_S = 3600.0
_SHORT_MM = 1.0
_POLL_S = PERIOD_MS / 1000.0
_ALL_ALARMS = (1 << len(ALARMS)) - 1


def play_normal(case: Case, hours: float) -> tuple[Columns, list[str]]:
    """Normal running, run after run: speed changes, holds of seconds and minutes.

    Also what the head's own guards said.
    """
    rng = random.Random(f"script {case.twin_seed}")
    run = _started(case, rng.uniform(1000.0, 20_000.0))
    until_s = run.time_s + hours * HOUR_S
    while run.time_s < until_s:
        run.record(rng.uniform(20.0, 240.0), RESTING)
        if run.state in RESTING:
            _go_on(run, rng, case)
        elif rng.random() < 0.5:
            run.client.write("feed.speed_mm_s", draw_speed(rng))
        else:
            run.client.command(Command.HOLD)
            if _wait(run, case, State.HELD, State.COMPLETE) == State.HELD:
                run.record(rng.choice([2.0, rng.uniform(2.0, 60.0)]))
                run.client.command(Command.UNHOLD)
                # where it was held at its very end, it only has to complete
                _wait(run, case, State.EXECUTE, State.COMPLETE)
    return _columns(run), _raised(run)


def placed(case: Case) -> Case:
    """The case with the time of its fault, where that follows from the run: a strip runs out where
    it ends, so the run is played without the fault first."""
    if case.strip_end_mm is None:
        return case
    run = _started(case, ENDLESS_MM)
    _feed_until(run, case, case.strip_end_mm / case.speed_mm_s + 2.0 * LATEST_START_S)
    columns = run.columns(("time_s", f"lane{case.lane}_position_mm"))
    time_s, lane_mm = columns.values()
    # a little short of its end: there the next strip would follow
    at = int(np.searchsorted(lane_mm, case.strip_end_mm - _SHORT_MM))
    if at == len(lane_mm):
        raise StudyError(f"case {case.number}: the strip of lane {case.lane} does not end")
    return runs_out(case, float(time_s[at]))


def play_fault(case: Case, hold_s: float | None = None) -> tuple[Columns, str]:
    """The run with its fault, to the end of the watch or until the head itself stops the feed.

    At `hold_s`, later than the onset, the host asks for a hold. Also what the head's own guards
    said first of the fault, "" if nothing.
    """
    run = _started(case, ENDLESS_MM)
    if run.time_s > case.onset_s:
        raise StudyError(f"case {case.number}: feeding began at {run.time_s:.0f} s, too late")
    _feed_until(run, case, case.onset_s)
    if hold_s is not None and run.record(hold_s - run.time_s, RESTING) == State.EXECUTE:
        run.client.command(Command.HOLD)
    run.record(case.onset_s + case.watch_s - run.time_s, RESTING)
    return _columns(run), next(iter(_raised(run, case.onset_s)), "")


def _feed_until(run: TwinRun, case: Case, time_s: float) -> None:
    """Go on feeding where the head's own guards stop it, until about then."""
    rng = random.Random(case.twin_seed)
    while run.time_s + _POLL_S < time_s:
        if run.record(time_s - run.time_s, RESTING) in RESTING:
            _go_on(run, rng, case)


def _raised(run: TwinRun, since_s: float = 0.0) -> list[str]:
    raised = (event for event in run.events if event.code == EventCode.ALARM_RAISED)
    return [event.text for event in raised if event.time_s >= since_s]


def _started(case: Case, length_mm: float) -> TwinRun:
    run = TwinRun(case.scenario, case.twin_seed)
    setup = _setup(case, length_mm)
    setup.write_settings(run.client)
    run.client.command(Command.RESET)
    _wait(run, case, State.IDLE)
    setup.start(run.client)
    run.record(LATEST_START_S, {State.EXECUTE})
    if run.state != State.EXECUTE:
        raise StudyError(f"case {case.number}: {run.state.name} instead of feeding")
    return run


def _setup(case: Case, length_mm: float) -> RunSetup:
    return RunSetup(
        length_mm=round(length_mm, 3),
        speed_mm_s=case.speed_mm_s,
        setpoints_degC=list(SETPOINTS_DEGC),
        settings=dict(case.settings),
    )


def _go_on(run: TwinRun, rng: random.Random, case: Case) -> None:
    """After the end of a run the next one, after a hold of the head's own the same."""
    if run.state == State.HELD:
        run.record(20.0)
        run.client.acknowledge(_ALL_ALARMS)
        run.client.command(Command.UNHOLD)
    elif run.state == State.COMPLETE:
        run.client.command(Command.RESET)
        _wait(run, case, State.IDLE)
        _setup(case, rng.uniform(1000.0, 20_000.0)).start(run.client)
    else:
        raise StudyError(f"case {case.number}: {run.state.name} in normal running")
    _wait(run, case, State.EXECUTE)


def _wait(run: TwinRun, case: Case, *states: State) -> State:
    state = run.record(QUICKLY_S, set(states))
    if state not in states:
        raise StudyError(f"case {case.number}: {state.name} instead of {states[0].name}")
    return state


def _columns(run: TwinRun) -> Columns:
    """What the detectors look at, and what they may look at."""
    fitted = run.client.fitted
    zones = (f"zone{k}_{what}" for k in range(1, fitted.zones + 1) for what in _ZONE)
    return run.columns((*columns_needed(fitted.lanes), "inputs", "alarms_active", *zones))


_ZONE = ("pv_degC", "sp_degC", "op_percent")
