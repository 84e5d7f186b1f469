"""Words of the strip schedule: strips at hand, the stagger rule, what goes where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from plylane.plan.bending import lane_extra_mm

Floats = NDArray[np.float64]
GRID_MM = 0.1
"""Nobody measures a strip finer: lengths are counted in whole tenths, always to the safe side."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip at hand. `thickness_mm` is None where nobody has measured it."""

    name: str
    length_mm: float
    thickness_mm: float | None = None


@dataclass(frozen=True, slots=True)
class StaggerRule:
    """How close joints may come, mm of cord.

    `joints_mm` between any two joints of the cord, `ends_mm` between a joint and either end.
    No strip is cut shorter than `shortest_mm`, since the drives must get hold of it.
    """

    joints_mm: float
    ends_mm: float = 0.0
    shortest_mm: float = 0.0


class LaneMap:
    """Length along the cord against length along a lane that lies off its middle.

    A lane at the offset y travels y times the turning angle more than the middle of the cord.
    """

    def __init__(self, cord_mm: ArrayLike, turning_rad: ArrayLike, offset_mm: float) -> None:
        """Cord lengths, rising from 0, and the angle turned up to each, both shape (n,).

        Raises ValueError where the lane would run backwards: a bend sharper than its offset.
        """
        self.offset_mm = offset_mm
        self.cord_mm = np.asarray(cord_mm, dtype=float)
        self.lane_mm = self.cord_mm + lane_extra_mm(turning_rad, offset_mm)
        if len(self.cord_mm) < 2 or self.cord_mm[0] != 0.0 or np.any(np.diff(self.cord_mm) <= 0.0):
            raise ValueError("cord lengths must rise from 0")
        back = np.diff(self.lane_mm) <= 0.0
        if np.any(back):
            at_mm = self.cord_mm[int(np.argmax(back))]
            raise ValueError(f"at {at_mm:.1f} mm the bend is sharper than the lane's offset")

    @classmethod
    def straight(cls, length_mm: float) -> LaneMap:
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
        """Length of strip laid when the cord is so long; beyond the end it goes on straight."""
        cord = np.asarray(cord_mm, dtype=float)
        beyond = np.maximum(0.0, cord - self.cord_end_mm)
        return np.asarray(np.interp(cord, self.cord_mm, self.lane_mm) + beyond)

    def to_cord(self, lane_mm: ArrayLike) -> Floats:
        """Cord laid when so much of the strip is; beyond the end it goes on straight."""
        lane = np.asarray(lane_mm, dtype=float)
        beyond = np.maximum(0.0, lane - self.length_mm)
        return np.asarray(np.interp(lane, self.lane_mm, self.cord_mm) + beyond)

    def same_as(self, other: LaneMap) -> bool:
        """Whether strips may be swapped between the two lanes, place by place."""
        return bool(np.array_equal(self.lane_mm, other.lane_mm))


@dataclass(frozen=True, slots=True)
class Piece:
    """A strip in its place: from `start_mm` to `end_mm` of the cord, `used_mm` of it.

    What is left of the strip is cut off: before it is loaded where a joint follows, at the end of
    the cord otherwise.
    """

    strip: Strip
    start_mm: float
    end_mm: float
    used_mm: float
    last: bool

    @property
    def offcut_mm(self) -> float:
        """What is left over."""
        return self.strip.length_mm - self.used_mm


@dataclass(frozen=True)
class Schedule:
    """Which strip goes in which lane in which order.

    `lanes` holds the pieces of each lane from the start of the cord; `needed_mm` what the lanes
    take together; `bound_mm` a total length of strips below which no schedule can be, proved.
    """

    lanes: tuple[tuple[Piece, ...], ...]
    needed_mm: float
    bound_mm: float

    @property
    def pieces(self) -> list[Piece]:
        """Every piece, lane by lane."""
        return [piece for lane in self.lanes for piece in lane]

    @cached_property
    def used_mm(self) -> float:
        """Length of all strips taken, whole."""
        return sum(piece.strip.length_mm for piece in self.pieces)

    @property
    def waste_mm(self) -> float:
        """Offcuts together."""
        return self.used_mm - self.needed_mm

    @property
    def gap(self) -> float:
        """How much of the strip length a better schedule could save at most, relative."""
        return max(0.0, self.used_mm - self.bound_mm) / self.bound_mm

    @property
    def optimal(self) -> bool:
        """Whether it is proved that no schedule takes less strip."""
        return self.used_mm <= self.bound_mm + GRID_MM / 2

    @property
    def joints_mm(self) -> list[tuple[float, int]]:
        """Cord positions of the joints, rising, each with its lane from 0."""
        found = [(p.end_mm, k) for k, lane in enumerate(self.lanes) for p in lane if not p.last]
        return sorted(found)

    @property
    def closest_mm(self) -> float | None:
        """The smallest distance between two joints; None with fewer than two."""
        at = [joint for joint, _ in self.joints_mm]
        return min((b - a for a, b in pairwise(at)), default=None)


class ScheduleError(ValueError):
    """There is no schedule, or none was found. The message says what is lacking.

    `proven` tells the two apart.
    """

    def __init__(self, text: str, *, proven: bool) -> None:
        super().__init__(text)
        self.proven = proven


def tenths(length_mm: float) -> int:
    """A strip's length in whole tenths of a millimetre, rounded down."""
    return int(np.floor(length_mm / GRID_MM + 1e-6))


def rounded_down(strips: Sequence[Strip]) -> list[Strip]:
    """The strips with their lengths in whole tenths."""
    return [Strip(s.name, tenths(s.length_mm) * GRID_MM, s.thickness_mm) for s in strips]
