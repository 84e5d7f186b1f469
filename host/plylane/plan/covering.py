"""What the strips cannot do, whatever their order: lower bounds and proofs of what is lacking."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from plylane.plan.strips import GRID_MM, LaneMap, ScheduleError, StaggerRule, Strip, tenths

COVER_VARIABLES = 2000
"""Largest sharing-out problem that is put to the solver."""
COVER_NODES = 2000
INFEASIBLE = 2  # scipy.optimize.milp


def least_total_mm(strips: Sequence[Strip], lanes: Sequence[LaneMap]) -> float:
    """A total strip length below which no schedule can be, mm.

    Each lane takes whole strips, so it takes at least the least sum of strips that reaches its
    length; that the lanes share the strips and that joints keep apart is left out. Sums in whole
    tenths of a millimetre, found as the bits of an integer. Lanes that cannot be covered count with
    their own length.
    """
    needs = [_need(lane) for lane in lanes]
    longest = max(tenths(s.length_mm) for s in strips)
    mask = (1 << (max(needs) + longest + 1)) - 1
    sums = 1
    for strip in strips:
        sums |= (sums << tenths(strip.length_mm)) & mask
    return sum(_first_from(sums, need) for need in needs) * GRID_MM


def _need(lane: LaneMap) -> int:
    return int(np.ceil(lane.length_mm / GRID_MM - 1e-6))


def _first_from(sums: int, need: int) -> int:
    rest = sums >> need
    return need + (rest & -rest).bit_length() - 1 if rest else need


def prove_lacking(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> None:
    """Raise ScheduleError, proven, where counting alone shows that there is no schedule."""
    _enough_length(strips, lanes)
    _enough_strips(strips, lanes)
    _room_for_joints(strips, lanes, rule)
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
    if len(strips) < len(lanes):
        raise ScheduleError(
            f"{len(lanes)} lanes need a strip each, {len(strips)} are at hand", proven=True
        )


def fewest_joints(strips: Sequence[Strip], lanes: Sequence[LaneMap]) -> int:
    """Joints that the cord has at least: every lane as if it had the longest strips to itself."""
    lengths = np.sort([s.length_mm for s in strips])[::-1]
    sums = np.cumsum(lengths) + GRID_MM / 2
    return sum(int(np.searchsorted(sums, lane.length_mm)) for lane in lanes)


def _room_for_joints(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> None:
    joints, cord_mm = fewest_joints(strips, lanes), lanes[0].cord_end_mm
    room_mm = cord_mm - 2 * rule.ends_mm
    if joints == 0 or (room_mm >= (joints - 1) * rule.joints_mm and room_mm >= 0.0):
        return
    longest = max(s.length_mm for s in strips)
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
            LinearConstraint(cover.tocsr(), [_need(lane) for lane in lanes], np.inf),
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
