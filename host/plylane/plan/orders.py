"""One order of joints laid along the cord: latest places, and the strips that they take."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from plylane.feed.lane_map import LaneMap
from plylane.plan.strips import GRID_MM, NEAR, Joints, StaggerRule, shortest_that_reach

MOST_PASSES = 500

Place = tuple[int, float, float, float]


def needs(lanes: Sequence[LaneMap], joints: Joints) -> list[Place]:
    """Every place: lane, start and end on the cord, length of strip it takes."""
    places = []
    for number, (lane, at) in enumerate(zip(lanes, joints, strict=True)):
        bounds = [0.0, *at, lane.cord_end_mm]
        laid = [float(mm) for mm in lane.to_lane(bounds)]
        ends = zip(pairwise(bounds), pairwise(laid), strict=True)
        places += [(number, *cord, b - a) for cord, (a, b) in ends]
    return places


def total_mm(lengths: Sequence[float], lanes: Sequence[LaneMap], joints: Joints) -> float:
    """The least total of strips that these joints take. Raises ValueError where none reach."""
    used = [need for *_, need in needs(lanes, joints)]
    return sum(lengths[k] for k in shortest_that_reach(lengths, used))


def placed(
    order: Sequence[tuple[int, float]],
    lengths: Sequence[float],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
) -> Joints | None:
    """Latest places of joints in that order, each given by its lane and the strip it ends.

    None where there are none, or the strips do not reach the end of every lane from there.
    """
    where = [lane for lane, _ in order]
    before = [
        max((k for k in range(j) if where[k] == here), default=-1) for j, here in enumerate(where)
    ]
    places = [lanes[0].cord_end_mm - rule.ends_mm] * len(order)
    for _ in range(MOST_PASSES):
        old = places.copy()
        _reach(order, before, lanes, places)
        if not _held_back(order, before, lanes, places, rule):
            return None
        if places == old:
            at = list(zip(where, places, strict=True))
            joints = [[x for k, x in at if k == lane] for lane in range(len(lanes))]
            try:
                total_mm(lengths, lanes, joints)
            except ValueError:
                return None
            return joints
    return None


def _reach(
    order: Sequence[tuple[int, float]],
    before: Sequence[int],
    lanes: Sequence[LaneMap],
    places: list[float],
) -> None:
    """No joint further than its strip reaches."""
    for joint, (lane, strip_mm) in enumerate(order):
        start = places[before[joint]] if before[joint] >= 0 else 0.0
        end = lanes[lane].to_cord(lanes[lane].to_lane(start) + strip_mm)
        places[joint] = min(places[joint], float(end))


def _held_back(
    order: Sequence[tuple[int, float]],
    before: Sequence[int],
    lanes: Sequence[LaneMap],
    places: list[float],
    rule: StaggerRule,
) -> bool:
    """No joint too near the next, no strip too short; whether that can be."""
    shortest = max(rule.shortest_mm, GRID_MM)
    for joint in range(len(order) - 1, -1, -1):
        if joint:
            places[joint - 1] = min(places[joint - 1], places[joint] - rule.joints_mm)
        lane = lanes[order[joint][0]]
        start = float(lane.to_lane(places[joint])) - shortest
        if before[joint] >= 0:
            places[before[joint]] = min(places[before[joint]], float(lane.to_cord(start)))
        elif start < -NEAR:
            return False
    return not places or places[0] >= rule.ends_mm - NEAR
