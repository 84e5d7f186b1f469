"""Which rows of a run log belong to a run, found while they come."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import State

Columns = Mapping[str, NDArray[Any]]

ANEW_MM = 20.0  # lengths that fall from above this to nothing begin anew
GOING = (
    State.EXECUTE,
    State.HOLDING,
    State.HELD,
    State.UNHOLDING,
    State.COMPLETING,
    State.STOPPING,
    State.ABORTING,
)
"""States in which a run that has begun to feed goes on, or comes to rest."""


@dataclass(frozen=True, slots=True)
class Part:
    """Rows of a run: whether it begins with the first of them, and whether it has ended."""

    rows: slice
    begins: bool
    ends: bool


class RunRows:
    """Follows a log in parts of any size. A run begins with the first row in Execute, and ends
    where the head leaves what belongs to a run (`GOING`) or its lengths begin anew.
    """

    def __init__(self) -> None:
        """Before the first row of a log."""
        self._going = False
        self._cord_mm: float | None = None

    def split(self, columns: Columns) -> Iterator[Part]:
        """The parts of runs in the next rows, in order; rows of no run are in none.

        Needs `state` and `output_position_mm`. A part that only tells of the end may be empty.
        """
        state, cord = columns["state"], columns["output_position_mm"]
        if not len(state):
            return
        before = np.concatenate(([cord[0] if self._cord_mm is None else self._cord_mm], cord[:-1]))
        self._cord_mm = float(cord[-1])
        anew = (before > ANEW_MM) & (cord < 1.0)
        starts = np.flatnonzero(state == State.EXECUTE)
        ends = np.flatnonzero(anew | ~np.isin(state, GOING))
        at = 0
        while at < len(state):
            begins = not self._going
            if begins:
                later = starts[np.searchsorted(starts, at) :]
                if not len(later):
                    return
                at = int(later[0])
            later = ends[np.searchsorted(ends, at + begins) :]
            self._going = not len(later)
            stop = len(state) if self._going else int(later[0])
            # the row with which it came to rest counts: a poll or two before it may be missing
            rests = not self._going and not anew[stop] and cord[stop] >= before[stop]
            yield Part(slice(at, stop + bool(rests)), begins, not self._going)
            at = stop
