"""Slow wandering of what heats a block, as part of the noise.

Supply and surroundings wander over minutes. A fit takes most of that up into gain and time
constant, and what little it leaves in the residuals looks innocent. So the heat a block gets is
taken to be (1 + w) x the output, w a random function with mean zero and a correlation time as long
as the record (an Ornstein-Uhlenbeck process, linear between knots), behind the block's own lags.
How strong it is, the record says itself: restricted maximum likelihood, which reckons with what the
fit has taken up (H. D. Patterson, R. Thompson, Biometrika 58 (1971) 545-554). Everything is then
fitted again with that noise whitened (generalised least squares): slow movements count for less and
switching for more, and standard errors come out as wide as the wandering makes them. The gain is
that at the mean of the wandering, not at the supply of the day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from plylane.tuning.record import Floats
from plylane.tuning.response import Steps, response

KNOTS = 40
COUPLING = 0.3
"""How far a zone follows another whose PV hardly moves: 0, give or take this, K/K."""
SHARE_MOST = 0.1
"""Most wandering that is reckoned with: what moves the heat by more has to be found, not averaged.
"""
LEAST_GAIN = 6.0
"""Improvement of the log likelihood from which on wandering is believed: without any, chance gives
three in less than one record of a hundred (half of a chi-squared law with one degree)."""


@dataclass(frozen=True, slots=True, eq=False)
class Wander:
    """Noise with covariance I + wandering: `basis` (n, k) orthonormal, `less` (k) by how much of
    each of its parts counts less; `share` standard deviation of w.
    """

    basis: Floats
    less: Floats
    share: float

    def whiten(self, columns: Floats) -> Floats:
        """Columns (n) or (n, p) with that covariance made even."""
        weighted = (self.less * (self.basis.T @ columns).T).T
        return np.asarray(columns - self.basis @ weighted)


def shapes(
    heat: Steps, gain: float, lags_s: Sequence[float], dead_time_s: float, time_s: Floats
) -> Floats:
    """What w of standard deviation one does to the PV: columns (n, k), degC, that independent
    normal numbers are multiplied by.
    """
    span_s = time_s[-1] - time_s[0]
    knots = np.linspace(time_s[0], time_s[-1], KNOTS)
    when = np.unique(np.concatenate((time_s, heat.time_s)))
    level = heat.level + heat.at(when)
    columns = []
    for knot in knots:
        hat = np.clip(1.0 - np.abs(when - knot) * (KNOTS - 1) / span_s, 0.0, None)
        columns.append(response(Steps.of(when, level * hat), lags_s, dead_time_s, time_s))
    apart = np.abs(knots[:, None] - knots)
    root = np.linalg.cholesky(np.exp(-apart / span_s))
    return np.asarray(gain * np.column_stack(columns) @ root)


def _parts(columns: Floats) -> tuple[Floats, Floats]:
    """Left singular vectors (n, k) and singular values (k), those that matter: by way of the small
    Gram matrix, as the columns are long.
    """
    square, turned = np.linalg.eigh(columns.T @ columns)
    kept = square > 1e-12 * square[-1]
    size = np.sqrt(square[kept])
    return np.asarray(columns @ turned[:, kept] / size), np.asarray(size)


def find_wander(
    columns: Floats, jacobian: Floats, residual: Floats, aside: Floats
) -> Wander | None:
    """How strong the wandering of `columns` (n, k) is, from the residual (n) of a fit with that
    jacobian (n, p); None where it does not show. `aside` (n, m): responses to other zones whose PVs
    hardly move, counted as noise by COUPLING.
    """
    taken = np.linalg.qr(np.column_stack([jacobian, aside]))[0]
    left, size = _parts(columns - taken @ (taken.T @ columns))
    ours = residual - taken @ (taken.T @ residual)
    seen = (left.T @ ours) ** 2
    rest = max(float(ours @ ours - seen.sum()), 1e-12 * len(residual))
    freedom = len(residual) - taken.shape[1]

    def noise(ratio: float) -> float:
        return float((rest + (seen / (1.0 + ratio * size**2)).sum()) / freedom)

    def lost(log_ratio: float) -> float:
        """Minus twice the log likelihood, at a ratio of the variances of wandering and noise."""
        ratio = float(np.exp(log_ratio))
        return float(freedom * np.log(noise(ratio)) + np.log1p(ratio * size**2).sum())

    least = -2.0 * float(np.log(size.max())) - 5.0
    best = minimize_scalar(lost, bounds=(least, least + 35.0), method="bounded")
    if lost(-np.inf) - best.fun < 2.0 * LEAST_GAIN:
        return None
    ratio = float(np.exp(best.x))
    variance = noise(ratio)
    share = min(float(np.sqrt(ratio * variance)), SHARE_MOST)
    return known_wander(columns, aside, share, float(np.sqrt(variance)))


def known_wander(columns: Floats, aside: Floats, share: float, noise_degC: float) -> Wander:
    """Wandering of `columns` (n, k) that is known to be so strong, beside noise of the PV; `aside`
    (n, m) as in `find_wander`.
    """
    basis, size = _parts(np.column_stack([share * columns, COUPLING * aside]) / noise_degC)
    return Wander(basis, 1.0 - 1.0 / np.sqrt(1.0 + size**2), share)
