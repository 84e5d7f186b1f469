"""The motion source: a robot that travels a path in virtual time and tells the head where it is.

``MotionSource(stand, path, door)`` stands beside a twin or board: it bends the plant's cord as the
path bends, gives and takes the permit, and hands references to a door, late and unevenly as a cell
does. Whoever calls ``advance()`` lets time pass for head, plant and robot.

A door is anything with ``write_reference(stamp_ms, position_mm, speed_mm_s)``: `HeadDoor` writes
into the head past the line; another may go through a gateway. A reference that a door cannot
deliver is its own business: the robot goes on.
"""

from __future__ import annotations

import heapq
import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import accumulate, pairwise
from random import Random
from typing import Protocol

from plylane.head.client import HeadClient
from plylane.head.registers import PathReferenceRegs
from plylane_twin.path_file import PathError, Piece, RobotPath
from plylane_twin.stand import Stand

STAMP_WRAP = 1 << 16


class Door(Protocol):
    """Where references go."""

    def write_reference(self, stamp_ms: int, position_mm: float, speed_mm_s: float) -> None:
        """The robot was at `position_mm` of its path, with that speed, when its clock said so.

        `stamp_ms` counts up without wrapping; the register takes its lowest 16 bits.
        """


class HeadDoor:
    """Straight into the head's registers, in one request."""

    def __init__(self, client: HeadClient) -> None:
        self._client = client

    def write_reference(self, stamp_ms: int, position_mm: float, speed_mm_s: float) -> None:
        """Raises HeadError where the head refuses or is silent."""
        self._client.write_block(
            PathReferenceRegs(
                stamp_ms=stamp_ms % STAMP_WRAP, position_mm=position_mm, speed_mm_s=speed_mm_s
            )
        )


@dataclass(frozen=True, slots=True)
class Cell:
    """How a robot cell tells: period, delay and its jitter in ms, and the robot's own clock."""

    period_ms: int = 20
    delay_ms: float = 2.0
    jitter_ms: float = 30.0  # on top of the delay, even between 0 and this
    clock_start_ms: int = 123_456
    clock_ppm: float = 40.0  # how much faster than the head's it runs
    seed: int = 7


@dataclass(frozen=True, slots=True)
class _Phase:
    start_s: float
    length_s: float
    position_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float


class Travel:
    """A robot's way along a path from `start_mm`, at rest there, in time."""

    def __init__(self, path: RobotPath, start_mm: float = 0.0) -> None:
        self._path = path
        self._phases: list[_Phase] = []
        self._at = (0.0, start_mm)
        pieces = [piece for piece in path.pieces if piece.to_mm > start_mm]
        ends = _corner_speeds(pieces, path.acceleration_mm_s2, start_mm)
        for piece, (v_in, v_out) in zip(pieces, pairwise(ends), strict=True):
            begin = max(piece.from_mm, start_mm)
            self._ramp(piece.to_mm - begin, v_in, piece.speed_mm_s, v_out)
            if piece.pause_s > 0.0:
                self._add(piece.pause_s, 0.0, 0.0)
        self._starts = [phase.start_s for phase in self._phases]

    @property
    def length_s(self) -> float:
        """Time until its end."""
        return self._at[0]

    def at(self, time_s: float) -> tuple[float, float]:
        """Arc length in mm and speed in mm/s, so long after its start."""
        if not self._phases or time_s <= 0.0:
            return (self._phases[0].position_mm if self._phases else self._at[1]), 0.0
        phase = self._phases[bisect_right(self._starts, time_s) - 1]
        into = time_s - phase.start_s
        if into >= phase.length_s and phase is self._phases[-1]:
            return self._at[1], 0.0
        speed = phase.speed_mm_s + phase.acceleration_mm_s2 * into
        return phase.position_mm + 0.5 * (phase.speed_mm_s + speed) * into, speed

    def _ramp(self, length_mm: float, v_in: float, cruise: float, v_out: float) -> None:
        """Speed up, cruise, slow down within a length."""
        a = self._path.acceleration_mm_s2
        top = min(cruise, math.sqrt(a * length_mm + 0.5 * (v_in**2 + v_out**2)))
        ramps = (2.0 * top**2 - v_in**2 - v_out**2) / (2.0 * a)
        self._add((top - v_in) / a, v_in, a)
        self._add((length_mm - ramps) / top, top, 0.0)
        self._add((top - v_out) / a, top, -a)

    def _add(self, length_s: float, speed_mm_s: float, acceleration_mm_s2: float) -> None:
        if length_s <= 0.0:
            return
        start_s, position_mm = self._at
        self._phases.append(_Phase(start_s, length_s, position_mm, speed_mm_s, acceleration_mm_s2))
        mean = speed_mm_s + 0.5 * acceleration_mm_s2 * length_s
        self._at = (start_s + length_s, position_mm + mean * length_s)


