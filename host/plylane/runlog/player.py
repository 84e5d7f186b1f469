"""Replaying a run in time. Reading is the reader's job; this one only says which rows are due."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from plylane.head.clock import Clock

_LOOK_AGAIN_S = 0.05  # while held


class Player:
    """Says which row of a run is due, at any pace, with long gaps shortened.

    Pull: a screen asks `row_due()` at each redraw. Push: iterate to be given every row number at
    its moment. `pace` is run seconds a clock second.
    """

    def __init__(
        self,
        time_s: NDArray[np.float64],
        clock: Clock,
        *,
        pace: float = 1.0,
        longest_gap_s: float = float("inf"),
    ) -> None:
        """`time_s`: the rows' times, shape (rows,). Raises ValueError unless pace and gap > 0.

        Time that runs backwards in the log (a host clock set back) counts as no time at all.
        """
        if not longest_gap_s > 0:
            raise ValueError(f"longest_gap_s: {longest_gap_s:g} must be above 0")
        gaps = np.clip(np.diff(time_s, prepend=time_s[:1]), 0.0, longest_gap_s)
        self._time_s = np.maximum.accumulate(time_s)
        self._play_s = np.cumsum(gaps)
        self._clock = clock
        self._held = False
        self._next = 0
        self._from_play_s, self._from_clock_s = 0.0, clock.now()
        self.set_pace(pace)

    @property
    def position_s(self) -> float:
        """Seconds of replay behind us, long gaps shortened, never past the end."""
        passed = 0.0 if self._held else (self._clock.now() - self._from_clock_s) * self._pace
        return min(self._from_play_s + passed, self._length_s)

    @property
    def ended(self) -> bool:
        """Whether the last row is due."""
        return self.position_s >= self._length_s

    @property
    def _length_s(self) -> float:
        return float(self._play_s[-1]) if len(self._play_s) else 0.0

    def row_due(self) -> int:
        """Number of the newest row due; -1 for an empty run."""
        return int(np.searchsorted(self._play_s, self.position_s, side="right")) - 1

    def set_pace(self, pace: float) -> None:
        """Change the pace from here on. Raises ValueError unless above 0."""
        if not 0 < pace < float("inf"):
            raise ValueError(f"pace: {pace:g} must be above 0")
        self._start_from(self.position_s if hasattr(self, "_pace") else 0.0)
        self._pace = pace

    def hold(self, held: bool = True) -> None:
        """Stand still, or go on."""
        self._start_from(self.position_s)
        self._held = held

    def jump(self, time_s: float) -> int:
        """Go to the first row at or after a time of the run (the last one past the end)."""
        row = min(int(np.searchsorted(self._time_s, time_s)), len(self._time_s) - 1)
        if row >= 0:
            self._start_from(float(self._play_s[row]))
            self._next = row
        return row

    def __iter__(self) -> Iterator[int]:
        """Every row number from the start or the last jump on, each when it is due."""
        while self._next < len(self._play_s):
            row = self._next
            self._wait_for(row)
            if row == self._next:  # else somebody jumped while we waited
                self._next += 1
                yield row

    def _wait_for(self, row: int) -> None:
        # towards an instant of the clock: a rest of replay time may be too small for it to show
        while (missing_s := self._due_s(row) - self._clock.now()) > 0:
            self._clock.sleep(_LOOK_AGAIN_S if self._held else missing_s)

    def _due_s(self, row: int) -> float:
        """When a row is due, on the clock."""
        if self._held:
            return math.inf
        return self._from_clock_s + (float(self._play_s[row]) - self._from_play_s) / self._pace

    def _start_from(self, play_s: float) -> None:
        self._from_play_s, self._from_clock_s = play_s, self._clock.now()
