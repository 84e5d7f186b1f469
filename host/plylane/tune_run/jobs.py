"""An experiment and what follows from it, and a setpoint step verified, as jobs."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from plylane.head.errors import LinkError
from plylane.head.registers import (
    ExperimentEnd,
    ExperimentStatusRegs,
    ZoneSettingsRegs,
)
from plylane.tune_errors import TuneError
from plylane.tune_run.analyse import analyse
from plylane.tune_run.engine import Engine, Job
from plylane.tune_run.experiment import Experiment, default_experiment, read_zone
from plylane.tune_run.gains import read_gains
from plylane.tune_run.log import Trace
from plylane.tune_run.outcome import Checked, ZoneTuning
from plylane.tune_run.parts import (
    Wanted,
    automatic,
    be_idle,
    instrument_of,
    others_at_rest,
    rest_at,
    standing,
    verdict_text,
)
from plylane.tune_run.rules import step_preview
from plylane.tuning import (
    verify_setpoint_step,
)

LOOK_S = 1.0
BASELINE_S = 10.0
START_S = 30.0
VERIFY_LEAST_S, VERIFY_MOST_S = 120.0, 600.0

_ENDS = {
    ExperimentEnd.NONE: "the head knows of no experiment any more: it has restarted",
    ExperimentEnd.STOPPED: "it was ended before it was done",
    ExperimentEnd.TOO_HOT: "the zone reached the ceiling: take lower outputs or a higher ceiling",
    ExperimentEnd.OUT_OF_TIME: "its time ran out: allow more, or take larger outputs",
    ExperimentEnd.LINK_SILENT: "the head heard nothing for too long: check cable and load of the"
    " computer",
    ExperimentEnd.SENSOR_FAILED: "the sensor cannot be read: check it and its cable",
    ExperimentEnd.STATE_LEFT: "the head left Idle",
}


def run_experiment(
    engine: Engine, zone: int, kind: str, changes: dict[str, float]
) -> Job[tuple[Experiment, Trace]]:
    """Do an experiment; the whole trace of all zones from its baseline to its end."""
    yield from be_idle(engine)
    others_at_rest(engine, zone)
    engine.tell("Looking at the zone at rest.")
    began_s = engine.log.now_s
    yield from engine.pause(BASELINE_S)
    op_percent, _ = engine.log.mean(zone, BASELINE_S)
    now = yield from engine.call(partial(read_zone, zone=zone, op_percent=op_percent))
    plan = default_experiment(kind, now, **changes)
    yield from engine.call(plan.write)
    try:
        end = yield from _watch(engine, plan)
    except BaseException:
        yield from engine.put_back(lambda client: client.write("experiment.run", 0))
        raise
    if end is not ExperimentEnd.FINISHED:
        more = f" ({standing(engine)})" if end is ExperimentEnd.STATE_LEFT else ""
        raise TuneError(f"no result from the {kind}: {_ENDS[end]}{more}")
    return plan, engine.log.trace(began_s)


def _watch(engine: Engine, plan: Experiment) -> Job[ExperimentEnd]:
    """Look at the experiment once a second until it ends."""
    began_s = engine.log.now_s
    while True:
        yield from engine.pause(LOOK_S)
        try:
            status = yield from engine.call(lambda c: c.read_block(ExperimentStatusRegs))
        except LinkError:
            continue  # the head ends it by itself when the link stays away
        if status.end is not ExperimentEnd.RUNNING:
            return status.end
        _tell_experiment(engine, plan, status, engine.log.now_s - began_s)


def _tell_experiment(
    engine: Engine, plan: Experiment, status: ExperimentStatusRegs, elapsed_s: float
) -> None:
    left_s = plan.left_s(elapsed_s)
    if plan.kind == "relay":
        made = max(0, status.switches - 1)
        text = f"Relay about {plan.switch_degC:.1f} degC: {made} of {plan.switchings} switchings."
        share = made / plan.switchings
    else:
        text = f"{plan.kind.capitalize()} between {plan.op_low_percent:.0f} and"
        text += f" {plan.op_high_percent:.0f} %."
        share = elapsed_s / max(1.0, elapsed_s + left_s)
    engine.tell(text, elapsed_s, left_s, min(1.0, share))


def tune_zone(
    engine: Engine, zone: int, kind: str, changes: dict[str, float], wishes: dict[str, Any]
) -> Job[ZoneTuning]:
    """Experiment, model, rules; `wishes` as `analyse` takes them (knob, rule, op_noise_percent)."""
    plan, seen = yield from run_experiment(engine, zone, kind, changes)
    now = yield from engine.call(partial(read_zone, zone=zone))
    settings = yield from engine.call(lambda c: c.read_block(ZoneSettingsRegs, zone))
    held = yield from engine.call(partial(read_gains, zone=zone))
    engine.tell("Fitting the model and trying the rules.")
    tuning = yield from engine.work(
        lambda: analyse(
            zone,
            seen.record(zone),
            instrument_of(settings, engine.windows.start_s[zone]),
            setpoint_degC=now.working_temperature,
            limits=(settings.op_min_percent, settings.op_max_percent),
            experiment=plan,
            **wishes,
        )
    )
    engine.tell(tuning.suggestion.reason)
    return replace(tuning, held=held, before=held)


# ------------------------------------------------------------------------------- setpoint verified


def check_setpoint(engine: Engine, tuning: ZoneTuning) -> Job[Checked]:
    """A setpoint step in Idle, from rest to where the zone is to work."""
    zone, target = tuning.zone, tuning.target
    yield from be_idle(engine)
    wanted = yield from engine.call(partial(Wanted.read, zone=zone))
    held = yield from engine.call(partial(read_gains, zone=zone))
    try:
        yield from engine.call(lambda c: automatic(c, zone, target.start_temperature))
        yield from rest_at(engine, zone, target.start_temperature)
        op_percent, pv_degC = engine.log.mean(zone, START_S)
        step_degC = target.setpoint_degC - pv_degC
        moved = replace(target, step_degC=step_degC, held_percent=op_percent)
        first = yield from engine.work(lambda: step_preview(tuning.result, held.gains, moved))
        settling_s = first.figures.settling_s or VERIFY_MOST_S
        span_s = float(np.clip(2.5 * settling_s + 60.0, VERIFY_LEAST_S, VERIFY_MOST_S))
        predicted = yield from engine.work(
            lambda: step_preview(tuning.result, held.gains, moved, span_s)
        )
        yield from engine.call(lambda c: c.write("zone.setpoint_degC", target.setpoint_degC, zone))
        began_s = engine.log.now_s
        while engine.log.now_s < began_s + span_s:
            yield
            gone_s = engine.log.now_s - began_s
            engine.tell("Measuring the setpoint step.", gone_s, span_s - gone_s, gone_s / span_s)
        seen = engine.log.trace(began_s)
        time_s, pv = seen.time_s - began_s, seen.pv_degC[zone]
        verdict = verify_setpoint_step(time_s, pv, predicted)
    finally:
        yield from engine.put_back(partial(wanted.write, zone=zone))
    engine.tell(verdict_text(verdict.passed, verdict.reasons))
    return Checked(verdict, time_s, pv, predicted)
