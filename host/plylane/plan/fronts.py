"""Fronts: how far the lanes have come after the first joints of a cord, very many at once.

Joints are set in their order along the cord. For a given order the rules only ever hold a joint
back: it lies no further than its strip reaches, and no nearer than the stagger before the next one.
Such rules have one latest solution, and what comes later can only push it back. It does so through
the last joint: where that has to lie at p, a lane whose own last joint came k joints before lies no
further than p less k staggers, and that is all, since a strip that reaches over the joints between
is at least as long as their staggers. So all that may follow depends on three things: how far along
each lane's last joint may lie, how many joints ago it was, and the strips left.

That has two uses. Whole strips less the lanes laid are the least that any schedule loses that
begins with this order. And of two fronts with the same strips left, one of which has come no
further in any lane and is held back sooner, the other may take its place in whatever follows. So
orders need not be told apart, and a search that goes from joint to joint has an end.

On bends, and where strips may not be cut shorter than the stagger, being pushed back is a little
more than that. Not all of it is counted, and none of it too much: a front may say that a lane has
come too far, and a schedule that seems to be there has to be laid and looked at (`orders`). A proof
stays one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from plylane.plan.reach import Reach
from plylane.plan.strips import GRID_MM, NEAR, Floats, StaggerRule, shortest_that_reach

NOWHERE = 1e9
AT_ONCE = 500_000
"""Steps times kinds that are worked out at once."""
LISTED = 2_000_000
"""Steps that are listed at once: of so many fronts, slots and kinds."""
MOST_COMPARED = 500
"""Fronts with the same strips left that one is compared with."""
EXACT = 1e-9

Ints = NDArray[Any]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Fronts:
    """W fronts of R joints.

    `places` (W, N): latest place of each slot's last joint, mm of cord; 0 with none. `held` (W, N):
    how far before the cord's last joint it has to lie; `ago` (W, N): how many joints ago it came,
    -1 with none. `first` (W, N): the kind of strip where the slot has but one joint, else -1.
    `left` (W, K): strips left of each kind. `lost_mm` (W): what is lost at least. `lane` (W, N):
    the lane of each slot. `lanes`, `kinds` (W, R): lane and kind of strip of every joint.
    """

    places: Floats
    held: Floats
    ago: Ints
    first: Ints
    left: Ints
    lost_mm: Floats
    lane: Ints
    lanes: Ints
    kinds: Ints

    def __len__(self) -> int:
        return len(self.places)

    @property
    def joints(self) -> int:
        """R."""
        return int(self.lanes.shape[1])

    def of(self, which: Any) -> Fronts:
        """Those of an index or a mask."""
        return Fronts(*(getattr(self, name)[which] for name in self.__slots__))

    def by_slot(self, order: Ints) -> Fronts:
        """With the slots of each in another order (W, N)."""
        names = ("places", "held", "ago", "first", "lane")
        return replace(self, **{n: np.take_along_axis(getattr(self, n), order, 1) for n in names})


@dataclass(frozen=True, slots=True)
class Steps:
    """Joints that may follow: behind which front, in which slot, of which kind of strip (each S).

    The joint's own latest place, mm; and roughly what is lost then, by which they are ranked.
    """

    row: Ints
    slot: Ints
    kind: Ints
    place: Floats
    lost_mm: Floats

    def __len__(self) -> int:
        return len(self.row)

    def of(self, which: Any) -> Steps:
        """Those of an index or a mask."""
        return Steps(*(getattr(self, name)[which] for name in self.__slots__))


Rows = TypeVar("Rows", Fronts, Steps)


def joined(parts: Sequence[Rows]) -> Rows:
    """All of them; fronts of equally many joints."""
    if len(parts) == 1:
        return parts[0]
    kind = type(parts[0])
    return kind(*(np.concatenate([getattr(p, n) for p in parts]) for n in kind.__slots__))


class Advance:
    """Strips, lanes and rule of a schedule, and what may follow a front."""

    def __init__(
        self, reach: Reach, counts: Sequence[int], rule: StaggerRule, *, backwards: bool = False
    ) -> None:
        """`counts` (K,): strips of each kind.

        `backwards`: lanes from their ends. A last strip may be short, and comes first there.
        """
        self.reach, self.kinds = reach, reach.kinds_mm
        self.counts = np.asarray(counts, dtype=np.int16)
        self.stagger, self.ends = rule.joints_mm, rule.ends_mm
        self.shortest = 0.0 if backwards else max(rule.shortest_mm, GRID_MM)
        table = reach.table
        # a lane longer than the cord takes that much strip over less of it
        self._shortest_cord = self.shortest / table.most_slope
        # whether being pushed back is whole staggers and no more
        self._whole = table.straight and self.shortest <= self.stagger
        self._slots = np.arange(len(reach.lane))
        self._latest = table.end - rule.ends_mm
        # where each slot's first joint may lie, and any
        self._first_mm = np.maximum(rule.ends_mm, reach.first_mm(self.shortest))
        self._earliest = float(self._first_mm.min())
        self._from_start = reach.reach_mm(np.zeros((1, len(self._slots))))[0]
        salt = np.random.default_rng(1).integers(1, 2**62, len(self.kinds), dtype=np.int64)
        self._salt = salt

    @property
    def strips_mm(self) -> float:
        """Total length of the strips."""
        return float(self.counts @ self.kinds)

    def start(self) -> Fronts:
        """The one front without a joint."""
        slots = len(self._slots)
        none = np.full((1, slots), -1, dtype=np.int16)
        whole = np.zeros((1, 0), dtype=np.int16)
        flat = np.zeros((1, slots))
        lane = self.reach.lane[None, :].astype(np.int16)
        left = self.counts[None, :].copy()
        return Fronts(flat, flat, none, none, left, np.zeros(1), lane, whole, whole)

    # ------------------------------------------------------------------------------ one more joint

    def steps(self, fronts: Fronts) -> Iterator[Steps]:
        """Every joint that may follow, for some fronts after the other: all take much memory."""
        many = max(1, LISTED // (len(self._slots) * len(self.kinds)))
        for begin in range(0, len(fronts), many):
            some = self._steps(fronts.of(slice(begin, begin + many)))
            yield replace(some, row=some.row + begin)

    def _steps(self, fronts: Fronts) -> Steps:
        fresh = fronts.ago < 0
        reach = self.reach.reach_mm(fronts.places)
        place = np.minimum(reach, self._latest)
        joints = fronts.joints
        good = (fronts.left[:, None, :] > 0) & self._first_of_alike(fresh)[:, :, None]
        good &= place >= self._earliest + joints * self.stagger - NEAR
        over = np.maximum(fronts.held + self.stagger, self._shortest_cord)[:, :, None]
        good &= fresh[:, :, None] | (self.reach.most_mm >= over - NEAR)
        good &= ~fresh[:, :, None] | (self.reach.most_mm >= self._shortest_cord - NEAR)
        cut = reach - place
        if joints:
            last = fronts.places.max(axis=1)[:, None, None]
            cut = cut + np.maximum(0.0, last + self.stagger - place)
        row, slot, kind = np.nonzero(good)
        lost = fronts.lost_mm[row] + cut[row, slot, kind]
        return Steps(row, slot, kind, place[row, slot, kind], lost)

    def _first_of_alike(self, fresh: Bools) -> Bools:
        """Of slots that can stand in for each other only the first without a joint (W, N)."""
        may = np.ones(fresh.shape, dtype=bool)
        for group in self.reach.groups:
            here = fresh[:, group]
            may[:, group] = ~here | (np.cumsum(here, axis=1) == 1)
        return may

    def go(self, fronts: Fronts, steps: Steps, most_mm: float) -> Fronts:
        """The fronts one joint on that lose no more than that, without those others stand for."""
        many = max(1, AT_ONCE // (len(self._slots) + len(self.kinds)))
        parts = [
            self._gone(fronts, steps.of(slice(k, k + many)), most_mm)
            for k in range(0, max(1, len(steps)), many)
        ]
        return parts[0] if len(parts) == 1 else self.best(parts)

    def _gone(self, fronts: Fronts, steps: Steps, most_mm: float) -> Fronts:
        longer = self._with(fronts, steps)
        self._push(longer, steps.place)
        longer = self._fine(longer, most_mm)
        longer = longer.of(~self._squandered(longer))
        room = np.minimum(self._room_for_more(longer), longer.places.max(axis=1, initial=0.0))
        there = room >= self._earliest + (longer.joints - 1) * self.stagger - NEAR
        longer = longer.of(there)
        self._push(longer, room[there])
        return self.best([self._fine(longer, most_mm)])

    def _with(self, fronts: Fronts, steps: Steps) -> Fronts:
        row, each = steps.row, np.arange(len(steps))
        at = each, steps.slot
        places, first, lane = fronts.places[row], fronts.first[row], fronts.lane[row]
        ago, left, held = fronts.ago[row], fronts.left[row], fronts.held[row]
        own = ago[at]
        # what lies before the strip's own start is held back by the shortest strip as well
        older = (own >= 0)[:, None] & (ago > own[:, None])
        by_strip = self._shortest_cord + (ago - own[:, None]) * self.stagger
        held = np.maximum(held + self.stagger, np.where(older, by_strip, 0.0))
        held = np.where(ago >= 0, held, 0.0)
        ago = np.where(ago >= 0, ago + 1, -1).astype(np.int16)
        first[at] = np.where(own < 0, steps.kind, -1)
        places[at], held[at], ago[at] = steps.place, 0.0, 0
        left[each, steps.kind] -= 1
        lanes = np.concatenate([fronts.lanes[row], lane[at][:, None]], axis=1)
        kind = steps.kind.astype(np.int16)[:, None]
        kinds = np.concatenate([fronts.kinds[row], kind], axis=1)
        return Fronts(places, held, ago, first, left, np.zeros(len(row)), lane, lanes, kinds)

    def _push(self, fronts: Fronts, last: Floats) -> None:
        """Back to where the rules allow with the last joint there, in place."""
        at_most = np.where(fronts.ago >= 0, last[:, None] - fronts.held, np.inf)
        np.minimum(fronts.places, at_most, out=fronts.places)

    def _fine(self, fronts: Fronts, most_mm: float) -> Fronts:
        """What they lose, without those that lose more than so much or stand too near the start."""
        fronts.lost_mm[:] = (self.counts - fronts.left) @ self.kinds
        fronts.lost_mm[:] -= self.reach.laid_mm(fronts.places)
        fine = fronts.lost_mm <= most_mm + NEAR
        early = (fronts.places < self._first_mm - NEAR) & (fronts.first >= 0)
        return fronts.of(fine & ~early.any(axis=1))

    # ----------------------------------------------------------------------------- what is to come

    def _room_for_more(self, fronts: Fronts) -> Floats:
        """How far along the last joint may stand for what has to come; nowhere if it cannot.

        Every lane has to have its next joint by where the longest strip left would reach, one joint
        a stagger, earliest deadline first; and there have to be as many joints as the longest
        strips left make.
        """
        if not len(fronts):
            return np.zeros(0)
        which = fronts.left.shape[1] - 1 - np.argmax(fronts.left[:, ::-1] > 0, axis=1)
        longest = self.kinds[which][:, None]
        rest = self.reach.rest_mm(fronts.places)
        more = np.maximum(0.0, np.ceil((rest - NEAR) / longest) - 1.0)
        whole = self.reach.needed_mm - self.reach.laid_mm(fronts.places)
        many = np.maximum(more.sum(axis=1), self._fewest(fronts, whole) - len(self._slots))
        room = self._latest - many * self.stagger
        by = fronts.places + self.reach.most_mm.T[which]
        by = np.sort(np.where(more > 0.0, by, np.inf), axis=1)
        turn = (1 + self._slots) * self.stagger
        # so many of them together reach no further than so many of the longest strips left
        shorter = self._shorter(fronts) / self.reach.table.most_slope
        mean = np.cumsum(by - turn - shorter, axis=1) / (1 + self._slots)
        in_turn = np.minimum((by - turn).min(axis=1), mean.min(axis=1))
        too_few = fronts.left.sum(axis=1) < many + len(self._slots)
        return np.where(too_few, -NOWHERE, np.minimum(room, in_turn))

    def _shorter(self, fronts: Fronts) -> Floats:
        """By how much the longest strips left fall short of the very longest (W, N)."""
        left = np.cumsum(fronts.left[:, ::-1], axis=1)
        which = np.stack([(left <= k).sum(axis=1) for k in self._slots], axis=1)
        kinds = self.kinds[::-1][np.minimum(which, len(self.kinds) - 1)]
        shorter: Floats = kinds[:, :1] - kinds
        return shorter

    def _fewest(self, fronts: Fronts, rest_mm: Floats) -> Floats:
        """How many of the longest strips left reach over what is left of all lanes together."""
        kinds, left = self.kinds[::-1], fronts.left[:, ::-1]
        reach, count = np.cumsum(kinds * left, axis=1), np.cumsum(left, axis=1)
        need, rows = rest_mm - NEAR, np.arange(len(left))
        here = np.minimum((reach < need[:, None]).sum(axis=1), len(kinds) - 1)
        short = need - (reach[rows, here] - kinds[here] * left[rows, here])
        fewest: Floats = count[rows, here] - left[rows, here] + np.ceil(short / kinds[here])
        return fewest

    def _squandered(self, fronts: Fronts) -> Bools:
        """Whether a lane begins with a strip where a shorter one that is left would do as well.

        What a first strip is used for can only get less. With the shorter one instead, and the
        longer one wherever that might have been, every schedule that may follow is one still. Left
        out where being pushed back is more than whole staggers: there a front may stand for another
        with a schedule that cannot be laid itself.
        """
        found = np.zeros(len(fronts), dtype=bool)
        if not self._whole:
            return found
        each = np.arange(len(self.kinds))
        for slot in self._slots:
            rows = np.nonzero(fronts.first[:, slot] >= 0)[0]
            reaches = self._from_start[slot] >= fronts.places[rows, slot, None] - NEAR
            shorter = each < fronts.first[rows, slot, None]
            found[rows] |= (reaches & shorter & (fronts.left[rows] > 0)).any(axis=1)
        return found

    # ------------------------------------------------------------------ one in place of another one

    def best(self, parts: Sequence[Fronts]) -> Fronts:
        """Without those that another one may replace; the least lossy of the same strips first."""
        fronts, same = self._by_strips(joined(parts))
        keys = [*fronts.places.T, *-fronts.held.T]
        if self.shortest > self.stagger:
            keys += list(-fronts.ago.T)
        return fronts.of(_not_below(keys, fronts.left, same, EXACT))

    def unlike(self, fronts: Fronts, within_mm: float) -> Fronts:
        """One of those alike: with the same strips left, and lanes as far, whichever lane it is."""
        if len(self.reach.groups) == 1:
            return fronts
        fronts, same = self._by_strips(fronts)
        order = np.argsort(-fronts.places, axis=1)
        far, held = (np.take_along_axis(x, order, axis=1) for x in (fronts.places, -fronts.held))
        return fronts.of(_not_below([*far.T, *held.T], fronts.left, same, within_mm))

    def _by_strips(self, fronts: Fronts) -> tuple[Fronts, Ints]:
        """Slots that can stand in for each other by their places; those with the same strips left
        one behind the other, the least lossy first, and how many of those came before (W,)."""
        order = np.tile(self._slots, (len(fronts), 1))
        for group in self.reach.groups:
            if group.stop - group.start > 1:
                order[:, group] = group.start + np.argsort(-fronts.places[:, group], axis=1)
        fronts = fronts.by_slot(order)
        key = fronts.left.astype(np.int64) @ self._salt
        by = np.lexsort((fronts.lost_mm, key))
        new = np.concatenate([[True], np.diff(key[by]) != 0])[: len(by)]
        index = np.arange(len(by))
        return fronts.of(by), index - np.maximum.accumulate(np.where(new, index, 0))

    # ---------------------------------------------------------------------------------- to the end

    def may_end(self, fronts: Fronts) -> Bools:
        """Whether to every lane's rest there is a strip that reaches, each its own."""
        rest = np.sort(self.reach.rest_mm(fronts.places), axis=1)[:, ::-1]
        as_long = np.cumsum(fronts.left[:, ::-1], axis=1)[:, ::-1]
        as_long = np.pad(as_long, ((0, 0), (0, 1)))
        kind = np.searchsorted(self.kinds, rest - NEAR)
        there = np.take_along_axis(as_long, kind, axis=1)
        return np.asarray((there > self._slots).all(axis=1))

    def total_mm(self, fronts: Fronts) -> Floats:
        """What those that may end take, to the largest rest first the shortest that covers it."""
        totals: Floats = (self.counts - fronts.left) @ self.kinds
        for row, needs in enumerate(self.reach.rest_mm(fronts.places)):
            left = [float(x) for x in np.repeat(self.kinds, fronts.left[row])]
            totals[row] += sum(left[k] for k in shortest_that_reach(left, needs.tolist()))
        return totals


