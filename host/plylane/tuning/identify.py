"""From a record to a model with standard errors."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from plylane.tuning.actuation import heater_steps, unknown_delay_s, unknown_delay_variance_s2
from plylane.tuning.fit import Data, Fit, Structure, best_fit, others_felt, plant_lags, starts
from plylane.tuning.model import FIRST_ORDER, PLAIN, SECOND_ORDER, Instrument, Model
from plylane.tuning.record import Floats, Record, RecordError, pv_resolution, require_excitation
from plylane.tuning.response import Steps
from plylane.tuning.uncertainty import correlation_samples, covariance
from plylane.tuning.wander import find_wander, shapes

SAMPLES_MOST = 2500
"""Longer records are averaged down to about this many samples."""

ERROR_MOST = 0.3
"""Largest standard error of gain or time constant, as a share of it, that counts as identified."""

LAGS_LEAST = 0.5
"""Time after the first change of the output that a record needs, in time constants."""

OTHER_SHARE = 0.1
"""How far another zone's PV has to move to be an input, as a share of how far the zone's own does.
"""

EXPLAINED_LEAST = 0.7
"""Least share of the PV's standard deviation that the model has to explain."""

FLOOR_SHARE, FLOOR_S = 0.01, 0.05
"""Of a block whose surroundings are seen to wander nothing is known better than this: gain and time
constant, as a share; dead time, half a loop of the head. On the demo head the time constant comes
out 1 % high on average, which no residual shows.
"""

WANDER_ROUNDS = 3
WHITE_MOST = 6.0
"""Correlation time, in samples, of what is left once wandering is believed to have explained the
rest. More than that was no wandering of the heat: a lag left out, noise of the PV itself.
"""

PRICE = 2.0
"""Price of a parameter in units of ln n."""

Order = Literal["auto", "first", "second"]


@dataclass(frozen=True, slots=True, eq=False)
class Identification:
    """A model and how it fits: arrays (n) over `time_s`, thinned where the record was long.

    `fitted_degC` model and, where there is one, the likeliest course of what wanders;
    `residual_degC` PV less that, `rms_degC` of the residuals, `explained` 1 - rms / standard
    deviation of the PV, `correlation_s` time over which residuals hang together (about one sample:
    white), `at_rest` whether the record began at rest, `noise_degC` fast noise of single PVs,
    rounding included; `wander_percent` by how much the heat wanders slowly (standard deviation), 0
    where that does not show; `coupling` how far the PV follows each other zone's that was an input.
    """

    model: Model
    time_s: Floats
    fitted_degC: Floats
    residual_degC: Floats
    rms_degC: float
    explained: float
    correlation_s: float
    at_rest: bool
    noise_degC: float
    wander_percent: float = 0.0
    coupling: tuple[float, ...] = ()


def identify(
    record: Record, instrument: Instrument = PLAIN, *, order: Order = "auto", drift: bool = False
) -> Identification:
    """Fit first and second order with dead time and take the simpler one that suffices.

    `order` "first" or "second" forces one; `drift` adds a PV drift linear in time. Raises
    RecordError where the record cannot say: no excitation, wrong sign, too short to tell gain and
    lag, or a PV that does not follow the output.
    """
    require_excitation(record)
    data = _data(record, instrument)
    candidates = _candidates(data, order, drift)
    plain = _simplest(data, candidates)
    _check_explained(plain, data)
    found = _identification(data, plain, record, instrument)
    _check(found, float(data.time_s[-1] - data.steps.time_s[0]))
    seen, fit = _with_wander(data, candidates, plain)
    if seen.wander is None:
        return found
    found = _identification(seen, fit, record, instrument)
    if not _known(found.model):
        # too short to part gain from lag amid the wandering: least squares, its error all the wider
        found = _identification(data, plain, record, instrument, seen.wander.share)
    return found


# --------------------------------------------------------------------------------------------- data


def _data(record: Record, instrument: Instrument) -> Data:
    steps = heater_steps(record, instrument)
    time_s, pv_degC = _averaged(record.time_s, record.pv_degC)
    least_degC = OTHER_SHARE * float(np.ptp(pv_degC))
    others = [_averaged(record.time_s, other)[1] for other in record.others_degC]
    return Data(
        time_s,
        pv_degC,
        steps,
        instrument.sensor_lag_s,
        pv_resolution(record.pv_degC),
        tuple(other for other in others if np.ptp(other) >= least_degC),
        tuple(other for other in others if np.ptp(other) < least_degC),
    )


