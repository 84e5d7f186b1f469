"""Least squares of a simulated response against the whole record.

Only the lags and the dead time are searched. Gain, baseline, initial state and drift enter the
response linearly and are solved for at every trial (variable projection: G. H. Golub, V. Pereyra,
SIAM J. Numer. Anal. 10 (1973) 413-432), which leaves two or three unknowns and no need of guesses.
The model is simulated from the output alone and never fed measured PVs, so noise on the PV does not
bias it (output error, not equation error: L. Ljung, System Identification, 2nd ed., 1999, ch. 4).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from plylane.tuning.record import Floats
from plylane.tuning.response import Steps, response
from plylane.tuning.wander import Wander

RATIO_MIN = 1e-3


@dataclass(frozen=True, slots=True)
class Structure:
    """What is fitted: `order` 1 or 2; `free`: a start not at rest; `drift`: linear in time."""

    order: int
    free: bool = False
    drift: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Data:
    """Times (n), PV (n), steps of the heater, sensor's lag (0 none), the PV's resolution, other
    zones' PVs (n each) that are inputs, those that hardly move, and how what heats the block
    wanders (None: not at all).
    """

    time_s: Floats
    pv_degC: Floats
    steps: Steps
    sensor_lag_s: float
    resolution_degC: float
    others: tuple[Floats, ...] = ()
    aside: tuple[Floats, ...] = ()
    wander: Wander | None = None

    @property
    def span_s(self) -> float:
        """Length in seconds."""
        return float(self.time_s[-1] - self.time_s[0])

    def thinned(self, most: int) -> Data:
        """At most about `most` samples, every n-th, any wandering left aside."""
        every = max(1, len(self.time_s) // most)
        time_s, pv_degC = self.time_s[::every], self.pv_degC[::every]
        others = tuple(other[::every] for other in self.others)
        return replace(self, time_s=time_s, pv_degC=pv_degC, others=others, wander=None)

    def whiten(self, columns: Floats) -> Floats:
        """Columns (n) or (n, p) with noise as even as it is known."""
        return columns if self.wander is None else self.wander.whiten(columns)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A structure at its optimum.

    `shape`: ln T1 [, T2/T1], L. `linear`: gain, baseline, one for each other zone's PV, then what
    the structure has of: one for each lag's free mode and one for the step before the record;
    drift.
    `residual` is PV less model (n); `jacobian` (n, shape + linear) the derivatives of the model;
    `white` the residual, whitened.
    """

    structure: Structure
    shape: Floats
    linear: Floats
    residual: Floats
    jacobian: Floats
    white: Floats

    @property
    def sum_of_squares(self) -> float:
        """Of the whitened residuals, K^2."""
        return float(self.white @ self.white)

    @property
    def parameters(self) -> int:
        """Number of parameters fitted."""
        return len(self.shape) + len(self.linear)


def plant_lags(structure: Structure, shape: Floats) -> list[float]:
    """T1 [, T2] of the shape, in seconds."""
    first = float(np.exp(shape[0]))
    return [first] if structure.order == 1 else [first, first * float(shape[1])]


def design(data: Data, structure: Structure, shape: Floats) -> Floats:
    """Columns (n, p) by which the linear parameters are multiplied."""
    lags = plant_lags(structure, shape)
    unit = response(data.steps, [*lags, data.sensor_lag_s], float(shape[-1]), data.time_s)
    since = data.time_s - data.time_s[0]
    columns = [unit, np.ones_like(since)]
    columns += list(others_felt(data, lags, data.others).T)
    if structure.free:
        columns += [np.exp(-since / lag) for lag in lags]
        columns.append(_before(data, lags, float(shape[-1])))
    if structure.drift:
        columns.append(since / data.span_s)
    return np.column_stack(columns)


def others_felt(data: Data, lags: list[float], others: tuple[Floats, ...]) -> Floats:
    """Responses (n, m) to the PVs of other zones, which are as late as their sensors, as the zone's
    own is by its own.
    """
    felt = [response(Steps.of(data.time_s, other), lags, 0.0, data.time_s) for other in others]
    return np.column_stack(felt) if felt else np.zeros((len(data.time_s), 0))


