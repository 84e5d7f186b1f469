"""The search of the orders of joints: by batches, the least lossy first, and back to the others.

With few rounds it is a beam search: from level to level a fixed number of orders that have lost
least. With as many as it asks for it has been everywhere that the strip to spare leads to, and
what it has not found is not there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from plylane.feed.lane_map import LaneMap
from plylane.plan.orders import Ordering, Orders, Steps
from plylane.plan.strips import GRID_MM, Floats, Joints, StaggerRule

ENDS_LIMIT = 20_000
"""Orders of so many joints that are gone through from an end."""
TRIED = 3
"""Orders worked out for each that is gone on with at once."""


@dataclass(frozen=True)
class Found:
    """Joints of each lane that keep the rule, if any, the total that they take, and a proved bound.

    The total is infinite where there are none; the bound too where it is proved that none can be.
    """

    joints: Joints | None
    total_mm: float
    bound_mm: float

    @property
    def settled(self) -> bool:
        """Whether nothing less can be; with infinity for both: whether nothing can be."""
        return self.total_mm <= self.bound_mm + GRID_MM / 2


def search(
    lengths_mm: Sequence[float],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    so_far: Found,
    *,
    fewest: int,
    dives: Sequence[tuple[int, int]],
    limit: int = ENDS_LIMIT,
) -> Found:
    """Better joints than those so far, or a better bound; every schedule has `fewest` joints.

    `dives`: width and rounds of one search after the other, until one finds joints. `limit`: so
    many orders are gone through from an end.
    """
    ordering = Ordering(lengths_mm, lanes, rule)
    below = min(so_far.total_mm, float(sum(lengths_mm)) + GRID_MM)
    most = below - GRID_MM / 2 - ordering.needed_mm
    ends = from_both_ends(lengths_mm, lanes, rule, fewest, most, limit)
    if ends.lost_mm >= most:
        return replace(so_far, bound_mm=so_far.total_mm)
    so_far = replace(so_far, bound_mm=max(so_far.bound_mm, ordering.needed_mm + ends.lost_mm))
    for width, rounds in dives:
        went = Search(ordering, below, ends.to_come_mm, width)
        went.run(rounds)
        if went.joints is not None:
            so_far = replace(so_far, joints=went.joints, total_mm=went.total_mm)
        if went.finished:
            return replace(so_far, bound_mm=so_far.total_mm)
        if went.joints is not None:
            break
    return so_far


@dataclass
class _Node:
    """Orders that are gone on with, and how many of their next joints have been."""

    orders: Orders
    done: int = 0


@dataclass
class Search:
    """Depth first, `width` orders at once, for totals below `total_mm`.

    `to_come_mm[k]`: what is lost at least behind the first k joints. `finished` where it has been
    everywhere.
    """

    ordering: Ordering
    total_mm: float
    to_come_mm: Floats
    width: int
    joints: Joints | None = None
    finished: bool = False

    def run(self, rounds: int) -> None:
        """In at most so many batches."""
        start = self.ordering.none()
        self._end(start)
        stack = [_Node(start)]
        while stack and rounds > 0:
            node = stack[-1]
            steps = self._next(node)
            if not len(steps):
                stack.pop()
                continue
            rounds -= 1
            longer = self.ordering.go(node.orders, steps, self._most_mm(node.orders.joints + 1))
            self._end(longer)
            for part in (slice(self.width, None), slice(self.width)):  # the better ones first
                if len(some := longer.of(part)):
                    stack.append(_Node(some))
        self.finished = not stack and not self.ordering.unsettled

    def _most_mm(self, joints: int) -> float:
        """What the first joints may lose."""
        to_come = float(self.to_come_mm[joints]) if joints < len(self.to_come_mm) else 0.0
        return self.total_mm - GRID_MM / 2 - self.ordering.needed_mm - to_come

    def _next(self, node: _Node) -> Steps:
        """The next batch; worked out anew each time, since keeping them all takes much memory."""
        steps = self.ordering.steps(node.orders, self._most_mm(node.orders.joints + 1))
        batch = slice(node.done, node.done + TRIED * self.width)
        node.done = batch.stop
        return steps.of(np.argsort(steps.lost_mm, kind="stable")[batch])

    def _end(self, orders: Orders) -> None:
        ended = self.ordering.ended(orders)
        if not len(ended):
            return
        totals = self.ordering.total_mm(ended)
        best = int(np.argmin(totals))
        if totals[best] < self.total_mm - GRID_MM / 2:
            self.total_mm = float(totals[best])
            self.joints = self.ordering.joints_of(ended, best)


@dataclass(frozen=True)
class Ends:
    """What the first and what the last 0, 1, ... joints of any schedule lose at least, mm.

    Both as long as a schedule has at least joints. A strip that ends at one of the first k joints
    does not start at one of the others, so the two parts lose different strips' length.
    """

    first_mm: Floats
    last_mm: Floats

    @property
    def lost_mm(self) -> float:
        """What every schedule loses at least."""
        return float((self.first_mm + self.to_come_mm).max())

    @property
    def to_come_mm(self) -> Floats:
        """What is lost at least behind the first 0, 1, ... joints."""
        return self.last_mm[::-1]


def from_both_ends(
    lengths_mm: Sequence[float],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    joints: int,
    most_mm: float,
    limit: int = ENDS_LIMIT,
) -> Ends:
    """Of schedules that lose less than `most_mm` and have at least so many joints.

    Where there is one, one of its ends loses no more than half of that. So every order that
    loses no more is gone through from either end, as long as there are no more than `limit`. Where
    `lost_mm` comes to `most_mm` there is no such schedule.
    """
    back = [lane.backwards() for lane in lanes]
    first, last = (
        _least_losses(ordering, most_mm / 2, joints, limit)
        for ordering in (
            Ordering(lengths_mm, lanes, rule),
            Ordering(lengths_mm, back, rule, backwards=True),
        )
    )
    return Ends(first, last)


def ruled_out(
    lengths_mm: Sequence[float],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    fewest: int,
    limit: int,
) -> bool:
    """Whether both ends together lose more than there is, `limit` orders gone through at most."""
    most = float(sum(lengths_mm)) + GRID_MM / 2 - sum(lane.length_mm for lane in lanes)
    return from_both_ends(lengths_mm, lanes, rule, fewest, most, limit).lost_mm >= most


def _least_losses(ordering: Ordering, most_mm: float, joints: int, limit: int) -> Floats:
    """Level by level; `most_mm` from where nothing is left on, and no more where too much is."""
    least = np.zeros(joints + 1)
    orders = ordering.none()
    for level in range(1, joints + 1):
        steps = ordering.steps(orders, most_mm)
        if len(steps) > limit:
            least[level:] = least[level - 1]
            break
        orders = ordering.go(orders, steps, most_mm)
        if not len(orders):
            least[level:] = most_mm
            break
        least[level] = max(least[level - 1], float(orders.lost_mm.min()))
    return least