def _corner_speeds(pieces: list[Piece], a: float, start_mm: float) -> list[float]:
    """Speed at the start of each piece and at the end, within the acceleration both ways."""
    lengths = [piece.to_mm - max(piece.from_mm, start_mm) for piece in pieces]
    most = [0.0]
    for one, two in pairwise(pieces):
        most.append(0.0 if one.pause_s > 0.0 else min(one.speed_mm_s, two.speed_mm_s))
    most.append(0.0)

    def reach(speed: float, step: tuple[float, float]) -> float:
        length, limit = step
        return min(limit, math.sqrt(speed**2 + 2.0 * a * length))

    there = list(accumulate(zip(lengths, most[1:], strict=True), reach, initial=0.0))
    back = accumulate(zip(lengths[::-1], there[-2::-1], strict=True), reach, initial=0.0)
    return list(back)[::-1]


class MotionSource:
    """Plays a path beside `stand` and writes references through `door`."""

    def __init__(self, stand: Stand, path: RobotPath, door: Door, cell: Cell | None = None) -> None:
        self.stand, self.path, self.door = stand, path, door
        self.cell = cell or Cell()
        self._random = Random(self.cell.seed)
        self._under_way: list[tuple[float, int, float, float]] = []  # arrival, stamp, mm, mm/s
        self._next_ms = stand.time_ms
        self._travel: Travel | None = None
        self._began_ms = 0
        self._stopped_at_mm = 0.0
        bend(stand, path)

    @property
    def position_mm(self) -> float:
        """Where the robot is on its path now, mm."""
        return self.state()[0]

    @property
    def travelling(self) -> bool:
        """It has been told to go and not to stop."""
        return self._travel is not None

    @property
    def done(self) -> bool:
        """It stands at the end of the path."""
        return self.position_mm >= self.path.length_mm - 1e-6

    def state(self) -> tuple[float, float]:
        """Arc length in mm and speed in mm/s now."""
        if self._travel is None:
            return self._stopped_at_mm, 0.0
        return self._travel.at((self.stand.time_ms - self._began_ms) / 1000.0)

    def go(self) -> None:
        """Travel on from where the robot stands, with the permit given."""
        self._stopped_at_mm = self.position_mm
        self._travel = Travel(self.path, self._stopped_at_mm)
        self._began_ms = self.stand.time_ms
        self.stand.set_permit(True)

    def stop(self, permit: bool = False, after_mm: float = 0.0) -> None:
        """Stand at once, as a robot's protective stop does; takes the permit away unless told.

        `after_mm`: stand so much further on, as one that slows down with the head.
        """
        self._stopped_at_mm = min(self.position_mm + after_mm, self.path.length_mm)
        self._travel = None
        self.stand.set_permit(permit)

    def begin_anew(self) -> None:
        """Stand at the start of the path, which is where the plant's cord ends now."""
        self._travel, self._stopped_at_mm = None, 0.0
        bend(self.stand, self.path, self.stand.plant.cord_mm)

    def advance(self, ms: int) -> None:
        """Let time pass for all, references being written as they arrive."""
        end = self.stand.time_ms + ms
        while self.stand.time_ms < end:
            self._tell()
            self._deliver()
            due = min(end, self._next_ms)
            if self._under_way:
                due = min(due, math.ceil(self._under_way[0][0]))
            self.stand.advance(max(1, due - self.stand.time_ms))

    def _tell(self) -> None:
        now = self.stand.time_ms
        if now < self._next_ms:
            return
        self._next_ms = max(self._next_ms + self.cell.period_ms, now)
        stamp = self.cell.clock_start_ms + round(now * (1.0 + self.cell.clock_ppm * 1e-6))
        late = self.cell.delay_ms + self._random.uniform(0.0, self.cell.jitter_ms)
        heapq.heappush(self._under_way, (now + late, stamp, *self.state()))

    def _deliver(self) -> None:
        while self._under_way and self._under_way[0][0] <= self.stand.time_ms:
            _, stamp, position_mm, speed_mm_s = heapq.heappop(self._under_way)
            self.door.write_reference(stamp, position_mm, speed_mm_s)


def bend(stand: Stand, path: RobotPath, at_mm: float = 0.0) -> None:
    """Let the plant's cord bend as the path does, which begins at `at_mm` of cord.

    Raises PathError for too many bends.
    """
    bends = [piece for piece in path.pieces if piece.curvature_per_mm != 0.0]
    plant = stand.plant.set
    if len(bends) > len(plant.curve_per_mm):
        raise PathError(
            f"the plant holds {len(plant.curve_per_mm)} bends, the path has {len(bends)}; "
            "join neighbouring pieces of like curvature"
        )
    plant.curves, plant.curve_period_mm = len(bends), 0.0
    for k, piece in enumerate(bends):
        plant.curve_start_mm[k] = at_mm + piece.from_mm
        plant.curve_length_mm[k] = piece.to_mm - piece.from_mm
        plant.curve_per_mm[k] = piece.curvature_per_mm
