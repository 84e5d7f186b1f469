"""A run drawn along its time: bands of states, curves thinned for drawing, round times.

What the screens and the report share; plain functions and values.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import State
from plylane.trends import FloatArray

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800)


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of a run in one state."""

    start_s: float
    end_s: float
    state: State


def state_bands(time_s: FloatArray, states: NDArray[Any]) -> list[Band]:
    """The states of a run one after the other; a number that is no state becomes Stopped."""
    if not len(time_s):
        return []
    turns = np.flatnonzero(np.diff(states)) + 1
    edges = [0, *turns.tolist(), len(time_s)]
    ends = [*time_s[turns].tolist(), float(time_s[-1])]
    return [
        Band(float(time_s[a]), end, _state(int(states[a])))
        for (a, _), end in zip(pairwise(edges), ends, strict=True)
    ]


def _state(number: int) -> State:
    try:
        return State(number)
    except ValueError:
        return State.STOPPED


def thinned(
    time_s: FloatArray, values: NDArray[Any], start_s: float, end_s: float, columns: int
) -> tuple[FloatArray, FloatArray]:
    """The curve between two times with at most two points a column, its lowest and highest.

    Times (s) and values, shape (n,); so no peak goes missing and drawing costs the same
    however long the run is. Values that are not finite are left out.
    """
    first = max(0, int(np.searchsorted(time_s, start_s)) - 1)
    last = int(np.searchsorted(time_s, end_s, side="right")) + 1
    t, v = time_s[first:last], np.asarray(values[first:last], dtype=np.float64)
    good = np.isfinite(v)
    if not good.all():
        t, v = t[good], v[good]
    if len(t) <= 2 * columns:
        return t, v
    edges = np.unique(np.searchsorted(t, np.linspace(t[0], t[-1], columns, endpoint=False)))
    low, high = np.minimum.reduceat(v, edges), np.maximum.reduceat(v, edges)
    rising = v[np.append(edges[1:], len(v)) - 1] >= v[edges]
    pairs = np.empty((len(edges), 2))
    pairs[:, 0] = np.where(rising, low, high)
    pairs[:, 1] = np.where(rising, high, low)
    return np.repeat(t[edges], 2), pairs.ravel()


def round_times(start_s: float, end_s: float, most: float) -> list[float]:
    """Round times between two, a step of the clock apart, about `most` of them at most."""
    wanted = (end_s - start_s) / most
    step = next((s for s in _STEPS_S if s >= wanted), _STEPS_S[-1])
    first, last = int(np.ceil(start_s / step)), int(np.floor(end_s / step))
    return [float(k * step) for k in range(first, last + 1)]
