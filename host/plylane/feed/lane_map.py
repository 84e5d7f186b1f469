"""Length along the cord against length along a lane that lies off its middle."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


class Bend(Protocol):
    """A stretch of constant curvature; a turn to the left is positive."""

    @property
    def start_mm(self) -> float:
        """Where it begins, mm of cord."""

    @property
    def radius_mm(self) -> float:
        """Radius of the middle of the cord."""

    @property
    def turn_deg(self) -> float:
        """Angle turned in it."""


class LaneMap:
    """A lane at offset y travels the turning angle times y more than the middle of the cord.

    Geometry of parallel curves. Straight before the first bend, between bends and after the last.
    """

    def __init__(self, bends: Sequence[Bend], offset_mm: float) -> None:
        """`offset_mm`: outwards in a left turn positive.

        Raises ValueError for bends that overlap, and where the lane would run backwards: a bend
        sharper than its offset.
        """
        points = list(_corners(sorted(bends, key=lambda bend: bend.start_mm)))
        self._cord_mm = np.array([cord_mm for cord_mm, _ in points])
        self._lane_mm = self._cord_mm + offset_mm * np.array([turned for _, turned in points])
        if np.any((np.diff(self._lane_mm) <= 0.0) & (np.diff(self._cord_mm) > 0.0)):
            raise ValueError("a curve's radius_mm is less than a lane's distance from the middle")

    def to_lane(self, cord_mm: float) -> float:
        """Length of lane when the cord is so long, both from the start of the cord, mm."""
        return _along(cord_mm, self._cord_mm, self._lane_mm)

    def to_cord(self, lane_mm: float) -> float:
        """Length of cord when the lane is so long."""
        return _along(lane_mm, self._lane_mm, self._cord_mm)


def _corners(bends: Sequence[Bend]) -> Iterator[tuple[float, float]]:
    """(cord length, angle turned in rad) at the ends of every bend."""
    turned, at_mm = 0.0, 0.0
    yield at_mm, turned
    for bend in bends:
        if bend.start_mm < at_mm - 1e-9:
            raise ValueError(f"the curve at {bend.start_mm:g} mm begins before the one before ends")
        yield bend.start_mm, turned
        angle = math.radians(bend.turn_deg)
        turned, at_mm = turned + angle, bend.start_mm + bend.radius_mm * abs(angle)
        yield at_mm, turned


def _along(at: float, points: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Straight between the points, and straight on with a slope of one beyond both ends."""
    beyond = min(0.0, at - points[0]) + max(0.0, at - points[-1])
    return float(np.interp(at, points, values) + beyond)