def _averaged(time_s: Floats, pv_degC: Floats) -> tuple[Floats, Floats]:
    """Means over blocks of samples, at the middle of their times, so that nothing is delayed."""
    block = -(-len(time_s) // SAMPLES_MOST)
    if block == 1:
        return time_s, pv_degC
    whole = len(time_s) // block * block
    shape = -1, block
    return time_s[:whole].reshape(shape).mean(axis=1), pv_degC[:whole].reshape(shape).mean(axis=1)


# ------------------------------------------------------------------------------------------- choice


def _with_wander(data: Data, candidates: list[Fit], plain: Fit) -> tuple[Data, Fit]:
    """The fit; where slow wandering shows in what it leaves, one that reckons with it.

    The wandering is looked for beside a start that may not be at rest, which it would else imitate.
    """
    fit = next(each for each in candidates if each.structure == replace(plain.structure, free=True))
    for _ in range(WANDER_ROUNDS):
        lags = plant_lags(fit.structure, fit.shape)
        behind = [*lags, data.sensor_lag_s]
        heat = shapes(data.steps, float(fit.linear[0]), behind, float(fit.shape[-1]), data.time_s)
        aside = others_felt(data, lags, data.aside)
        wander = find_wander(heat, fit.jacobian, fit.residual, aside)
        if wander is None:
            break
        data = replace(data, wander=wander)
        fit = best_fit(data, fit.structure, [fit.shape])
    if data.wander is None or correlation_samples(fit.white) > WHITE_MOST:
        return replace(data, wander=None), plain
    others = [best_fit(data, each.structure, [each.shape]) for each in candidates]
    best = _simplest(data, [*others, fit])
    if correlation_samples(best.white) > WHITE_MOST:
        return replace(data, wander=None), plain
    return data, best


def _candidates(data: Data, order: Order, drift: bool) -> list[Fit]:
    orders = {"auto": (1, 2), "first": (1,), "second": (2,)}[order]
    at_rest = [_fit(data, Structure(number, drift=drift), []) for number in orders]
    free = [_fit(data, replace(fit.structure, free=True), [fit.shape]) for fit in at_rest]
    return [*at_rest, *free]


def _fit(data: Data, structure: Structure, guesses: list[Floats]) -> Fit:
    found = starts(data.thinned(200), structure, 1 if guesses else 3)
    return best_fit(data, structure, [*guesses, *found])


def _simplest(data: Data, candidates: list[Fit]) -> Fit:
    """Least Bayesian information criterion, counting only as many samples as are independent.

    G. Schwarz, Ann. Stat. 6 (1978) 461-464. The residuals of the last candidate, which should be
    as free as any, say how far samples hang together.
    """
    count = len(data.time_s) / correlation_samples(candidates[-1].white)

    def criterion(fit: Fit) -> float:
        squares = max(fit.sum_of_squares, 1e-12 * len(data.time_s))
        return float(count * np.log(squares) + PRICE * fit.parameters * np.log(count))

    return min(candidates, key=criterion)


# ------------------------------------------------------------------------------------------- result


def _identification(
    data: Data, fit: Fit, record: Record, instrument: Instrument, share: float = 0.0
) -> Identification:
    """`share`: wandering that the fit has not reckoned with, but its error must."""
    residual = data.whiten(fit.white)  # less the likeliest course of the wandering
    fitted = data.pv_degC - residual
    whiten = data.wander.whiten if data.wander else None
    spread = covariance(fit.jacobian, fitted, fit.white, data.resolution_degC, whiten)
    if share > 0.0:
        lags = [*plant_lags(fit.structure, fit.shape), data.sensor_lag_s]
        late_s = float(fit.shape[-1])
        heat = shapes(data.steps, float(fit.linear[0]), lags, late_s, data.time_s)
        drifted = share * np.linalg.lstsq(fit.jacobian, heat, rcond=None)[0]
        spread = spread + drifted @ drifted.T
    rms = float(np.sqrt(np.mean(residual**2)))
    step_s = data.span_s / (len(data.time_s) - 1)
    changes = len(Steps.of(record.time_s, record.op_percent).size)
    return Identification(
        _with_window(_model(data, fit, spread), instrument, changes),
        data.time_s,
        fitted,
        residual,
        rms,
        1.0 - rms / float(np.std(data.pv_degC)),
        step_s * correlation_samples(fit.white),
        not fit.structure.free,
        _fast_noise(record.pv_degC),
        100.0 * (data.wander.share if data.wander else share),
        tuple(float(value) for value in fit.linear[2 : 2 + len(data.others)]),
    )


def _fast_noise(pv_degC: Floats) -> float:
    """Standard deviation (degC) of what changes from sample to sample: second differences pass over
    slopes, and rounding does not vanish where a PV rests.
    """
    fast = float(np.std(np.diff(pv_degC, 2))) / np.sqrt(6.0)
    return float(max(fast, pv_resolution(pv_degC) / np.sqrt(12.0)))


def _model(data: Data, fit: Fit, spread: Floats) -> Model:
    errors = np.sqrt(np.diag(spread))
    shapes = len(fit.shape)
    first, ratio = plant_lags(fit.structure, fit.shape)[0], fit.shape[1]
    second = fit.structure.order == 2
    offset_degC, offset_se = _offset(data, fit, spread)
    share, late_s = (FLOOR_SHARE, FLOOR_S) if data.wander else (0.0, 0.0)
    return Model(
        kind=SECOND_ORDER if second else FIRST_ORDER,
        gain_degC_per_percent=float(fit.linear[0]),
        time_constant_s=first,
        dead_time_s=float(fit.shape[-1]),
        gain_se=float(np.hypot(errors[shapes], share * fit.linear[0])),
        time_constant_se=first * float(np.hypot(errors[0], share)),
        dead_time_se=float(np.hypot(errors[shapes - 1], late_s)),
        offset_degC=offset_degC,
        offset_se=offset_se,
        second_time_constant_s=first * float(ratio) if second else 0.0,
        second_time_constant_se=first * float(errors[1]) if second else 0.0,
        sensor_lag_s=data.sensor_lag_s,
        drift_degC_per_s=float(fit.linear[-1]) / data.span_s if fit.structure.drift else 0.0,
    )


def _offset(data: Data, fit: Fit, spread: Floats) -> tuple[float, float]:
    """PV at rest without output, and its standard error, from baseline, gain, step before."""
    weights = np.zeros(fit.parameters)
    weights[len(fit.shape) :][:2] = -data.steps.level, 1.0
    if fit.structure.free:
        weights[len(fit.shape) + 2 + len(data.others) + fit.structure.order] = 1.0
    values = np.concatenate((fit.shape, fit.linear))
    return float(weights @ values), float(np.sqrt(weights @ spread @ weights))


def _with_window(model: Model, instrument: Instrument, changes: int) -> Model:
    """The mean delay of a window whose start is not known taken off the dead time."""
    unknown = np.sqrt(unknown_delay_variance_s2(instrument, changes))
    return replace(
        model,
        dead_time_s=max(0.0, model.dead_time_s - unknown_delay_s(instrument)),
        dead_time_se=float(np.hypot(model.dead_time_se, unknown)),
    )


def _check_explained(plain: Fit, data: Data) -> None:
    """Without any wandering, by which anything could be explained."""
    explained = 1.0 - float(np.std(plain.residual) / np.std(data.pv_degC))
    if explained < EXPLAINED_LEAST:
        raise RecordError(
            f"the output explains only {max(0.0, 100 * explained):.0f} % of how the PV moves",
            "record with strips standing, other zones steady and larger changes of the output",
        )


def _check(found: Identification, since_change_s: float) -> None:
    model = found.model
    if model.gain_degC_per_percent <= 0.0:
        raise RecordError(
            "wrong sign: the PV falls when the output rises",
            "check that sensor and heater belong to the same zone and the columns are not mixed up",
        )
    _check_length(model, since_change_s)


def _known(model: Model) -> bool:
    """Gain and time constant, each to ERROR_MOST."""
    gain = model.gain_se <= ERROR_MOST * model.gain_degC_per_percent
    return gain and model.time_constant_se <= ERROR_MOST * model.time_constant_s


def _check_length(model: Model, since_change_s: float) -> None:
    gain_share = model.gain_se / model.gain_degC_per_percent
    lag_share = model.time_constant_se / model.time_constant_s
    if _known(model) and since_change_s >= LAGS_LEAST * model.time_constant_s:
        return
    raise RecordError(
        f"the record is too short to tell the gain (error {100 * gain_share:.0f} %) and the"
        f" time constant (about {model.time_constant_s:.0f} s, error {100 * lag_share:.0f} %)",
        "record until the PV levels off or turns, about three time constants",
    )
