"""What the strips cannot do, whatever their order: lower bounds and proofs of what is lacking."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from plylane.feed.lane_map import LaneMap
from plylane.plan.strips import GRID_MM, Floats, ScheduleError, StaggerRule, Strip, tenths
from plylane.plan.whole_gaps import prove_stagger_too_wide

COVER_VARIABLES = 2000
"""Largest sharing-out problem that is put to the solver."""
COVER_NODES = 2000
INFEASIBLE = 2  # scipy.optimize.milp


def least_total_mm(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> float:
    """A total strip length below which no schedule can be, mm.

    The larger of two. Each lane takes whole strips, so it takes at least the least sum of strips
    that reaches its length, whatever the others take. And all lanes together take at least
    `fewest_strips`, so no less than that many of the shortest.
    """
    count = fewest_strips(strips, lanes, rule)
    shortest = sum(sorted(strip.length_mm for strip in strips)[:count])
    return max(_least_sums_mm(strips, lanes), shortest)


def _least_sums_mm(strips: Sequence[Strip], lanes: Sequence[LaneMap]) -> float:
    """In whole tenths of a millimetre, sums found as the bits of an integer.

    Lanes that cannot be covered count with their own length.
    """
    needs = [need_tenths(lane) for lane in lanes]
    longest = max(tenths(s.length_mm) for s in strips)
    mask = (1 << (max(needs) + longest + 1)) - 1
    sums = 1
    for strip in strips:
        sums |= (sums << tenths(strip.length_mm)) & mask
    return sum(_first_from(sums, need) for need in needs) * GRID_MM


def need_tenths(lane: LaneMap) -> int:
    """Strip that a lane takes, in whole tenths of a millimetre."""
    return int(np.ceil(lane.length_mm / GRID_MM - 1e-6))


def _first_from(sums: int, need: int) -> int:
    rest = sums >> need
    return need + (rest & -rest).bit_length() - 1 if rest else need


def prove_lacking(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> None:
    """Raise ScheduleError, proven, where counting alone shows that there is no schedule."""
    _enough_length(strips, lanes)
    _enough_strips(strips, lanes)
    _room_for_joints(strips, lanes, rule)
    _enough_for_stagger(strips, lanes, rule)
    prove_stagger_too_wide(strips, lanes, rule, fewest_by_lane(strips, lanes))
    _shared_out(strips, lanes)


def _enough_length(strips: Sequence[Strip], lanes: Sequence[LaneMap]) -> None:
    at_hand = sum(s.length_mm for s in strips)
    needed = sum(lane.length_mm for lane in lanes)
    if at_hand < needed - GRID_MM / 2:
        raise ScheduleError(
            f"the strips at hand are {needed - at_hand:.1f} mm short: "
            f"{len(lanes)} lanes take {needed:.1f} mm, {len(strips)} strips give {at_hand:.1f} mm",
            proven=True,
        )


def _enough_strips(strips: Sequence[Strip], lanes: Sequence[LaneMap]) -> None:
    count = max(sum(fewest_by_lane(strips, lanes)), len(lanes))
    if count > len(strips):
        raise ScheduleError(
            f"{len(lanes)} lanes take at least {count} strips of at most "
            f"{_longest(strips):.1f} mm, {len(strips)} are at hand; add strips",
            proven=True,
        )


def _longest(strips: Sequence[Strip]) -> float:
    return max(strip.length_mm for strip in strips)


def _reaches_mm(strips: Sequence[Strip]) -> Floats:
    """How far 0, 1, 2 ... of the longest strips reach."""
    lengths = np.sort([s.length_mm for s in strips])[::-1]
    return np.concatenate([[0.0], np.cumsum(lengths)])


def fewest_by_lane(strips: Sequence[Strip], lanes: Sequence[LaneMap]) -> list[int]:
    """Strips that each lane takes at least, as if it had the longest to itself."""
    reach = _reaches_mm(strips) + GRID_MM / 2
    return [int(np.searchsorted(reach, lane.length_mm)) for lane in lanes]


def fewest_joints(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> int:
    """Joints that the cord has at least."""
    return fewest_strips(strips, lanes, rule) - len(lanes)


def fewest_strips(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> int:
    """Strips that the cord takes at least.

    In a lane of as few strips as can be, each joint has a window: not so late that the strips
    before it do not reach there, not so early that those behind it do not reach the end. Joints
    of lanes alike share a window, and it has room for so many; every other lane takes one more.
    """
    counts = fewest_by_lane(strips, lanes)
    reach, total = _reaches_mm(strips), sum(counts)
    for count in set(counts):
        alike = [lane for lane, own in zip(lanes, counts, strict=True) if own == count]
        rooms = [_room(alike, reach[k], reach[count - k], rule) for k in range(1, count)]
        total += max(0, len(alike) - min(rooms, default=len(alike)))
    return total


def _room(alike: Sequence[LaneMap], before_mm: float, behind_mm: float, rule: StaggerRule) -> int:
    """How many joints fit where strips of those lengths before and behind reach."""
    end = alike[0].cord_end_mm
    first = min(float(lane.to_cord(lane.length_mm - behind_mm)) for lane in alike)
    last = max(float(lane.to_cord(before_mm)) for lane in alike)
    room = min(last, end - rule.ends_mm) - max(first, rule.ends_mm) + 1e-6
    if room < 0.0:
        return 0
    return int(room / rule.joints_mm) + 1 if rule.joints_mm > 0.0 else len(alike)


def _enough_for_stagger(
    strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule
) -> None:
    count = fewest_strips(strips, lanes, rule)
    if count > len(strips):
        raise ScheduleError(
            f"joints {rule.joints_mm:g} mm apart make it {count} strips at least, of at most "
            f"{_longest(strips):.1f} mm, {len(strips)} are at hand; add strips, "
            "take longer ones or let joints come closer",
            proven=True,
        )


def _room_for_joints(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> None:
    joints, cord_mm = sum(fewest_by_lane(strips, lanes)) - len(lanes), lanes[0].cord_end_mm
    room_mm = cord_mm - 2 * rule.ends_mm
    if joints == 0 or (room_mm >= (joints - 1) * rule.joints_mm and room_mm >= 0.0):
        return
    longest = _longest(strips)
    most_mm = room_mm / max(1, joints - 1)
    remedy = (
        f"take longer strips; no stagger of more than {most_mm:.1f} mm can be kept"
        if room_mm > 0 and joints > 1
        else "take longer strips or let joints come closer to the ends"
    )
    raise ScheduleError(
        f"the stagger rule cannot be kept: strips of at most {longest:.1f} mm make at least "
        f"{joints} joints, and {rule.joints_mm:g} mm apart they take "
        f"{(joints - 1) * rule.joints_mm:.1f} mm of the {room_mm:.1f} mm there are; {remedy}",
        proven=True,
    )


def _shared_out(strips: Sequence[Strip], lanes: Sequence[LaneMap]) -> None:
    """Ask the solver whether whole strips can be shared out so that every lane is covered."""
    s, n = len(strips), len(lanes)
    if s * n > COVER_VARIABLES:
        return
    lengths = np.array([tenths(strip.length_mm) for strip in strips], dtype=float)
    column = np.arange(s * n)  # strip i in lane k is column i * n + k
    once = coo_array((np.ones(s * n), (column // n, column)), shape=(s, s * n))
    cover = coo_array((np.repeat(lengths, n), (column % n, column)), shape=(n, s * n))
    result = milp(
        np.repeat(lengths, n),
        integrality=np.ones(s * n),
        bounds=Bounds(0, 1),
        constraints=[
            LinearConstraint(once.tocsr(), -np.inf, 1.0),
            LinearConstraint(cover.tocsr(), [need_tenths(lane) for lane in lanes], np.inf),
        ],
        options={"node_limit": COVER_NODES, "mip_rel_gap": 1.0},  # any one will do
    )
    if result.status == INFEASIBLE:
        longest = max(lane.length_mm for lane in lanes)
        raise ScheduleError(
            f"whole strips cannot be shared out so that each of the {n} lanes reaches "
            f"{longest:.1f} mm, although their sum would do; add a strip",
            proven=True,
        )
