"""How much output moving strips need, from a record with a change of feed at temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from plylane.tuning.actuation import heater_steps
from plylane.tuning.model import PLAIN, Instrument, Model
from plylane.tuning.record import Floats, Record, RecordError, pv_resolution
from plylane.tuning.response import Steps, response
from plylane.tuning.uncertainty import covariance
from plylane.tuning.wander import shapes

FEED_CHANGE_LEAST_MM_S = 1.0
SETTLED_LAGS = 0.7
"""How long the feed has to be on, in time constants of the zone."""


@dataclass(frozen=True, slots=True, eq=False)
class FeedForward:
    """`percent_per_mm_s` output needed for each mm/s of feed, with its standard error (which does
    not contain the model's own: add `model_share` of it in quadrature, the relative error of the
    gain); `lag_s` how long after the feed the block feels it; arrays (n) of the fit over `time_s`.
    """

    percent_per_mm_s: float
    se: float
    model_share: float
    lag_s: float
    time_s: Floats
    fitted_degC: Floats
    residual_degC: Floats

    @property
    def total_se(self) -> float:
        """Standard error with the gain's own."""
        return float(np.hypot(self.se, self.percent_per_mm_s * self.model_share))


def identify_feed_forward(
    record: Record,
    model: Model,
    instrument: Instrument = PLAIN,
    wander_percent: float = 0.0,
) -> FeedForward:
    """Fit what the feed takes away, in units of output, beside what the model says the output
    gives.

    Works in manual and in automatic alike: the output enters as it was. The feed acts through the
    zone's lags with a delay of its own, which is searched; baseline and initial state are fitted,
    so the record may begin anywhere near rest. The feed counts by its magnitude. `wander_percent`:
    how far the heat wanders, as `Identification` has it; a drift of the supply looks like a little
    feed, and the standard error says how much. Raises RecordError
    without a feed column, without a change of feed, or with too little time after it.
    """
    feed = _feed(record, model)
    given = model.gain_degC_per_percent * response(
        heater_steps(record, instrument), model.process.lags_s, model.dead_time_s, record.time_s
    )
    taken = record.pv_degC - given
    most_s = min(model.process.lags_s[0], record.span_s / 4.0)
    best = minimize_scalar(
        lambda lag_s: float(np.sum(_fit(record, model, feed, taken, lag_s)[2] ** 2)),
        bounds=(0.0, most_s),
        method="bounded",
        options={"xatol": 0.05},
    )
    lags, dead_s = model.process.lags_s, model.dead_time_s
    heat = heater_steps(record, instrument)
    drifts = shapes(heat, model.gain_degC_per_percent, lags, dead_s, record.time_s)
    return _result(record, model, feed, taken, float(best.x), 0.01 * wander_percent * drifts)


def _feed(record: Record, model: Model) -> Steps:
    if record.feed_mm_s is None:
        raise RecordError("the record has no column feed_mm_s", "record the feed with it")
    feed = np.abs(record.feed_mm_s)
    if float(np.ptp(feed)) < FEED_CHANGE_LEAST_MM_S:
        raise RecordError(
            "the feed does not change in the record",
            "start the feed while recording, at temperature",
        )
    steps = Steps.of(record.time_s, feed)
    after_s = float(record.time_s[-1] - steps.time_s[0])
    wanted_s = SETTLED_LAGS * model.time_constant_s
    if after_s < wanted_s:
        raise RecordError(
            f"the record ends {after_s:.0f} s after the feed changed",
            f"record at least {wanted_s:.0f} s beyond the change",
        )
    return steps


def _fit(
    record: Record, model: Model, feed: Steps, taken: Floats, lag_s: float
) -> tuple[Floats, Floats, Floats]:
    """Columns (n, p), parameters (p), residual (n); the first parameter is degC for each mm/s."""
    felt = response(feed, model.process.lags_s, lag_s, record.time_s)
    since = record.time_s - record.time_s[0]
    start = np.exp(-since / model.time_constant_s)
    columns = np.column_stack([felt, np.ones_like(since), start])
    parameters = np.linalg.lstsq(columns, taken, rcond=None)[0]
    return columns, parameters, taken - columns @ parameters


def _result(
    record: Record, model: Model, feed: Steps, taken: Floats, lag_s: float, drifts: Floats
) -> FeedForward:
    """`drifts` (n, k): what independent normal numbers make the heat's wandering of."""
    columns, parameters, residual = _fit(record, model, feed, taken, lag_s)
    later = _fit(record, model, feed, taken, lag_s + 0.1)[0][:, 0]
    jacobian = np.column_stack([columns, (later - columns[:, 0]) * parameters[0] / 0.1])
    pv = record.pv_degC
    spread = covariance(jacobian, pv - residual, residual, pv_resolution(pv))
    drifted = np.linalg.lstsq(jacobian, drifts, rcond=None)[0]
    spread += drifted @ drifted.T
    gain = model.gain_degC_per_percent
    return FeedForward(
        percent_per_mm_s=-float(parameters[0]) / gain,
        se=float(np.sqrt(spread[0, 0])) / gain,
        model_share=model.gain_se / gain,
        lag_s=lag_s,
        time_s=record.time_s,
        fitted_degC=pv - residual,
        residual_degC=residual,
    )
