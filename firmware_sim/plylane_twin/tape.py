"""A technician with a tape at the twin: true lengths, read as a person reads them.

Nothing in the host knows this: it is how tests and benchmarks answer when the host asks for a
measured length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from plylane_twin.stand import Stand

ALONE_CREEP = 0.0001
"""Largest slip of a test strip that hangs free: about 0.015 N of its weight on the roller."""


@dataclass(frozen=True, slots=True)
class Tape:
    """A tape as bought: `resolution_mm` it is read to, `limit_mm + limit_mm_per_m` of its error
    (drawn once), `hand_mm` standard deviation of laying on and reading, both ends together.
    """

    resolution_mm: float = 0.5
    limit_mm: float = 0.3
    limit_mm_per_m: float = 0.2
    hand_mm: float = 0.15


class Technician:
    """Marks what lies in the head, and reads later how far the mark has gone."""

    def __init__(self, stand: Stand, seed: int = 0, tape: Tape | None = None) -> None:
        """`seed`: of this tape's own error and of the hand that reads it."""
        self.stand, self.tape = stand, tape or Tape()
        self._rng = np.random.default_rng([seed, 0x7A9E])
        share = self._rng.uniform(-1.0, 1.0)
        self._constant_mm = share * self.tape.limit_mm
        self._slope = share * self.tape.limit_mm_per_m * 1e-3
        self._creep = self._rng.uniform(0.0, ALONE_CREEP)
        self.mark()

    def mark(self) -> None:
        """Put marks on rollers, cord and strips, where they stand now."""
        plant = self.stand.plant
        self._rollers = [plant.roller[d].travel_mm for d in range(3)]
        self._cord = plant.cord_mm
        self._strips = [plant.lane[k].fed_mm for k in range(plant.set.lanes)]

    def test_strip(self, drive: int) -> float:
        """Length of a free test strip that the roller of a drive (from 0) has moved, as read."""
        true = self.stand.plant.roller[drive].travel_mm - self._rollers[drive]
        return self._read(true * (1.0 - self._creep))

    def cord(self) -> float:
        """Length of cord laid since the mark, as read."""
        return self._read(self.stand.plant.cord_mm - self._cord)

    def strip(self, lane: int) -> float:
        """Length of strip drawn into a lane (from 0) since the mark, as read."""
        return self._read(self.stand.plant.lane[lane].fed_mm - self._strips[lane])

    def _read(self, true_mm: float) -> float:
        """Tape's error, hand, rounding to the tape's step."""
        shown = true_mm * (1.0 + self._slope) + self._constant_mm
        shown += self.tape.hand_mm * float(self._rng.standard_normal())
        step = self.tape.resolution_mm
        return round(shown / step) * step
