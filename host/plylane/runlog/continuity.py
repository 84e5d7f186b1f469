"""Where the rows of a log do not follow on one another: gaps, resets of the head, clocks parted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

GAP_S = 1.0
"""Longest step between rows that is not worth a word; polls come fifty a second."""
PARTED_S = 0.5
"""How far the clocks may part from one row to the next before it is told."""
_PARTED_SHARE = 2e-3  # of the step: drift of a ceramic resonator is below that
_WRAP_MS = 2**32

_SENTENCES = {
    "gap": "no rows for {length_s:.1f} s after {time_s:.1f} s",
    "reset": "the head was reset at {time_s:.1f} s",
    "parted": "the head's clock and the host's parted by {length_s:.1f} s at {time_s:.1f} s",
    "back": "time runs back by {length_s:.3f} s at {time_s:.1f} s",
}


@dataclass(frozen=True, slots=True)
class Break:
    """One place. `kind` is gap, reset, parted or back; `time_s` where, `length_s` how much."""

    kind: str
    time_s: float
    length_s: float

    @property
    def text(self) -> str:
        """In words."""
        return _SENTENCES[self.kind].format(time_s=self.time_s, length_s=self.length_s)


class Continuity:
    """Looks through a log part by part."""

    def __init__(self) -> None:
        self.breaks: list[Break] = []
        self._time_s, self._head_ms = math.nan, math.nan

    def follow(self, time_s: NDArray[np.float64], head_ms: NDArray[Any]) -> list[int]:
        """Take the next rows: arrays of shape (rows,), s and ms (wrapping at 2^32).

        Returns which of these rows are the first after a reset of the head.
        """
        if not len(time_s):
            return []
        times = np.append(self._time_s, time_s)
        head = np.append(self._head_ms, head_ms.astype(np.float64))
        step_s, step_ms = np.diff(times), np.diff(head) % _WRAP_MS
        reset = step_ms >= _WRAP_MS / 2
        parted_s = step_s - step_ms / 1000.0
        parted = ~reset & (np.abs(parted_s) > PARTED_S + _PARTED_SHARE * np.abs(step_s))
        for kind, where, lengths_s in (
            ("back", step_s < 0, -step_s),
            ("gap", step_s > GAP_S, step_s),
            ("reset", reset, step_s),
            ("parted", parted, np.abs(parted_s)),
        ):
            # a gap begins with the row before it
            at = times[:-1] if kind == "gap" else times[1:]
            self.breaks += [
                Break(kind, float(at[k]), float(lengths_s[k])) for k in np.flatnonzero(where)
            ]
        self._time_s, self._head_ms = float(times[-1]), float(head[-1])
        return [int(row) for row in np.flatnonzero(reset)]
