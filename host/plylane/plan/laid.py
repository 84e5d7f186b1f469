"""At what speed and temperatures the cord of a run was laid, found while its rows come."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from itertools import count, takewhile

import numpy as np

from plylane.plan.departures import Whole, laid_um, whole_parts
from plylane.plan.run_rows import Columns, RunRows
from plylane.plan.strips import Floats

SPEED_STEP_MM_S, STEP_K = 0.01, 0.1
"""As fine as the head tells them."""


@dataclass(frozen=True, slots=True)
class Spread:
    """The middle of values over the length of cord, and what 90 % of that length lies between."""

    low: float
    median: float
    high: float


@dataclass(frozen=True, slots=True)
class LaidAt:
    """Where the last run that fed was laid, of every zone its measured temperature."""

    speed_mm_s: Spread
    zone_degC: tuple[Spread, ...]


class LaidCord:
    """Follows a log in parts of any size; of the last run that fed counts what it laid."""

    def __init__(self) -> None:
        """Before the first row of a log."""
        self._rows = RunRows()
        self._begin(())

    def _begin(self, columns: Collection[str]) -> None:
        self._at_mm: float | None = None
        self._speed: Counter[int] = Counter()
        zones = takewhile(lambda k: _pv(k) in columns, count(1))
        self._zones: dict[str, Counter[int]] = {_pv(k): Counter() for k in zones}

    def take(self, columns: Columns) -> None:
        """The next rows; `columns` are those of `columns_needed`."""
        for part in self._rows.split(columns):
            if part.begins:
                self._begin(columns)
            run = {name: values[part.rows] for name, values in columns.items()}
            if not len(run["state"]):
                continue
            laid = laid_um(run, self._at_mm)
            self._at_mm = float(run["output_position_mm"][-1])
            _count(self._speed, run["feed_speed_mm_s"], SPEED_STEP_MM_S, laid)
            for name, counter in self._zones.items():
                _count(counter, run[name], STEP_K, laid)

    def found(self) -> LaidAt | None:
        """None where no cord was laid."""
        if not self._speed:
            return None
        zones = tuple(_spread(counter, STEP_K) for counter in self._zones.values())
        return LaidAt(_spread(self._speed, SPEED_STEP_MM_S), zones)


def _pv(zone: int) -> str:
    return f"zone{zone}_pv_degC"


def _count(counter: Counter[int], values: Floats, step: float, laid: Whole) -> None:
    """Add the micrometres laid to the step that each value is in."""
    um = laid[laid > 0]
    steps, which = np.unique(whole_parts(values[laid > 0], 1.0 / step), return_inverse=True)
    sums = np.bincount(which, um, len(steps))
    for at, length in zip(steps.tolist(), sums.tolist(), strict=True):
        counter[at] += int(length)


def _spread(counter: Counter[int], step: float) -> Spread:
    steps = sorted(counter)
    share = np.cumsum([counter[at] for at in steps]) / counter.total()
    low, median, high = (steps[int(np.searchsorted(share, p))] * step for p in (0.05, 0.5, 0.95))
    return Spread(low, median, high)
