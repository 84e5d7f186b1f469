"""How much output moving strips need, from a record with a start of feed at temperature.

Strip that stood in the zones upstream is hot through. At a start it passes first, and a zone behind
others needs little heat for it, or even gets some; its own need comes after a way. So the need is
fitted in two parts: `first` from the start on, and after a lag that is searched the one that stays.
Where two parts cannot be told apart there is one.

A supply that wanders looks like a little feed. How strongly it does is known from the zone's
identification, and slow movements are weighed down by it (generalised least squares, `wander.py`):
what tells is the quick change as the strip of another temperature comes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.optimize import minimize_scalar

from plylane.tuning.actuation import heater_steps
from plylane.tuning.model import PLAIN, Instrument, Model
from plylane.tuning.record import Floats, Record, RecordError, pv_resolution
from plylane.tuning.response import Steps, response
from plylane.tuning.uncertainty import covariance
from plylane.tuning.wander import Wander, known_wander, shapes

FEED_CHANGE_LEAST_MM_S = 1.0
SETTLED_LAGS = 0.7
"""How long the feed has to be on, in time constants of the zone."""
TRIALS = 60
"""Lags tried before the best is refined."""
NOISE_ROUNDS = 3
STANDING_MM_S = 0.01
LEFT_S = 6.0
"""About how long strip left in a zone at a stop goes on warming up."""
WAY_MOST_MM = 300.0
"""Longer than all heated zones together: later than after this way only drift is found."""
SURE = 4.0
"""Standard errors by which two parts have to differ, and the way from none: many are tried."""


@dataclass(frozen=True, slots=True, eq=False)
class FeedForward:
    """`percent_per_mm_s` output needed for each mm/s of feed, with its standard error (which does
    not contain the model's own: add `model_share` of it in quadrature, the relative error of the
    gain). Where the need comes in two parts, `first_percent_per_mm_s` is that over the first
    `after_mm` of a feed that starts from rest, both with standard errors, and `apart_se` is that of
    the difference of the two parts; else all five are 0.
    `lag_s` how long after the feed the block feels (the last of) it, with its standard error;
    arrays (n) of the fit over `time_s`.
    """

    percent_per_mm_s: float
    se: float
    model_share: float
    lag_s: float
    lag_se: float
    first_percent_per_mm_s: float
    first_se: float
    apart_se: float
    after_mm: float
    after_se: float
    time_s: Floats
    fitted_degC: Floats
    residual_degC: Floats

    @property
    def total_se(self) -> float:
        """Standard error with the gain's own."""
        return float(np.hypot(self.se, self.percent_per_mm_s * self.model_share))

    @property
    def first_total_se(self) -> float:
        """Standard error of the first part with the gain's own."""
        return float(np.hypot(self.first_se, self.first_percent_per_mm_s * self.model_share))


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
    how far the heat wanders, as `Identification` has it. Two parts are looked for only where the
    feed starts from rest. Raises RecordError
    without a feed column, without a change of feed, or with too little time after it.
    """
    fits = _Fits(record, model, instrument, 0.01 * wander_percent)
    one = fits.best(two=False)
    if fits.feed.level > STANDING_MM_S:
        return one
    two = fits.best(two=True)
    apart = abs(two.percent_per_mm_s - two.first_percent_per_mm_s) > SURE * two.apart_se
    return two if apart and two.after_mm > SURE * two.after_se else one


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


class _Fits:
    """Fits of one record. Raises RecordError where it is of no use."""

    def __init__(self, record: Record, model: Model, instrument: Instrument, share: float) -> None:
        self.record, self.model, self.share = record, model, share
        self.feed = _feed(record, model)
        self.lags_s = model.process.lags_s
        self.heat = heater_steps(record, instrument)
        given = model.gain_degC_per_percent * response(
            self.heat, self.lags_s, model.dead_time_s, record.time_s
        )
        self.taken = record.pv_degC - given

    def best(self, two: bool) -> FeedForward:
        """The fit in one part or in two, with the likeliest lag."""
        wander, lag_s = None, 0.0
        for _ in range(NOISE_ROUNDS if self.share > 0.0 else 1):
            lag_s = self._likeliest(two, wander)
            white = self._solve(two, lag_s, wander)[1]
            if self.share > 0.0:
                wander = self._wander(float(np.std(white)))
        return self._result(two, lag_s, wander)

    def _likeliest(self, two: bool, wander: Wander | None) -> float:
        def left(lag_s: float) -> float:
            return float(np.sum(self._solve(two, lag_s, wander)[1] ** 2))

        most_s = min(self.lags_s[0], self.record.span_s / 4.0)
        if two:
            most_s = min(most_s, WAY_MOST_MM / float(self._after.max()))
        trials, step_s = np.linspace(0.0, most_s, TRIALS, retstep=True)
        near_s = min(trials, key=left)
        around = max(0.0, near_s - step_s), min(most_s, near_s + step_s)
        return float(minimize_scalar(left, bounds=around, method="bounded").x)

    def _wander(self, noise_degC: float) -> Wander:
        time_s, others = self.record.time_s, self.record.others_degC
        felt = [response(Steps.of(time_s, each), self.lags_s[:1], 0.0, time_s) for each in others]
        aside = np.column_stack(felt) if felt else np.zeros((len(time_s), 0))
        return known_wander(self._drifts, aside, self.share, noise_degC)

    @cached_property
    def _drifts(self) -> Floats:
        """What independent normal numbers make the heat's wandering of, columns (n, k)."""
        gain, dead_s = self.model.gain_degC_per_percent, self.model.dead_time_s
        return shapes(self.heat, gain, self.lags_s, dead_s, self.record.time_s)

    @cached_property
    def _resting(self) -> Floats:
        """Baseline and initial state, columns (n, p)."""
        since = self.record.time_s - self.record.time_s[0]
        free = [np.exp(-since / lag_s) for lag_s in self.lags_s if lag_s > 0.0]
        return np.column_stack([np.ones_like(since), *free])

    def _felt(self, feed: Steps, lag_s: float) -> Floats:
        return response(feed, self.lags_s, lag_s, self.record.time_s)

    def _parts(self, two: bool, lag_s: float) -> list[Floats]:
        """Responses (n). Of one part: to the feed, late by the lag. Of two: to the feed with its
        starts late by the lag and everything else felt at once; to the rest of it. Of both: to
        strip left in the zone at a stop, a pulse of any height.
        """
        parts = self._two_parts(lag_s) if two else [self._felt(self.feed, lag_s)]
        stop = self._after < STANDING_MM_S
        if stop.any():
            stops = Steps(0.0, self.feed.time_s[stop], -self.feed.size[stop])
            parts.append(self._felt(stops, 0.0) - self._felt(stops, LEFT_S))
        return parts

    def _two_parts(self, lag_s: float) -> list[Floats]:
        times, before = self.feed.time_s, self._after - self.feed.size
        starts = np.where(before < STANDING_MM_S, times, -np.inf)
        late = np.maximum(times, np.maximum.accumulate(starts) + lag_s)
        felt = self._felt(Steps(self.feed.level, late, self.feed.size), 0.0)
        return [felt, self._felt(self.feed, 0.0) - felt]

    @cached_property
    def _after(self) -> Floats:
        """The feed after each of its steps, mm/s."""
        return self.feed.level + self.feed.at(self.feed.time_s)

    def _columns(self, two: bool, lag_s: float) -> Floats:
        """Columns (n, p): the first is multiplied by degC for each mm/s, the second, of two, by
        what there is of it at first.
        """
        return np.column_stack([*self._parts(two, lag_s), self._resting])

    def _solve(self, two: bool, lag_s: float, wander: Wander | None) -> tuple[Floats, Floats]:
        """Parameters (p), and what they leave (n), whitened."""
        columns, taken = self._columns(two, lag_s), self.taken
        if wander is not None:
            columns, taken = wander.whiten(columns), wander.whiten(taken)
        found = np.asarray(np.linalg.lstsq(columns, taken, rcond=None)[0], dtype=np.float64)
        return found, taken - columns @ found

    def _result(self, two: bool, lag_s: float, wander: Wander | None) -> FeedForward:
        found, white = self._solve(two, lag_s, wander)
        columns = self._columns(two, lag_s)
        slope = (self._columns(two, lag_s + 0.1) - columns) @ found / 0.1
        jacobian = np.column_stack([columns, slope])
        pv, gain = self.record.pv_degC, self.model.gain_degC_per_percent
        residual = self.taken - columns @ found
        if wander is not None:
            residual = wander.whiten(white)  # less the likeliest course of the wandering
        whiten = wander.whiten if wander is not None else None
        spread = covariance(jacobian, pv - residual, white, pv_resolution(pv), whiten)
        errors = np.sqrt(np.diag(spread))
        late_s = max(0.0, lag_s - self.model.dead_time_s)
        return FeedForward(
            percent_per_mm_s=-float(found[0]) / gain,
            se=float(errors[0]) / gain,
            model_share=self.model.gain_se / gain,
            lag_s=lag_s,
            lag_se=float(errors[-1]),
            first_percent_per_mm_s=-float(found[1]) / gain if two else 0.0,
            first_se=float(errors[1]) / gain if two else 0.0,
            apart_se=_apart(spread) / gain if two else 0.0,
            after_mm=self._fed_mm(late_s) if two else 0.0,
            after_se=(self._fed_mm(late_s + 0.5) - self._fed_mm(late_s)) / 0.5 * float(errors[-1])
            if two
            else 0.0,
            time_s=self.record.time_s,
            fitted_degC=pv - residual,
            residual_degC=residual,
        )

    def _fed_mm(self, since_s: float) -> float:
        """How far strips were fed in so long from the start."""
        start_s = self.feed.time_s[0]
        times = np.concatenate(([start_s], self.feed.time_s[self.feed.time_s > start_s]))
        ends = np.clip(np.append(times[1:], np.inf), None, start_s + since_s)
        spans = np.clip(ends - times, 0.0, None)
        return float(spans @ (self.feed.level + self.feed.at(times)))


def _apart(spread: Floats) -> float:
    """Standard error of the first parameter less the second: of one fit, so not independent."""
    return float(np.sqrt(spread[0, 0] + spread[1, 1] - 2.0 * spread[0, 1]))
