"""From a record to everything the rules say about it. Arrays and values in, values out."""

from __future__ import annotations

import numpy as np

from plylane.tune_run.experiment import Experiment
from plylane.tune_run.log import Floats
from plylane.tune_run.outcome import ZoneTuning
from plylane.tune_run.rules import Target, compare, suggest
from plylane.tuning import (
    EVEN,
    OP_NOISE_MOST_PERCENT,
    Instrument,
    LoopTiming,
    Record,
    identify,
    tune,
)


def analyse(
    zone: int,
    record: Record,
    instrument: Instrument,
    *,
    setpoint_degC: float | None = None,
    limits: tuple[float, float] = (0.0, 100.0),
    knob: float = EVEN,
    rule: str | None = None,
    op_noise_percent: float = OP_NOISE_MOST_PERCENT,
    experiment: Experiment | None = None,
) -> ZoneTuning:
    """Identify, apply all rules, preview them. Raises RecordError.

    `zone` from 0; `setpoint_degC` where the zone is to work, the record's highest PV where left
    out; `rule` the one the user asks for; `op_noise_percent` limits the optimum, see `tune`.
    """
    found = identify(record, instrument)
    setpoint = float(record.pv_degC.max()) if setpoint_degC is None else setpoint_degC
    model = found.model
    holding = (setpoint - model.offset_degC) / model.gain_degC_per_percent
    timing = LoopTiming(window_s=instrument.window_s, duty=min(max(holding / 100.0, 0.0), 1.0))
    result = tune(found, timing, knob=knob, op_noise_percent=op_noise_percent)
    target = Target(setpoint, limits=limits, noise_degC=noise_of(record.pv_degC))
    views = compare(result, target)
    return ZoneTuning(
        zone, experiment, record, instrument, found, result, knob, target, views,
        suggest(views, rule),
    )  # fmt: skip


def noise_of(pv_degC: Floats) -> float:
    """Noise of a PV (n) from one sample to the next, r.m.s., degC: what its second differences
    hold, in which a slow movement cancels out.
    """
    return float(np.sqrt(np.mean(np.diff(pv_degC, 2) ** 2) / 6.0))
