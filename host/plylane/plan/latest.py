"""The latest places of the joints of one order, from which all others follow.

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


def latest_places(
    order: Sequence[Joint], lanes: Sequence[LaneMap], rule: StaggerRule, at: Sequence[float] = ()
) -> list[float] | None:
    """The latest places of joints in this order along the cord, or None where none were found.

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
