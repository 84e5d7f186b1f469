"""Exact response of lags in series with dead time to an output that changes in steps.

A step of the output at time s adds, for each lag T, a part exp(-(t - s - L) / T) that dies away.
The parts of all steps are summed once at the steps themselves and then carried to the sample
times, so the dead time L may have any value, samples may be uneven, and nothing is approximated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plylane.tuning.record import Floats

SPREAD = 1e-4
"""Least relative distance of two lags. Partial fractions fail for equal ones; moving them apart
evenly by this share changes the response by its square only."""
LONGEST = 500.0
"""Longest stretch summed in one go, in lags: exp(500) is well within a double."""


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """An input that is piecewise constant: `level` before the first of the steps `size` at
    `time_s`.
    """

    level: float
    time_s: Floats
    size: Floats

    @classmethod
    def of(cls, time_s: Floats, value: Floats) -> Steps:
        """Steps of an input whose `value` (n) holds from `time_s` (n) until the next."""
        change = np.diff(value)
        at = np.flatnonzero(change)
        return cls(float(value[0]), time_s[at + 1], change[at])

    def at(self, time_s: Floats) -> Floats:
        """Value at those times, less `level`."""
        return self._sums()[np.searchsorted(self.time_s, time_s, side="right")]

    def _sums(self) -> Floats:
        return np.concatenate(([0.0], np.cumsum(self.size)))


def apart(lags_s: Sequence[float]) -> list[float]:
    """The lags in falling order, zeros left out, those that (nearly) coincide spread evenly."""
    groups: list[list[float]] = []
    for lag in sorted((lag for lag in lags_s if lag > 0.0), reverse=True):
        if groups and lag > groups[-1][-1] * (1.0 - SPREAD):
            groups[-1].append(lag)
        else:
            groups.append([lag])
    return [lag for group in groups for lag in _spread(group)]


def _spread(group: list[float]) -> list[float]:
    mean, middle = sum(group) / len(group), (len(group) - 1) / 2.0
    if len(group) == 1:
        return group
    return [mean * (1.0 + SPREAD * (middle - place)) for place in range(len(group))]


def shares(lags_s: Sequence[float]) -> list[float]:
    """Share of each of several different lags in their common step response; they sum to one."""
    share = []
    for number, lag in enumerate(lags_s):
        others = [other for place, other in enumerate(lags_s) if place != number]
        product = 1.0
        for other in others:
            product *= lag / (lag - other)
        share.append(product)
    return share


def _carried(steps: Steps, lag_s: float) -> Floats:
    """Just after each step, what is left of it and of all before it; zero before the first (m + 1).

    Sums of growing exponentials, brought back to size at the end, over stretches short enough for a
    double.
    """
    since = (steps.time_s - steps.time_s[0]) / lag_s
    left = np.zeros(len(since) + 1)
    start = 0
    while start < len(since):
        end = int(np.searchsorted(since, since[start] + LONGEST, side="right"))
        grown = np.exp(since[start:end] - since[start])
        before = left[start] * np.exp(since[start - 1] - since[start]) if start else 0.0
        left[start + 1 : end + 1] = (before + np.cumsum(steps.size[start:end] * grown)) / grown
        start = end
    return left


def _dying(steps: Steps, lag_s: float, time_s: Floats, last: NDArray[np.intp]) -> Floats:
    since = np.maximum(time_s - np.concatenate(([time_s[0]], steps.time_s))[last], 0.0)
    result: Floats = _carried(steps, lag_s)[last] * np.exp(-since / lag_s)
    return result


def response(steps: Steps, lags_s: Sequence[float], dead_time_s: float, time_s: Floats) -> Floats:
    """Response (n) of a unit gain with those lags and dead time at `time_s` (n), from rest at
    `level`.
    """
    if len(steps.time_s) == 0:
        return np.zeros_like(time_s)
    shifted = time_s - dead_time_s
    last = np.searchsorted(steps.time_s, shifted, side="right")
    result = steps._sums()[last]
    lags = apart(lags_s)
    for lag, share in zip(lags, shares(lags), strict=True):
        result = result - share * _dying(steps, lag, shifted, last)
    return result
