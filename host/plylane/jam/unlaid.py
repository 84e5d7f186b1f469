"""Did cord come out while the permit was gone? Whoever lays it had stopped."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from plylane.head.registers import Inputs
from plylane.jam.finding import CORD_NOT_LAID, Finding
from plylane.jam.lengths import Rows

_PERMIT = int(Inputs.PERMIT_GIVEN)
_FED_MM = 1.0  # cord that is pulled by hand while nothing is fed is somebody's own doing
_UNLAID_MM = 1.5


class Unlaid:
    """Looks at every row, in whatever state, as braking leaves Execute."""

    def __init__(self) -> None:
        self._from: tuple[float, float, float] | None = None  # time, feed, output with the permit
        self._told = False

    def passes(self, time_s: float, feed_mm: float, output_mm: float, inputs: int) -> bool:
        """Whether the permit is given: then the row counts as seen."""
        if not inputs & _PERMIT:
            return False
        self._remember(time_s, feed_mm, output_mm)
        return True

    def look(self, rows: Rows) -> Iterator[Finding]:
        """Findings in these rows; none where the permit is not logged."""
        if rows.inputs is None or not len(rows):
            return
        given = (rows.inputs.astype(np.int64) & _PERMIT) != 0
        feed, output = rows.lengths_mm[:2]
        if not given.all():
            for at in np.flatnonzero(~given).tolist():
                if at > 0 and given[at - 1]:
                    self._remember(*_lengths(rows, at - 1))
                if self._from is None or self._told:
                    continue
                time_s, fed_mm, out_mm = self._from
                unlaid_mm = float(output[at]) - out_mm
                if unlaid_mm >= _UNLAID_MM and feed[at] - fed_mm >= _FED_MM:
                    self._told = True
                    evidence = {"onset_s": time_s, "output_mm": unlaid_mm}
                    yield Finding(CORD_NOT_LAID, float(rows.time_s[at]), None, unlaid_mm, evidence)
        if given[-1]:
            self._remember(*_lengths(rows, len(rows) - 1))

    def _remember(self, *now: float) -> None:
        time_s, fed_mm, out_mm = now
        self._from = (time_s, fed_mm, out_mm) if all(map(math.isfinite, now)) else None
        self._told = False


def _lengths(rows: Rows, at: int) -> tuple[float, float, float]:
    feed, output = rows.lengths_mm[:2]
    return float(rows.time_s[at]), float(feed[at]), float(output[at])
