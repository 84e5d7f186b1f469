"""Words of the strip schedule: strips at hand, the stagger rule, what goes where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Joints = list[list[float]]
"""Cord positions of the joints of each lane, mm."""
NEAR = 1e-6
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


@dataclass(frozen=True)
class Addition:
    """A change that makes a schedule, in words, and that schedule."""

    what: str
    schedule: Schedule


class ScheduleError(ValueError):
    """There is no schedule, or none was found. The message says what is lacking.

    `proven` tells the two apart; each of `additions` alone would do.
    """

    def __init__(self, text: str, *, proven: bool, additions: tuple[Addition, ...] = ()) -> None:
        super().__init__(text)
        self.proven = proven
        self.additions = additions


def tenths(length_mm: float) -> int:
    """A strip's length in whole tenths of a millimetre, rounded down."""
    return int(np.floor(length_mm / GRID_MM + 1e-6))


def rounded_down(strips: Sequence[Strip]) -> list[Strip]:
    """The strips with their lengths in whole tenths."""
    return [Strip(s.name, tenths(s.length_mm) * GRID_MM, s.thickness_mm) for s in strips]


def shortest_that_reach(lengths: Sequence[float], needs: Sequence[float]) -> list[int]:
    """Which strip each place gets so that the total is least.

    A strip that reaches over a long place reaches over every shorter one, so it is best to go
    from the longest place down and to take the shortest strip that reaches. Raises ValueError
    where one finds none.
    """
    free = sorted(range(len(lengths)), key=lambda k: lengths[k])
    sizes = np.array([lengths[k] for k in free])
    chosen = [0] * len(needs)
    for place in sorted(range(len(needs)), key=lambda k: -needs[k]):
        at = int(np.searchsorted(sizes, needs[place] - NEAR))
        if at == len(sizes):
            raise ValueError("no strip reaches over a place")
        chosen[place] = free.pop(at)
        sizes = np.delete(sizes, at)
    return chosen
