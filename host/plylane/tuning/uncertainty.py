"""Standard errors where residuals are correlated.

Ordinary least squares would take every sample as news. Residuals of a heater record are not: the
converter rounds a slow PV the same way many times over, air and supply wander. The covariance is
therefore the sandwich (J'J)^-1 M (J'J)^-1 with two parts in M:

1. what the residuals show: sum over lags of J_t r_t r_(t+l) J_(t+l)' with Bartlett's falling
   weights (W. K. Newey, K. D. West, Econometrica 55 (1987) 703-708), lags up to four times the
   residuals' own correlation time, times n / (n - p);
2. what they cannot show: rounding by the same amount over a whole plateau is taken up by baseline
   and gain and leaves no residual. The PV's resolution q is read off the record. Samples between
   which the model rests or turns within q share their rounding error (a PV that passes through
   meets errors of both signs alike); noise of standard deviation s before the
   converter dithers it down to the variance (q^2 / 2 pi^2) exp(-4 pi^2 s^2 / q^2), the first
   harmonic of the rounding's saw-tooth (B. Widrow, I. Kollar, Quantization Noise, 2008, ch. 5).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from plylane.tuning.record import Floats


def correlation_samples(residual: Floats) -> float:
    """Correlation time of the residuals in samples, one where they are white.

    1 + 2 sum of autocorrelations up to the first that is not clearly above zero.
    """
    count = len(residual)
    spectrum = np.abs(np.fft.rfft(residual, 2 * count)) ** 2
    covariance = np.fft.irfft(spectrum)[: count // 3]
    if covariance[0] <= 0.0:
        return 1.0
    correlation = covariance / covariance[0]
    low = correlation < 2.0 / np.sqrt(count)
    end = int(np.argmax(low)) if low.any() else len(correlation)
    return max(1.0, float(1.0 + 2.0 * correlation[1:end].sum()))


def _shown(jacobian: Floats, residual: Floats) -> Floats:
    count, parameters = jacobian.shape
    scores = jacobian * residual[:, None]
    reach = min(count // 4, int(np.ceil(4.0 * correlation_samples(residual))))
    middle = scores.T @ scores
    for lag in range(1, reach):
        part = scores[lag:].T @ scores[:-lag]
        middle += (1.0 - lag / reach) * (part + part.T)
    return np.asarray(middle * count / (count - parameters))


def _stretches(model_degC: Floats, step_degC: float) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Stretches of samples within one resolution step: number (n) of each sample's stretch, and for
    each stretch whether the PV turns or rests in it, rather than passing from one side to the
    other.
    """
    cell = np.floor(model_degC / step_degC)
    moves = np.diff(cell)
    number = np.cumsum(np.concatenate(([0], moves != 0.0))).astype(np.intp)
    way = np.sign(moves[moves != 0.0])
    passes = np.concatenate(([False], way[1:] == way[:-1], [False]))
    return number, ~passes if len(way) else np.array([True])


def rounding_variance(step_degC: float, noise_degC: float) -> float:
    """Variance of the rounding error that dither by that noise leaves (K^2)."""
    dither = np.exp(-4.0 * (np.pi * noise_degC / step_degC) ** 2)
    return float(step_degC**2 / (2.0 * np.pi**2) * dither)


def _hidden(jacobian: Floats, fitted_degC: Floats, residual: Floats, step_degC: float) -> Floats:
    rms = float(np.sqrt(np.mean(residual**2)))
    if step_degC < 0.05 * rms or step_degC == 0.0:
        return np.zeros((jacobian.shape[1], jacobian.shape[1]))
    noise = np.sqrt(max(rms**2 - step_degC**2 / 12.0, 0.0))
    number, rests = _stretches(fitted_degC, step_degC)
    sums = np.zeros((len(rests), jacobian.shape[1]))
    np.add.at(sums, number, jacobian)
    sums = sums[rests]
    return np.asarray(rounding_variance(step_degC, noise) * (sums.T @ sums))


def covariance(
    jacobian: Floats,
    fitted_degC: Floats,
    residual: Floats,
    step_degC: float,
    whiten: Callable[[Floats], Floats] | None = None,
) -> Floats:
    """Covariance (p, p) of parameters fitted by least squares.

    `jacobian` (n, p) of the model, `fitted_degC` (n) its PV, `residual` (n), `step_degC` the PV's
    resolution. `whiten`: the symmetric operation by which the noise of the fit was made even, with
    the residual whitened; then the law of that noise is reckoned with too, residuals that hang
    together counting as one, and the larger error stands. Parameters that the record does
    not determine get a variance beyond use, never a small one.
    """
    white = jacobian if whiten is None else whiten(jacobian)
    scale = np.sqrt((white**2).sum(axis=0))
    scale[scale == 0.0] = 1e-12
    scaled = white / scale
    square = scaled.T @ scaled
    bread = np.linalg.inv(square + 1e-13 * np.eye(len(scale)))
    shown = bread @ _shown(scaled, residual) @ bread
    if whiten is not None:
        variance = float(residual @ residual) / (len(residual) - len(scale))
        shown = _wider(correlation_samples(residual) * variance * bread, shown)
        scaled = whiten(scaled)
    hidden = bread @ _hidden(scaled, fitted_degC, residual, step_degC) @ bread
    return np.asarray((shown + hidden) / np.outer(scale, scale))


def _wider(one: Floats, other: Floats) -> Floats:
    """The first covariance, each variance raised to the second's where that is larger."""
    factor = np.sqrt(np.maximum(np.diag(other) / np.diag(one), 1.0))
    return np.asarray(one * np.outer(factor, factor))
