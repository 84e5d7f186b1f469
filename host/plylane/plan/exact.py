"""Every order of joints, cut short by bounds: the least strip for a few strips, or proof of none.

For a given order of the joints along the cord the rules only ever hold a joint back: it lies no
further than its strip reaches, and no nearer than the stagger before the next one. Such rules have
one latest solution, in which every joint lies as far along as it can; and where the last strips do
not reach the end from there, they reach it from nowhere. So orders are tried, not places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from plylane.feed.lane_map import LaneMap
from plylane.plan.strips import GRID_MM, StaggerRule

NEAR = 1e-6
PASSES = 500


@dataclass(frozen=True, slots=True)
class Joint:
    """The end of a strip of that length; `before` is the joint at its start, -1 for none."""

    lane: int
    strip_mm: float
    before: int


@dataclass
class Search:
    """What a search has found: `joints` of each lane (cord positions) and the least total.

    `finished` is false where it gave up after its number of steps: then nothing is proved.
    """

    total_mm: float
    joints: list[list[float]] | None = None
    finished: bool = True


class Exact:
    """Depth first over the orders of joints."""

    def __init__(
        self,
        lengths_mm: Sequence[float],
        lanes: Sequence[LaneMap],
        rule: StaggerRule,
        below_mm: float,
        steps: int,
    ) -> None:
        """Looks for totals under `below_mm` only, in at most so many steps."""
        self.lanes, self.rule, self.steps = lanes, rule, steps
        self.lengths = sorted(lengths_mm, reverse=True)
        self.found = Search(below_mm)
        self.same = [next(k for k, one in enumerate(lanes) if one.same_as(lane)) for lane in lanes]

    def run(self) -> Search:
        """Search to the end, or to the last step."""
        self._go([], [], self.lengths)
        return self.found

    def _go(self, order: list[Joint], at: list[float], stock: list[float]) -> None:
        ends = self._last_joints(order)
        rests = [
            lane.length_mm - float(lane.to_lane(at[end] if end >= 0 else 0.0))
            for lane, end in zip(self.lanes, ends, strict=True)
        ]
        used = sum(joint.strip_mm for joint in order)
        # later joints only move the earlier ones back, so what is left can only grow
        if len(stock) < len(rests) or used + sum(rests) >= self.found.total_mm - GRID_MM / 2:
            return
        self._finish(order, at, stock, rests, used)
        for lane in self._lanes_to_try(order):
            for strip_mm in dict.fromkeys(stock):
                if used + strip_mm + stock[-1] * len(rests) >= self.found.total_mm - GRID_MM / 2:
                    continue
                self.steps -= 1
                if self.steps < 0:
                    self.found.finished = False
                    return
                longer = [*order, Joint(lane, strip_mm, ends[lane])]
                held = latest_places(longer, self.lanes, self.rule, at)
                if held is not None:
                    rest = list(stock)
                    rest.remove(strip_mm)
                    self._go(longer, held, rest)

    def _last_joints(self, order: list[Joint]) -> list[int]:
        ends = [-1] * len(self.lanes)
        for number, joint in enumerate(order):
            ends[joint.lane] = number
        return ends

    def _lanes_to_try(self, order: list[Joint]) -> list[int]:
        """Of lanes that are alike and still without a joint only the first."""
        begun = {joint.lane for joint in order}
        fresh: set[int] = set()
        lanes = []
        for lane, kind in enumerate(self.same):
            if lane not in begun and kind in fresh:
                continue
            if lane not in begun:
                fresh.add(kind)
            lanes.append(lane)
        return lanes

    def _finish(
        self,
        order: list[Joint],
        at: list[float],
        stock: list[float],
        rests: list[float],
        used_mm: float,
    ) -> None:
        """Give every lane its last strip: to the largest rest first the shortest that reaches."""
        left = sorted(stock)
        for rest in sorted(rests, reverse=True):
            fits = next((length for length in left if length >= rest - NEAR), None)
            if fits is None:
                return
            left.remove(fits)
            used_mm += fits
        if used_mm < self.found.total_mm - GRID_MM / 2:
            joints: list[list[float]] = [[] for _ in self.lanes]
            for joint, place in zip(order, at, strict=True):
                joints[joint.lane].append(place)
            self.found.total_mm, self.found.joints = used_mm, joints


def latest_places(
    order: Sequence[Joint], lanes: Sequence[LaneMap], rule: StaggerRule, at: Sequence[float] = ()
) -> list[float] | None:
    """The latest places of joints in this order along the cord, or None where there are none.

    `at` may have places of the first of them that are known to be no earlier.
    """
    latest_mm = lanes[0].cord_end_mm - rule.ends_mm
    places = [*at, *[latest_mm] * (len(order) - len(at))]
    for _ in range(PASSES):
        before = list(places)
        if not _hold_back(order, lanes, rule, places):
            return None
        if before == places:
            return places
    return None


def _hold_back(
    order: Sequence[Joint], lanes: Sequence[LaneMap], rule: StaggerRule, places: list[float]
) -> bool:
    for number, joint in enumerate(order):
        lane = lanes[joint.lane]
        start = places[joint.before] if joint.before >= 0 else 0.0
        reach = float(lane.to_cord(float(lane.to_lane(start)) + joint.strip_mm))
        places[number] = min(places[number], reach)
    for number in range(len(order) - 1, -1, -1):
        joint, lane = order[number], lanes[order[number].lane]
        if number:
            places[number - 1] = min(places[number - 1], places[number] - rule.joints_mm)
        shortest = max(rule.shortest_mm, GRID_MM)
        start_lane = float(lane.to_lane(places[number])) - shortest
        if joint.before >= 0:
            start = float(lane.to_cord(start_lane))
            places[joint.before] = min(places[joint.before], start)
        elif start_lane < -NEAR:
            return False
    return not order or places[0] >= rule.ends_mm - NEAR
