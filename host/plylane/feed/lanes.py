"""The lanes' bookkeeping: strips are finite, and where two follow each other the cord has a joint.

All lengths are those of strip that passed the lane wheels and of cord that was laid, both counted
from the start of the run. A joint lies in the cord where its lane's strip has gone on by the way
from wheel to nozzle after it passed the wheel; on a curve the lanes travel different lengths, and
the cord's length follows from the lane's by `LaneMap`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from plylane.feed.lane_map import LaneMap
from plylane.feed.strip_plan import StripPlan


@dataclass(frozen=True, slots=True)
class Joint:
    """Where one strip ends and the next begins. `lane` from 0, `cord_mm` where in the cord it lies.

    Not yet `laid`: where it will lie as things stand. `number` counts the joints of a lane from 1.
    """

    lane: int
    number: int
    cord_mm: float
    laid: bool


@dataclass(frozen=True, slots=True)
class Close:
    """Two joints nearer to each other than the stagger rule allows, the earlier one first."""

    first: Joint
    second: Joint

    @property
    def apart_mm(self) -> float:
        """Their distance in the cord."""
        return self.second.cord_mm - self.first.cord_mm


@dataclass(frozen=True, slots=True)
class Strip:
    """What a lane has: of the strip at the wheel, and of those loaded behind it."""

    left_mm: float
    behind_mm: float
    waiting: int


class LaneBook:
    """Keeps, for every lane, what was loaded, what is left, and where the joints lie.

    `length_mm`: cord of the run. Lanes count from 0.
    """

    def __init__(self, plan: StripPlan, length_mm: float) -> None:
        self.plan, self.length_mm = plan, length_mm
        self._maps = [LaneMap.of_bends(plan.curve, offset_mm) for offset_mm in plan.offsets_mm]
        lanes = len(plan.loaded_mm)
        # where the strips of a lane end, in the lane's own length; laid joints are taken out
        self._ends_mm = [[mm] for mm in plan.loaded_mm]
        self._at_mm = [0.0] * lanes
        self._cord_mm = 0.0
        self._laid: list[Joint] = []
        self._gone = [0] * lanes  # ends that have been laid, of all runs

    @property
    def lanes(self) -> int:
        """How many there are."""
        return len(self._maps)

    # ------------------------------------------------------------------ what happens

    def begin_run(self) -> None:
        """The head counts from zero again; what is in the lanes stays there."""
        self._ends_mm = [
            [end_mm - at_mm for end_mm in ends]
            for ends, at_mm in zip(self._ends_mm, self._at_mm, strict=True)
        ]
        self._at_mm = [0.0] * self.lanes
        self._cord_mm = 0.0
        self._laid = []

    def advance(self, lanes_mm: Sequence[float], cord_mm: float) -> list[Joint]:
        """Take the lengths as they stand now, one a lane; the joints that have just been laid.

        Raises ValueError when the number of lanes is another.
        """
        if len(lanes_mm) != self.lanes:
            raise ValueError(f"{self.lanes} lanes in the book, got lengths of {len(lanes_mm)}")
        self._at_mm, self._cord_mm = list(lanes_mm), cord_mm
        laid = [joint for lane in range(self.lanes) for joint in self._lay(lane)]
        self._laid += laid
        return laid

    def load(self, lane: int, length_mm: float) -> None:
        """A strip has been put behind the last one. Raises ValueError for a length that is none.

        Where the lane had run out, the strip begins at the wheel.
        """
        if not 0.0 < length_mm < float("inf"):
            raise ValueError(f"a strip of {length_mm} mm is none")
        ends = self._ends_mm[lane]
        start_mm = max(ends[-1], self._at_mm[lane])
        ends[-1] = start_mm
        ends.append(start_mm + length_mm)

    def take_out(self, lane: int) -> float:
        """The last strip that waits is taken out again; its length. Raises ValueError for none."""
        if not self.strip(lane).waiting:
            raise ValueError(f"no strip waits in lane {lane + 1}")
        end_mm = self._ends_mm[lane].pop()
        return end_mm - self._ends_mm[lane][-1]

    def _lay(self, lane: int) -> list[Joint]:
        """Take out the joints that have come past the nozzle. The last end is no joint yet."""
        ends, laid = self._ends_mm[lane], []
        while len(ends) > 1 and ends[0] + self.plan.wheel_to_nozzle_mm <= self._at_mm[lane]:
            self._gone[lane] += 1
            cord_mm = self._cord_of(lane, ends.pop(0))
            laid.append(Joint(lane, self._gone[lane], cord_mm, laid=True))
        return laid

    # ------------------------------------------------------------------ how it stands

    def strip(self, lane: int) -> Strip:
        """What the lane has."""
        ends, at_mm = self._ends_mm[lane], self._at_mm[lane]
        coming = [end_mm for end_mm in ends if end_mm > at_mm] or ends[-1:]
        return Strip(coming[0] - at_mm, coming[-1] - coming[0], len(coming) - 1)

    def ends_mm(self, lane: int) -> list[float]:
        """Where its strips end that are not laid yet, in the lane's own length since zero."""
        return list(self._ends_mm[lane])

    def remaining_mm(self, lane: int) -> float:
        """Strip before the wheel, all together; below 0 once it should have run out."""
        return self._ends_mm[lane][-1] - self._at_mm[lane]

    def next_joint(self) -> tuple[int, float]:
        """The lane (from 0) whose strip ends next, and how much of it is left before its wheel.

        Below 0 while a joint is between wheel and nozzle.
        """
        left_mm = [ends[0] - at for ends, at in zip(self._ends_mm, self._at_mm, strict=True)]
        lane = min(range(self.lanes), key=left_mm.__getitem__)
        return lane, left_mm[lane]

    def wanted_mm(self, lane: int) -> float:
        """Strip that the rest of the run takes at the wheel, beyond what is there; 0 if enough."""
        now_mm, end_mm = self._maps[lane].to_lane([self._cord_mm, self.length_mm])
        return max(0.0, float(end_mm - now_mm) - max(0.0, self.remaining_mm(lane)))

    def _cord_of(self, lane: int, end_mm: float) -> float:
        """Where in the cord the end of a strip lies, or will lie, given how far the lane is."""
        ahead_mm = end_mm + self.plan.wheel_to_nozzle_mm - self._at_mm[lane]
        lane_map = self._maps[lane]
        return float(lane_map.to_cord(lane_map.to_lane(self._cord_mm) + ahead_mm))

    def joints(self) -> list[Joint]:
        """The joints of the cord in order: laid, known, and where the last strips will end."""
        coming = [
            Joint(lane, self._gone[lane] + k, self._cord_of(lane, end_mm), laid=False)
            for lane, ends in enumerate(self._ends_mm)
            for k, end_mm in enumerate(ends, start=1)
        ]
        inside = [joint for joint in coming if joint.cord_mm < self.length_mm]
        return sorted([*self._laid, *inside], key=lambda joint: joint.cord_mm)

    def close_joints(self) -> list[Close]:
        """Pairs of joints that break the stagger rule and can still be helped, by place."""
        joints, found = self.joints(), []
        for k, first in enumerate(joints):
            for second in joints[k + 1 :]:
                if second.cord_mm - first.cord_mm >= self.plan.stagger_mm:
                    break
                if not (first.laid and second.laid) and first.lane != second.lane:
                    found.append(Close(first, second))
        return found

    def expected_mm(self) -> list[float]:
        """How much further than the middle each lane has to be by now, from the curves alone."""
        return [float(one.to_lane(self._cord_mm)) - self._cord_mm for one in self._maps]
