"""Length along the cord against length along a lane that lies off its middle."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Protocol, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


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
    """A lane at the offset y travels y times the turning angle more than the middle of the cord.

    Geometry of parallel curves. Straight on before the start and behind the end.
    """

    def __init__(self, cord_mm: ArrayLike, turning_rad: ArrayLike, offset_mm: float) -> None:
        """Cord lengths, rising from 0, and the angle turned up to each, both shape (n,).

        `offset_mm`: outwards in a left turn positive. Raises ValueError where the lane would run
        backwards: a bend sharper than its offset.
        """
        self.offset_mm = offset_mm
        self.cord_mm = np.asarray(cord_mm, dtype=float)
        self.lane_mm = self.cord_mm + np.asarray(turning_rad) * offset_mm
        if len(self.cord_mm) < 2 or self.cord_mm[0] != 0.0 or np.any(np.diff(self.cord_mm) <= 0.0):
            raise ValueError("cord lengths must rise from 0")
        back = np.diff(self.lane_mm) <= 0.0
        if np.any(back):
            at_mm = self.cord_mm[int(np.argmax(back))]
            raise ValueError(f"at {at_mm:.1f} mm the bend is sharper than the lane's offset")

    @classmethod
    def of_bends(cls, bends: Sequence[Bend], offset_mm: float) -> Self:
        """Straight before the first bend, between bends and after the last.

        Raises ValueError for bends that overlap too.
        """
        corners = dict(_corners(sorted(bends, key=lambda bend: bend.start_mm)))
        return cls(list(corners), list(corners.values()), offset_mm)

    @classmethod
    def straight(cls, length_mm: float) -> Self:
        """A lane of a straight cord."""
        return cls([0.0, length_mm], [0.0, 0.0], 0.0)

    @property
    def cord_end_mm(self) -> float:
        """Length of the cord."""
        return float(self.cord_mm[-1])

    @property
    def length_mm(self) -> float:
        """Length of strip that the lane takes."""
        return float(self.lane_mm[-1])

    def to_lane(self, cord_mm: ArrayLike) -> Floats:
        """Length of lane when the cord is so long, both from the start of the cord, mm."""
        return _along(cord_mm, self.cord_mm, self.lane_mm)

    def to_cord(self, lane_mm: ArrayLike) -> Floats:
        """Length of cord when the lane is so long."""
        return _along(lane_mm, self.lane_mm, self.cord_mm)

    def backwards(self) -> LaneMap:
        """The same lane from the other end."""
        extra = (self.lane_mm - self.cord_mm)[::-1]
        turning = (extra[0] - extra) / self.offset_mm if self.offset_mm else 0.0 * extra
        return LaneMap(self.cord_end_mm - self.cord_mm[::-1], turning, self.offset_mm)

    def same_as(self, other: LaneMap) -> bool:
        """Whether strips may be swapped between the two lanes, place by place."""
        return bool(np.array_equal(self.lane_mm, other.lane_mm))


def _corners(bends: Sequence[Bend]) -> Iterator[tuple[float, float]]:
    """(cord length, angle turned in rad) at the ends of every bend, and a little straight cord."""
    turned, at_mm = 0.0, 0.0
    yield at_mm, turned
    for bend in bends:
        if bend.start_mm < at_mm - 1e-9:
            raise ValueError(f"the curve at {bend.start_mm:g} mm begins before the one before ends")
        start_mm = max(at_mm, bend.start_mm)
        yield start_mm, turned
        angle = math.radians(bend.turn_deg)
        turned, at_mm = turned + angle, start_mm + bend.radius_mm * abs(angle)
        yield at_mm, turned
    yield at_mm + 1.0, turned


def _along(at: ArrayLike, points: Floats, values: Floats) -> Floats:
    """Straight between the points, and straight on with a slope of one beyond both ends."""
    wanted = np.asarray(at, dtype=float)
    inside = np.minimum(np.maximum(wanted, points[0]), points[-1])
    return np.asarray(np.interp(inside, points, values) + (wanted - inside))
