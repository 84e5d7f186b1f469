"""Builds a schedule from the start of the cord on, lane by lane, as strips come to their ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from plylane.feed.lane_map import LaneMap
from plylane.plan.strips import GRID_MM, Floats, StaggerRule

NEAR = 1e-6
SHAKE_MM = 100.0


class Prefer(StrEnum):
    """Which of several strips that fit equally well is taken."""

    LONG = "long"
    SHORT = "short"
    MIDDLE = "middle"


@dataclass
class _Lane:
    map: LaneMap
    joints: list[float] = field(default_factory=list)  # cord positions
    kept_mm: float | None = None  # strip put by for the end of the lane
    done: bool = False

    @property
    def start_mm(self) -> float:
        return self.joints[-1] if self.joints else 0.0

    @property
    def laid_mm(self) -> float:
        """Length of this lane up to its last joint."""
        return float(self.map.to_lane(self.start_mm))

    @property
    def rest_mm(self) -> float:
        return self.map.length_mm - self.laid_mm


@dataclass(frozen=True)
class _Choice:
    """A strip, where its joint falls, what it wastes; or the last one of its lane."""

    strip_mm: float
    joint_mm: float | None
    waste_mm: float
    keep_mm: float | None = None


Shake = np.random.Generator | None


def construct(
    lengths_mm: Sequence[float],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    prefer: Prefer,
    shake: Shake = None,
) -> list[list[float]] | None:
    """Cord positions of the joints of each lane, or None where this way leads nowhere.

    The lane whose strip ends first gets the next strip. Its joint is set where that strip ends,
    or as little before that as the joints of the other lanes ask for; the strip that loses least
    is taken. Towards the end a lane's last two strips are picked as a pair that fits. With `shake`
    now and then a strip is taken that loses more.
    """
    stock = np.sort(np.asarray(lengths_mm, dtype=float))
    work = [_Lane(lane) for lane in lanes]
    while open_lanes := [lane for lane in work if not lane.done]:
        lane = min(open_lanes, key=lambda one: one.start_mm)
        taken = [other.start_mm for other in work if other is not lane and other.joints]
        choice = _choose(stock, lane, taken, rule, prefer, shake)
        if choice is None:
            return None
        if choice.strip_mm != lane.kept_mm:
            stock = _without(stock, choice.strip_mm)
        if choice.joint_mm is None:
            lane.done = True
            continue
        lane.joints.append(choice.joint_mm)
        lane.kept_mm = choice.keep_mm
        if choice.keep_mm is not None:
            stock = _without(stock, choice.keep_mm)
    return [lane.joints for lane in work]


def _without(stock: Floats, length_mm: float) -> Floats:
    return np.delete(stock, int(np.searchsorted(stock, length_mm)))


def _choose(
    stock: Floats,
    lane: _Lane,
    taken: list[float],
    rule: StaggerRule,
    prefer: Prefer,
    shake: Shake,
) -> _Choice | None:
    rest = lane.rest_mm
    if lane.kept_mm is not None:
        return _Choice(lane.kept_mm, None, lane.kept_mm - rest)
    if not len(stock):
        return None
    single = _last(stock, rest)
    longest = float(stock[-1])
    joint, waste, tried = _joints(stock, lane, taken, rule)
    if shake is not None:  # ranked as if some lost more than they do; places stay as they are
        waste = waste + shake.exponential(SHAKE_MM, len(waste))
    pair = _pair(stock, lane, joint, waste, tried) if rest <= 2 * longest else None
    if single and (pair is None or single.waste_mm <= pair.waste_mm + GRID_MM / 2):
        return single
    return pair or _next(joint, waste, tried, prefer)


def _last(stock: Floats, rest_mm: float) -> _Choice | None:
    """The shortest strip that reaches the end of the lane."""
    at = int(np.searchsorted(stock, rest_mm - NEAR))
    if at == len(stock):
        return None
    return _Choice(float(stock[at]), None, float(stock[at]) - rest_mm)


def _joints(
    stock: Floats, lane: _Lane, taken: list[float], rule: StaggerRule
) -> tuple[Floats, Floats, Floats]:
    """Where the joint behind each length at hand would fall, what is cut off, which lengths.

    Only those whose joint is allowed.
    """
    tried = np.unique(stock)
    joint = lane.map.to_cord(lane.laid_mm + tried)
    joint = np.minimum(joint, lane.map.cord_end_mm - rule.ends_mm)
    for other in sorted(taken, reverse=True):
        close = np.abs(joint - other) < rule.joints_mm - NEAR
        joint = np.where(close, other - rule.joints_mm, joint)
    used = lane.map.to_lane(joint) - lane.laid_mm
    # the next strip of this lane must not come closer to this joint than the rule says either
    apart = joint - lane.start_mm >= (rule.joints_mm if lane.joints else rule.ends_mm) - NEAR
    good = apart & (used >= max(rule.shortest_mm, GRID_MM) - NEAR)
    return joint[good], (tried - used)[good], tried[good]


def _pair(
    stock: Floats, lane: _Lane, joint: Floats, waste: Floats, tried: Floats
) -> _Choice | None:
    """The two last strips of the lane that waste least together."""
    rest = lane.map.length_mm - lane.map.to_lane(joint)
    at = np.searchsorted(stock, rest - NEAR)
    # where the strip that fits is the only one of its length and the first of the pair: the next
    same = (at < len(stock)) & (stock[np.minimum(at, len(stock) - 1)] == tried)
    once = np.searchsorted(stock, tried, "right") - np.searchsorted(stock, tried) == 1
    at = np.where(same & once, at + 1, at)
    good = at < len(stock)
    if not np.any(good):
        return None
    second = stock[at[good]]
    total = waste[good] + second - rest[good]
    best = int(np.lexsort((-tried[good], np.round(total, 1)))[0])
    first = float(tried[good][best])
    return _Choice(first, float(joint[good][best]), float(total[best]), float(second[best]))


def _next(joint: Floats, waste: Floats, tried: Floats, prefer: Prefer) -> _Choice | None:
    if not len(tried):
        return None
    order = {
        Prefer.LONG: -tried,
        Prefer.SHORT: tried,
        Prefer.MIDDLE: np.abs(tried - np.median(tried)),
    }[prefer]
    best = int(np.lexsort((order, np.round(waste, 1)))[0])
    return _Choice(float(tried[best]), float(joint[best]), float(waste[best]))
