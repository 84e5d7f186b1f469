"""Where strips end: what tells a strip that ran out from a lane wheel that stands.

Both look the same to the wheels. But a strip runs out where it ends, which the lanes' book knows to
within the measuring of the strip and the calibration of the lane wheel, and a wheel gets stuck
anywhere. Which of the two it is follows by Bayes' rule from where the lane came to stand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

_BREAKS = 0.01  # share of the strips that end elsewhere: they broke, or were cut to another length


@dataclass(frozen=True, slots=True)
class StripEnds:
    """From `from_s` on the strips of a lane (from 1) end at these lengths of it, mm, in order.

    Lengths as the head counts them, those of `lane1_position_mm`. The last one may be where the
    lane runs out, the others are joints: there it runs out if the next strip does not follow.
    """

    from_s: float
    lane: int
    ends_mm: tuple[float, ...]


class Ends:
    """All that was told of strips, in the order of time."""

    def __init__(self, told: Iterable[StripEnds], sd_mm: Callable[[float], float]) -> None:
        """`sd_mm`: standard deviation of an end by how much of its lane has gone before."""
        self._told = list(told)
        self._sd_mm = sd_mm

    def add(self, ends: StripEnds) -> None:
        """More was told."""
        self._told.append(ends)

    def near(self, lane: int, time_s: float, at_mm: float) -> Near | None:
        """The end that is nearest, `lane` from 0; None where nothing is known."""
        known = [one for one in self._told if one.lane == lane + 1 and one.from_s <= time_s]
        if not known or not known[-1].ends_mm:
            return None
        ends = known[-1].ends_mm
        nearest = min(ends, key=lambda end_mm: abs(at_mm - end_mm))
        sd_mm = self._sd_mm(nearest)
        return Near(at_mm - nearest, sd_mm, max(ends[-1] / len(ends), sd_mm))


@dataclass(frozen=True, slots=True)
class Near:
    """How far beyond the nearest end a lane stands, its standard deviation, a strip's length."""

    beyond_mm: float
    sd_mm: float
    strip_mm: float

    @property
    def ran_out(self) -> float:
        """How likely the strip ran out and the wheel is free, given that it is one of the two."""
        at_the_end = math.exp(-0.5 * (self.beyond_mm / self.sd_mm) ** 2) / (
            self.sd_mm * math.sqrt(2.0 * math.pi)
        )
        anywhere = 1.0 / self.strip_mm
        out = (1.0 - _BREAKS) * at_the_end + _BREAKS * anywhere
        return out / (out + anywhere)
