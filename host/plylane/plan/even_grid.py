"""Schedules at nearly all the stagger that strips can keep: joints on a grid that widens slowly.

Where every gap between joints is as wide as the next, a strip reaches over a whole number of them,
and nothing is lost between lanes. With N lanes, strips set in the order of their starts are a
juggling pattern of N balls, one throw a gap: no two land together, and throws are N gaps on average
(the average theorem of juggling patterns; that throws of that average can always be put in order
round a circle is M. Hall's; both from memory). On an even grid a strip would lose what it is longer
than whole gaps. So gaps widen along the cord, so slowly that side by side they are alike, and every
strip is used where it is just as long as a whole number of them: `least_mix` says which where.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Sequence
from math import ceil, inf

import numpy as np

from plylane.feed.lane_map import LaneMap
from plylane.plan.mix import Mix, least_mix
from plylane.plan.strips import GRID_MM, Floats, Joints, StaggerRule

NEAR = 1e-6
TRIES = (
    (0.008, 1.0),
    (0.008, 1.002),
    (0.008, 1.005),
    (0.016, 1.0),
    (0.016, 1.005),
    (0.016, 1.01),
    (0.0, 1.0),
    (0.0, 1.01),
    (0.008, 1.02),
    (0.016, 1.03),
)
"""What share of strips, the longest, is put by for places that none of the mix reaches over, and
how much longer than their gaps strips of the mix are. Roughly from the least strip taken on."""
STRIPS_A_TRY = 20
END_SHARE = 0.99
"""How much of the longest strip the outermost joints ask for: bends may take the rest."""


def on_grid(
    lengths_mm: Sequence[float], lanes: Sequence[LaneMap], rule: StaggerRule
) -> Joints | None:
    """Cord positions of the joints of each lane, or None where this way leads nowhere.

    What comes to the end of the cord first is taken; of few strips fewer tries are made, of less
    than 20 none.
    """
    if rule.joints_mm <= GRID_MM:
        return None
    stock = sorted(lengths_mm)
    stretch = float(np.mean([lane.length_mm for lane in lanes])) / lanes[0].cord_end_mm
    hopeless: list[tuple[float, float]] = []
    for share, longer in TRIES[: len(stock) // STRIPS_A_TRY]:
        if any(share >= less and longer >= shorter for less, shorter in hopeless):
            continue
        put_by = ceil(share * len(stock))
        found = _planned(stock, lanes, rule, put_by, longer * stretch)
        if found is None:
            hopeless.append((share, longer))
        elif joints := _Filling(stock, lanes, rule, *found).joints():
            return joints
    return None


def _planned(
    stock: Sequence[float],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    put_by: int,
    longer: float,
) -> tuple[Mix, Floats] | None:
    """A mix, and the grid: as far from both ends of the cord as strips reach.

    Gaps widen by the time that a strip for them comes to its end, so the first ones come twice.
    How wide the last ones are is known when there is a mix, so one is looked for twice.
    """
    many, end, narrow = len(lanes), lanes[0].cord_end_mm, rule.joints_mm
    nearest = max(rule.ends_mm, rule.shortest_mm)
    reach = END_SHARE * stock[-1] / longer

    def with_last(wide: float) -> tuple[Mix | None, float, float]:
        first, last = (max(nearest, reach - (many - 1) * gap) for gap in (narrow, wide))
        rest = list(stock[: len(stock) - put_by])
        for at, gap in ((first, narrow), (last, wide)):
            for lane in reversed(range(many)):
                _take(rest, longer * (at + lane * gap))
        cord_mm = end - first - last - (many - 1) * narrow
        mix = least_mix(rest, many, narrow, cord_mm, longer) if rest and cord_mm > 0.0 else None
        return mix, first, last

    mix, first, last = with_last(narrow)
    if mix is not None:
        mix, first, last = with_last(float(mix.gaps_mm[-1]))
    if mix is None:
        return None
    gaps = np.concatenate([[0.0], np.full(many - 1, narrow), mix.gaps_mm])
    over = max(0.0, first + float(np.sum(gaps)) + last - end)
    if min(first, last) - 0.5 * over < nearest - NEAR:
        return None
    return mix, first - 0.5 * over + np.cumsum(gaps)


def _take(strips: list[float], need_mm: float) -> float | None:
    """The shortest of the strips, rising, that is so long; taken out."""
    at = bisect_left(strips, need_mm - NEAR)
    return strips.pop(at) if at < len(strips) else None


class _Filling:
    """Strips set on the grid one after the other, each from its joint to one that is still free.

    A joint may lie before its place on the grid, but for the stagger from the place before: so it
    keeps the rule wherever its neighbours lie within theirs.
    """

    def __init__(
        self,
        stock: Sequence[float],
        lanes: Sequence[LaneMap],
        rule: StaggerRule,
        mix: Mix,
        grid_mm: Floats,
    ) -> None:
        self.lanes, self.joints_mm = lanes, [float(at) for at in grid_mm]
        self.shortest_mm = max(rule.shortest_mm, GRID_MM)
        earliest = np.append(grid_mm[:1], grid_mm[:-1] + rule.joints_mm)
        self.latest = [lane.to_lane(grid_mm) for lane in lanes]
        self.earliest = [lane.to_lane(earliest) for lane in lanes]
        self.mean = np.mean(self.latest, axis=0)
        self.queues = {span: list(strips) for span, strips in mix.by_span.items()}
        self.spread = {span: self._spread_mm(span) for span in self.queues if span < len(grid_mm)}
        self.spare = list(stock)
        for queue in self.queues.values():
            for strip in queue:
                _take(self.spare, strip)

    def _spread_mm(self, span: int) -> float:
        """How much what so many gaps take differs from lane to lane."""
        off = np.array(self.latest) - self.mean
        return float(np.std(off[:, span:] - off[:, :-span]))

    def joints(self) -> Joints | None:
        """To the end of the cord, or None where no strip at hand reaches a free joint."""
        lanes, joints = len(self.lanes), len(self.joints_mm)
        owner = [-1] * joints
        for lane in range(lanes):
            if not self._set(lane, lane, 0.0, self.spare):
                return None
            owner[lane] = lane
        for here in range(joints - lanes):
            if owner[here] < 0:
                return None
            there = self._next(here, owner)
            if there is None:
                return None
            owner[there] = owner[here]
        if min(owner) < 0:
            return None
        for here in range(joints - lanes, joints):
            last = self.lanes[owner[here]]
            if not self._any(last.length_mm - float(last.to_lane(self.joints_mm[here]))):
                return None
        return [
            [at for at, one in zip(self.joints_mm, owner, strict=True) if one == lane]
            for lane in range(lanes)
        ]

    def _next(self, here: int, owner: list[int]) -> int | None:
        """Where the strip from here ends.

        Over as many gaps as the queue that waits least for gaps to be as wide as its strips; for
        every free joint left out the queue counts too that has to fill it next.
        """
        lane = owner[here]
        start = float(self.lanes[lane].to_lane(self.joints_mm[here]))
        last = min(here + max(self.spread, default=0) + 1, len(owner))
        free = [there for there in range(here + 1, last) if owner[there] < 0]
        waits = {span: self._wait_mm(span, here) for span in self.spread}
        ranked = []
        for left_out, there in enumerate(free):
            wait = waits.get(there - here, inf)
            if left_out:
                fill = waits.get(free[0] - here - 1, inf)
                wait = (wait + left_out * fill) / (1 + left_out)
            if wait < inf:
                ranked.append((wait, there))
        for _, there in sorted(ranked):
            if self._set(lane, there, start, self.queues[there - here]):
                return there
        for there in free:
            for strips in (self.spare, *self.queues.values()):
                if self._set(lane, there, start, strips):
                    return there
        return None

    def _set(self, lane: int, joint: int, start: float, strips: list[float]) -> bool:
        """Whether one of the strips reaches from a length of the lane to a joint; it is taken.

        The shortest that reaches the joint's place on the grid, or else the longest there is if
        the joint may lie where that ends.
        """
        latest, earliest = float(self.latest[lane][joint]), float(self.earliest[lane][joint])
        if not strips or latest - start < self.shortest_mm - NEAR:
            return False
        if _take(strips, latest - start) is not None:
            return True
        if strips[-1] < max(earliest - start, self.shortest_mm):
            return False
        self.joints_mm[joint] = float(self.lanes[lane].to_cord(start + strips.pop()))
        return True

    def _wait_mm(self, span: int, here: int) -> float:
        """How much longer the queue's shortest strip is than the gaps from here on.

        Strips that gaps have become too wide for, for good, leave the queue. Infinite for none.
        """
        queue = self.queues[span]
        if here + span >= len(self.mean):
            return inf
        need = float(self.mean[here + span] - self.mean[here])
        while queue and queue[0] < need - self.spread[span] - NEAR:
            insort(self.spare, queue.pop(0))
        return queue[0] - need if queue else inf

    def _any(self, need_mm: float) -> bool:
        """Whether a strip reaches, of those without a queue or else of any; it is taken."""
        stocks = (self.spare, *self.queues.values())
        return any(_take(strips, need_mm) is not None for strips in stocks)