def _not_below(columns: Sequence[Any], left: Ints, same: Ints, within: float) -> Bools:
    """Which rows are in no column below one of the rows with the same strips left before them.

    `columns` (W,) each. `same`: how many rows with the same strips left come before. A row that is
    itself below one may stand for others all the same where `within` is nothing.
    """
    columns = [np.ascontiguousarray(column) for column in columns]
    kept = np.ones(len(left), dtype=bool)
    rows = np.arange(len(left))
    for back in range(1, min(int(same.max(initial=0)), MOST_COMPARED) + 1):
        rows = rows[(same[rows] >= back) & kept[rows]]
        if not len(rows):
            break
        below = rows
        for column in columns:
            below = below[column[below - back] >= column[below] - within]
        below = below[(left[below - back] == left[below]).all(axis=1)]
        if within > EXACT:
            below = below[kept[below - back]]
        kept[below] = False
    return kept


def kinds_of(lengths_mm: Sequence[float], most: int | None = None) -> tuple[Floats, list[int]]:
    """Strips in at most so many kinds, each as long as its longest, and how many of each.

    Neighbours are joined where that adds least length.
    """
    lengths = sorted(lengths_mm)
    groups = [[one for one in lengths if one == value] for value in sorted(set(lengths))]
    while most is not None and len(groups) > most:
        added = [len(a) * (b[-1] - a[-1]) for a, b in pairwise(groups)]
        at = int(np.argmin(added))
        groups[at : at + 2] = [groups[at] + groups[at + 1]]
    return np.array([group[-1] for group in groups]), [len(group) for group in groups]