def _before(data: Data, lags: list[float], dead_time_s: float) -> Floats:
    """What the output did just before the record began is felt within it by the dead time: as if it
    had changed, by an amount to be found, as the record began.
    """
    step = Steps(0.0, data.time_s[:1], np.ones(1))
    return response(step, [*lags, data.sensor_lag_s], dead_time_s, data.time_s)


def solve(data: Data, structure: Structure, shape: Floats) -> tuple[Floats, Floats]:
    """Best linear parameters (p) for that shape, and what they leave (n), whitened."""
    columns, pv = data.whiten(design(data, structure, shape)), data.whiten(data.pv_degC)
    linear = np.asarray(np.linalg.lstsq(columns, pv, rcond=1e-10)[0], dtype=np.float64)
    return linear, pv - columns @ linear


def _bounds(data: Data, structure: Structure) -> tuple[list[float], list[float]]:
    step_s = data.span_s / (len(data.time_s) - 1)
    low, high = [np.log(step_s / 2.0)], [np.log(20.0 * data.span_s)]
    if structure.order == 2:
        low.append(RATIO_MIN)
        high.append(1.0)
    return [*low, 0.0], [*high, data.span_s / 2.0]


def _grid(data: Data, structure: Structure) -> list[Floats]:
    """Starting shapes: lags by thirds of a decade, dead time as shares of them."""
    step_s = data.span_s / (len(data.time_s) - 1)
    lags = np.geomspace(max(2.0 * step_s, data.span_s / 300.0), 2.0 * data.span_s, 10)
    ratios = [[]] if structure.order == 1 else [[0.05], [0.3], [0.9]]
    shares = (0.01, 0.06, 0.25, 0.8)
    most = 0.4 * data.span_s
    return [
        np.array([np.log(lag), *ratio, min(share * lag, most)])
        for lag in lags
        for ratio in ratios
        for share in shares
    ]


def _cost(data: Data, structure: Structure, shape: Floats) -> float:
    residual = solve(data, structure, shape)[1]
    return float(residual @ residual)


def starts(data: Data, structure: Structure, count: int) -> list[Floats]:
    """The best `count` shapes of a coarse grid."""
    ranked = sorted(_grid(data, structure), key=lambda shape: _cost(data, structure, shape))
    return ranked[:count]


def _improved(data: Data, structure: Structure, shape: Floats, tolerance: float) -> Floats:
    low, high = _bounds(data, structure)
    inside = np.clip(shape, np.array(low) + 1e-9, np.array(high) - 1e-9)
    best = least_squares(
        lambda trial: solve(data, structure, trial)[1],
        inside,
        bounds=(low, high),
        x_scale="jac",
        xtol=tolerance,
        ftol=tolerance,
        gtol=1e-12,
        max_nfev=60,
    )
    return np.asarray(best.x, dtype=np.float64)


def _jacobian(data: Data, structure: Structure, shape: Floats, linear: Floats) -> Floats:
    here = design(data, structure, shape)
    columns = []
    for number in range(len(shape)):
        nudge = 1e-5 * max(1.0, abs(float(shape[number])))
        moved = shape.copy()
        # at a ratio of one the model is even in the ratio: look inwards only
        moved[number] += -nudge if structure.order == 2 and number == 1 else nudge
        slope = (design(data, structure, moved) - here) @ linear / (moved[number] - shape[number])
        columns.append(slope)
    return np.column_stack([*columns, here])


def best_fit(data: Data, structure: Structure, guesses: list[Floats]) -> Fit:
    """The best optimum found from the guesses: first on a thinned record, then on all of it."""
    thin = data.thinned(400)
    rough = [_improved(thin, structure, guess, 1e-5) for guess in guesses]
    shape = _improved(data, structure, min(rough, key=lambda at: _cost(thin, structure, at)), 1e-9)
    linear, white = solve(data, structure, shape)
    residual = data.pv_degC - design(data, structure, shape) @ linear
    slopes = _jacobian(data, structure, shape, linear)
    return Fit(structure, shape, linear, residual, slopes, white)
