"""Thresholds from what a user understands: one false alarm in so many hours.

The average run length (ARL) of a one-sided CUSUM with reference value k and threshold h on normal
samples of standard deviation 1, by Siegmund's formula and by the integral equation of Page that
Brook and Evans approximate with a Markov chain; and the threshold that gives a wanted ARL.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

_NODES = 80
_HALVINGS = 50
_LARGEST = 600.0  # exponent beyond which no alarm is ever false
_OVERSHOOT = 1.166
"""Siegmund's correction for the overshoot of a discrete sum, 2 x 0.583."""


def siegmund_arl(k: float, h: float, mean: float = 0.0) -> float:
    """ARL of a one-sided CUSUM on normal samples of that mean and standard deviation 1.

    D. Siegmund, Sequential Analysis, 1985; D.C. Montgomery, Introduction to Statistical Quality
    Control. Within about 1 % for means up to 1, low by up to 17 % far above.
    """
    drift, b = mean - k, h + _OVERSHOOT
    if abs(drift) * b < 1e-6:
        return b * b
    grown = math.exp(min(-2.0 * drift * b, _LARGEST))
    return (grown + 2.0 * drift * b - 1.0) / (2.0 * drift * drift)


def integral_arl(k: float, h: float, mean: float = 0.0) -> float:
    """The same from Page's integral equation, solved at Gauss-Legendre nodes (exact to 1e-6).

    E.S. Page 1954; D. Brook and D.A. Evans, Biometrika 59 (1972), whose Markov chain it refines.
    """
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    at, w = h * (nodes + 1.0) / 2.0, h * weights / 2.0
    density = _normal(at[np.newaxis, :] + k - mean - at[:, np.newaxis])
    to_zero = _below(k - mean - at)
    # unknowns: the run lengths from each node, and from zero
    system = np.eye(_NODES + 1)
    system[:_NODES, :_NODES] -= density * w
    system[:_NODES, _NODES] -= to_zero
    system[_NODES, :_NODES] -= _normal(at + k - mean) * w
    system[_NODES, _NODES] -= _below(np.array([k - mean]))[0]
    return float(np.linalg.solve(system, np.ones(_NODES + 1))[_NODES])


def threshold(k: float, arl: float) -> float:
    """The threshold h, in standard deviations, at which `siegmund_arl` is `arl` at no change."""
    if not arl > siegmund_arl(k, 0.0):
        return 0.0
    low, high = 0.0, 1.0
    while siegmund_arl(k, high) < arl:
        low, high = high, high * 2.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if siegmund_arl(k, middle) < arl else (low, middle)
    return high


def length_threshold_mm(
    allowance: float, wander_mm: float, per_mm: float, hours: float, speed_mm_s: float
) -> float:
    """Threshold (mm) of a length residual for one false alarm in `hours` of feeding.

    The residual wanders by `wander_mm` (standard deviation) over each `per_mm` of feed, which must
    be long enough for what remains to be independent; the allowance is a share of the feed.
    """
    samples = hours * 3600.0 * speed_mm_s / per_mm
    return wander_mm * threshold(allowance * per_mm / wander_mm, samples)


def _normal(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Density of the standard normal distribution."""
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi))


def _below(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Its distribution function."""
    return np.array([0.5 * math.erfc(-value / math.sqrt(2.0)) for value in x])
