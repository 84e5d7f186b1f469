"""Orders of joints along the cord, very many at once, and how much strip each of them has to lose.

For a given order of the joints the rules only ever hold a joint back: it lies no further than its
strip reaches, and no nearer than the stagger before the next one. Such rules have one latest
solution, in which every joint lies as far along as it can, and joints that follow only push it
back. So what the first joints of an order lose in their latest places, whole lengths of their
strips less the lane laid, is the least that they lose in any schedule that begins with them.

What is still to come pushes back as well. Every lane has to have its next joint by where the
longest strip left would reach, one joint a stagger, earliest deadline first; and there have to be
as many joints as the longest strips left make.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.feed.lane_map import LaneMap
from plylane.plan.strips import (
    GRID_MM,
    NEAR,
    Floats,
    Joints,
    StaggerRule,
    shortest_that_reach,
)

NOWHERE = 1e9
PASSES = 8
"""Places are pushed back so often; fewer leave them too late, and what is lost is said too low."""
MOST_PASSES = 500

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Orders:
    """W orders of R joints.

    `places` (W, R): latest places, mm of cord. `lane`, `before` (W, R): each joint's lane, and the
    joint at the start of its strip, -1 for none. `strip` (W, R), mm. `left` (W, K): strips left of
    each kind. `last` (W, N): each lane's last joint, -1 for none. `lost_mm` (W).
    """

    places: Floats
    lane: Ints
    before: Ints
    strip: Floats
    left: Ints
    last: Ints
    lost_mm: Floats

    def __len__(self) -> int:
        return len(self.left)

    @property
    def joints(self) -> int:
        """R."""
        return int(self.places.shape[1])

    def of(self, which: Any) -> Orders:
        """Those of an index or a mask."""
        return Orders(
            self.places[which],
            self.lane[which],
            self.before[which],
            self.strip[which],
            self.left[which],
            self.last[which],
            self.lost_mm[which],
        )

    def starts(self) -> Floats:
        """Where each lane has come to (W, N), mm of cord."""
        if not self.joints:
            return np.zeros(self.last.shape)
        at = np.take_along_axis(self.places, np.maximum(self.last, 0), axis=1)
        return np.where(self.last >= 0, at, 0.0)


@dataclass(frozen=True, slots=True)
class Steps:
    """Joints that may follow: after which order, in which lane, of which kind of strip (each S).

    `lost_mm` is what is lost then at least; the joint's own latest place is `place`.
    """

    row: Ints
    lane: Ints
    kind: Ints
    place: Floats
    lost_mm: Floats

    def __len__(self) -> int:
        return len(self.row)

    def of(self, which: Any) -> Steps:
        """Those of an index or a mask."""
        return Steps(
            self.row[which],
            self.lane[which],
            self.kind[which],
            self.place[which],
            self.lost_mm[which],
        )


class _Table:
    """Every lane's length against the cord's in one table, the lanes far apart in it."""

    def __init__(self, lanes: Sequence[LaneMap]) -> None:
        self.end = lanes[0].cord_end_mm
        self.length = np.array([lane.length_mm for lane in lanes])
        self.far = 4.0 * max(self.end, float(self.length.max()))
        away = [np.full(len(lane.cord_mm), k * self.far) for k, lane in enumerate(lanes)]
        self.cord = np.concatenate([m.cord_mm + a for m, a in zip(lanes, away, strict=True)])
        self.lane = np.concatenate([m.lane_mm + a for m, a in zip(lanes, away, strict=True)])
        self.straight = bool(np.array_equal(self.cord, self.lane))
        slopes = [float((np.diff(m.lane_mm) / np.diff(m.cord_mm)).min()) for m in lanes]
        self.least_slope = min(1.0, *slopes)
        self.most_slope = max(float((np.diff(m.lane_mm) / np.diff(m.cord_mm)).max()) for m in lanes)

    def to_lane(self, lane: Any, cord_mm: Any) -> Any:
        if self.straight:
            return cord_mm
        return np.interp(cord_mm + lane * self.far, self.cord, self.lane) - lane * self.far

    def to_cord(self, lane: Any, lane_mm: Any) -> Any:
        """Straight on behind the end."""
        if self.straight:
            return lane_mm
        inside = np.minimum(lane_mm, self.length[lane])
        cord = np.interp(inside + lane * self.far, self.lane, self.cord) - lane * self.far
        return cord + (lane_mm - inside)


class Ordering:
    """Strips, lanes and rule of a schedule, and what may follow what."""

    def __init__(
        self,
        lengths_mm: Sequence[float],
        lanes: Sequence[LaneMap],
        rule: StaggerRule,
        *,
        backwards: bool = False,
    ) -> None:
        """`backwards`: lanes from their ends. A last strip may be short, and comes first there."""
        self.kinds, counts = np.unique(np.asarray(lengths_mm, dtype=float), return_counts=True)
        self.counts = counts.astype(np.int64)
        self.rule, self.shortest = rule, 0.0 if backwards else max(rule.shortest_mm, GRID_MM)
        self.unsettled = False  # whether orders were left out whose places never came to rest
        self._table = _Table(lanes)
        self._lanes = np.arange(len(lanes))
        self._alike = [next(k for k, o in enumerate(lanes) if o.same_as(m)) for m in lanes]
        self._latest = self._table.end - rule.ends_mm
        rng = np.random.default_rng(1)
        self._salt = rng.random(len(self.kinds)), rng.random(len(lanes))

    @property
    def needed_mm(self) -> float:
        """What the lanes take together."""
        return float(self._table.length.sum())

    def none(self) -> Orders:
        """The one order without a joint."""
        flat, whole = np.zeros((1, 0)), np.zeros((1, 0), dtype=np.int64)
        last = np.full((1, len(self._lanes)), -1)
        return Orders(flat, whole, whole, flat, self.counts[None, :].copy(), last, np.zeros(1))

    # ------------------------------------------------------------------------------ one more joint

    def steps(self, orders: Orders, most_mm: float) -> Steps:
        """Every joint that may follow, none that loses more than so much."""
        starts = orders.starts()
        laid = self._table.to_lane(self._lanes, starts)
        lanes = self._lanes[None, :, None]
        reach = self._table.to_cord(lanes, laid[:, :, None] + self.kinds[None, None, :])
        place = np.minimum(reach, self._latest)
        cut = reach - place
        if orders.joints:  # what comes too close pushes the joint before it back
            nearest = orders.places[:, -1, None, None] + self.rule.joints_mm
            pushed = np.maximum(0.0, nearest - place)
            same = (orders.lane[:, -1, None] == self._lanes)[:, :, None]  # one strip loses both
            cut = np.where(same, np.maximum(cut, pushed), cut + pushed)
        lost = orders.lost_mm[:, None, None] + self._table.least_slope * cut
        good = (orders.left[:, None, :] > 0) & (place >= self.rule.ends_mm - NEAR)
        good &= self._first_of_alike(orders)[:, :, None] & (lost <= most_mm + NEAR)
        row, lane, kind = np.nonzero(good)
        return Steps(row, lane, kind, place[row, lane, kind], lost[row, lane, kind])

    def _first_of_alike(self, orders: Orders) -> Bools:
        """Of lanes that are alike and still without a joint only the first (W, N)."""
        fresh = orders.last < 0
        may = np.ones(fresh.shape, dtype=bool)
        for lane, like in enumerate(self._alike):
            for other in range(like, lane):
                if self._alike[other] == like:
                    may[:, lane] &= ~(fresh[:, lane] & fresh[:, other])
        return may

    def go(self, orders: Orders, steps: Steps, most_mm: float) -> Orders:
        """The orders longer by those steps, in their latest places, the least lossy first.

        Those that lose more than so much, or cannot be, are left out. Of several that took the
        same strips and have come equally far all but one go to the end.
        """
        longer = self._settled(self._with(orders, steps))
        longer = longer.of(longer.lost_mm <= most_mm + NEAR)
        longer = longer.of(~self._squandered(longer) & self._covers(longer))
        again = np.ones(len(longer), dtype=bool)
        if len(longer):
            again[self._unlike(longer)] = False
        return longer.of(np.lexsort((longer.lost_mm, again)))

    def _with(self, orders: Orders, steps: Steps) -> Orders:
        row, each = steps.row, np.arange(len(steps))
        left, last = orders.left[row], orders.last[row]
        left[each, steps.kind] -= 1
        before = last[each, steps.lane]
        last[each, steps.lane] = orders.joints

        def longer(old: Any, new: Any) -> Any:
            return np.concatenate([old[row], new[:, None]], axis=1)

        return Orders(
            longer(orders.places, steps.place),
            longer(orders.lane, steps.lane),
            longer(orders.before, before),
            longer(orders.strip, self.kinds[steps.kind]),
            left,
            last,
            steps.lost_mm,
        )

    # --------------------------------------------------------------------------------------- places

    def _settled(self, orders: Orders, *, final: bool = False) -> Orders:
        """Every joint as late as it can be, and what that loses; without what cannot be.

        What is not `final` may still stand too late, so a joint is never said to lose too much.
        """
        places, fine = orders.places.copy(), np.ones(len(orders), dtype=bool)
        now = replace(orders, places=places)
        same = fine
        for turn in range(MOST_PASSES if final else PASSES):
            before = places.copy()
            if turn or final:
                self._reach(now)
            places[:, -1] = np.minimum(places[:, -1], self._room_for_more(now))
            fine &= self._hold_back(now)
            fine &= places[:, 0] >= self.rule.ends_mm - NEAR
            same = (before == places).all(axis=1)
            if same[fine].all():
                break
        if final:
            self.unsettled |= bool((fine & ~same).any())
            fine &= same
        laid = self._table.to_lane(self._lanes, now.starts())
        lost = now.strip.sum(axis=1) - laid.sum(axis=1)
        return replace(now, lost_mm=lost).of(fine)

    def _reach(self, orders: Orders) -> None:
        """No joint further than its strip reaches."""
        places, rows = orders.places, np.arange(len(orders))
        for k in range(orders.joints):
            lane, before = orders.lane[:, k], orders.before[:, k]
            start = np.where(before < 0, 0.0, places[rows, np.maximum(before, 0)])
            laid = self._table.to_lane(lane, start) + orders.strip[:, k]
            places[:, k] = np.minimum(places[:, k], self._table.to_cord(lane, laid))

    def _hold_back(self, orders: Orders) -> Bools:
        """No joint too near the next, no strip too short; which of the orders can be."""
        places, rows = orders.places, np.arange(len(orders))
        fine = np.ones(len(orders), dtype=bool)
        for k in range(orders.joints - 1, -1, -1):
            if k:
                close = places[:, k] - self.rule.joints_mm
                places[:, k - 1] = np.minimum(places[:, k - 1], close)
            lane, before = orders.lane[:, k], orders.before[:, k]
            start = self._table.to_lane(lane, places[:, k]) - self.shortest
            fine &= (before >= 0) | (start >= -NEAR)
            here = np.maximum(before, 0)
            held = np.minimum(places[rows, here], self._table.to_cord(lane, start))
            places[rows, here] = np.where(before < 0, places[rows, here], held)
        return fine

    def _room_for_more(self, orders: Orders) -> Floats:
        """How far along the last joint may stand for what has to come; nowhere if it cannot."""
        longest = np.where(orders.left > 0, self.kinds, 0.0).max(axis=1)[:, None]
        laid = self._table.to_lane(self._lanes, orders.starts())
        rest = self._table.length - laid
        more = np.maximum(0.0, np.ceil((rest - NEAR) / np.maximum(longest, NEAR)) - 1.0)
        many = np.maximum(more.sum(axis=1), self._fewest(orders, rest) - len(self._lanes))
        room = self._latest - many * self.rule.joints_mm
        by = self._table.to_cord(self._lanes, laid + longest)
        by = np.sort(np.where(more > 0.0, by, np.inf), axis=1)
        turn = (1 + self._lanes) * self.rule.joints_mm
        in_turn = (by - turn).min(axis=1)
        # so many of them together reach no further than so many of the longest strips left
        shorter = self._shorter(orders) / self._table.most_slope
        mean = np.cumsum(by - turn - shorter, axis=1) / (1 + self._lanes)
        in_turn = np.minimum(in_turn, mean.min(axis=1))
        too_few = orders.left.sum(axis=1) < many + len(self._lanes)
        return np.where(too_few, -NOWHERE, np.minimum(room, in_turn))

    def _shorter(self, orders: Orders) -> Floats:
        """By how much the longest strips left fall short of the very longest (W, N)."""
        left = np.cumsum(orders.left[:, ::-1], axis=1)
        which = np.stack([(left <= k).sum(axis=1) for k in self._lanes], axis=1)
        kinds = self.kinds[::-1][np.minimum(which, len(self.kinds) - 1)]
        shorter: Floats = kinds[:, :1] - kinds
        return shorter

    def _fewest(self, orders: Orders, rest_mm: Floats) -> Floats:
        """How many of the longest strips left reach over what is left of all lanes together."""
        kinds, left = self.kinds[::-1], orders.left[:, ::-1]
        reach, count = np.cumsum(kinds * left, axis=1), np.cumsum(left, axis=1)
        need = rest_mm.sum(axis=1) - NEAR
        rows = np.arange(len(left))
        here = np.minimum((reach < need[:, None]).sum(axis=1), len(kinds) - 1)
        short = need - (reach[rows, here] - kinds[here] * left[rows, here])
        fewest: Floats = count[rows, here] - left[rows, here] + np.ceil(short / kinds[here])
        return fewest

    def _squandered(self, orders: Orders) -> Bools:
        """Whether a lane begins with a strip where a shorter one that is left would do as well.

        What a first strip is used for can only get less. With the shorter one instead, and the
        longer one wherever that might have been, every schedule that may follow is one still.
        """
        found = np.zeros(len(orders), dtype=bool)
        for k in range(orders.joints):
            rows = np.nonzero(orders.before[:, k] < 0)[0]
            used = self._table.to_lane(orders.lane[rows, k], orders.places[rows, k])[:, None]
            fits = (self.kinds >= used - NEAR) & (self.kinds < orders.strip[rows, k, None] - NEAR)
            found[rows] |= (fits & (orders.left[rows] > 0)).any(axis=1)
        return found

    def _covers(self, orders: Orders) -> Bools:
        """Whether the strips left may cover what is left of all lanes at once.

        A lane needs so many strips at least, as if it had the longest to itself; all but a few
        lanes, as many as there are strips more, have to do with as many. Of lanes that need
        equally many the longest rests but for those few need as much as so many of the longest
        strips have.
        """
        longest = np.where(orders.left > 0, self.kinds, 0.0).max(axis=1)[:, None]
        rest = self._table.length - self._table.to_lane(self._lanes, orders.starts()) - NEAR
        need = np.maximum(1.0, np.ceil(rest / np.maximum(longest, NEAR)))
        more = orders.left.sum(axis=1) - need.sum(axis=1)
        reach = np.cumsum(self._sorted_left(orders), axis=1)
        fine: Bools = more >= 0
        for many in np.unique(need[fine]).astype(int):
            here = np.sort(np.where(need == many, rest, 0.0), axis=1)[:, ::-1]
            some = np.cumsum(here, axis=1)
            few = np.clip(more, 0, len(self._lanes)).astype(int)[:, None]
            spared = np.take_along_axis(np.pad(some, ((0, 0), (1, 0))), few, axis=1)
            strips = many * np.maximum(1 + self._lanes - few, 0)
            most = np.take_along_axis(reach, np.minimum(strips, reach.shape[1]) - 1, axis=1)
            most = np.where(strips > 0, most, np.inf)
            fine &= ~((some - spared > most) & (here > 0.0)).any(axis=1)
        return fine

    def _sorted_left(self, orders: Orders) -> Floats:
        """Lengths of the strips left, the longest first, 0 behind the last (W, S)."""
        number = int(self.counts.sum())
        ends = np.cumsum(orders.left[:, ::-1], axis=1)
        which = (ends[:, None, :] <= np.arange(number)[:, None]).sum(axis=2)
        lengths: Floats = np.append(self.kinds[::-1], 0.0)[which]
        return lengths

    def _unlike(self, orders: Orders) -> Ints:
        """Of orders that took the same strips and have come equally far, the first of each."""
        kinds, lanes = self._salt
        far = np.sort(orders.starts(), axis=1)
        key = np.stack([np.round(far @ lanes, 2), np.round(orders.left @ kinds, 9)], axis=1)
        return np.unique(key, axis=0, return_index=True)[1]

    # ---------------------------------------------------------------------------------- to the end

    def ended(self, orders: Orders) -> Orders:
        """The orders that strips left over can end, one for each lane, in their final places."""
        some = orders.of(self._matched(orders))
        if some.joints and len(some):
            some = self._settled(some, final=True)
            some = some.of(self._matched(some))
        return some

    def _matched(self, orders: Orders) -> Bools:
        """Whether to every lane's rest there is a strip that reaches, each its own."""
        rest = self._table.length - self._table.to_lane(self._lanes, orders.starts())
        rest = np.sort(rest, axis=1)[:, ::-1]
        as_long = np.cumsum(orders.left[:, ::-1], axis=1)[:, ::-1]
        as_long = np.pad(as_long, ((0, 0), (0, 1)))
        kind = np.searchsorted(self.kinds, rest - NEAR)
        there = np.take_along_axis(as_long, kind, axis=1)
        return np.asarray((there > self._lanes).all(axis=1))

    def total_mm(self, orders: Orders) -> Floats:
        """What those that `ended` take, to the largest rest first the shortest that covers it."""
        rest = self._table.length - self._table.to_lane(self._lanes, orders.starts())
        totals: Floats = orders.strip.sum(axis=1)
        for row, needs in enumerate(np.sort(rest, axis=1)[:, ::-1]):
            left = [float(x) for x in np.repeat(self.kinds, orders.left[row])]
            totals[row] += sum(left[k] for k in shortest_that_reach(left, needs.tolist()))
        return totals

    def placed(self, order: Sequence[tuple[int, float]]) -> Joints | None:
        """Latest places of joints in that order, each given by its lane and the strip it ends.

        None where the other strips do not reach the end of every lane from there.
        """
        lane = np.array([[one for one, _ in order]], dtype=np.int64)
        kind = np.searchsorted(self.kinds, [strip_mm - NEAR for _, strip_mm in order])
        before, last = np.full(lane.shape, -1), np.full((1, len(self._lanes)), -1)
        for joint, (one, _) in enumerate(order):
            before[0, joint], last[0, one] = last[0, one], joint
        left = self.counts - np.bincount(kind, minlength=len(self.kinds))
        places = np.full(lane.shape, self._latest)
        strip = self.kinds[kind][None, :]
        ended = self.ended(Orders(places, lane, before, strip, left[None, :], last, np.zeros(1)))
        return self.joints_of(ended, 0) if len(ended) else None

    def joints_of(self, orders: Orders, row: int) -> Joints:
        """Places of the joints of each lane."""
        places, lane = orders.places[row], orders.lane[row]
        return [[float(x) for x in places[lane == k]] for k in self._lanes]
