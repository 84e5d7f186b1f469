"""The search from joint to joint, many fronts at once: for joints, for bounds, for proofs of none.

Level by level, each a joint further. A search that left nothing out has been everywhere that the
strip to spare leads to, and what it has not found is not there. One that goes on with no more than
so many fronts, those that have lost least but for chance, finds most of what is there; several
such find more, since what one passes over another may not.

Proofs take strips as if they were longer, so that they are of few kinds, and lanes that differ by a
bend as one. Far fewer fronts differ then. What cannot be done so cannot be done.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from plylane.feed.lane_map import LaneMap
from plylane.plan.fronts import Advance, Fronts, Steps, joined, kinds_of
from plylane.plan.orders import placed, total_mm
from plylane.plan.reach import Reach
from plylane.plan.strips import GRID_MM, Floats, Joints, StaggerRule

ENDS_LIMIT = 20_000
"""Steps of so many are gone through from an end."""
TRIED = 3
"""Steps worked out for each front that is gone on with, where not all are."""
SO_FAR = 20
"""Fronts for each that a proof may have, before those are left out that others stand for."""
ALIKE_MM = 5.0
"""Fronts whose lanes have come as far but for that are taken as alike where not all are kept."""
LAID = 20
"""Orders laid, of those found with as many joints."""
CHANCE_MM = 100.0
"""Scale of the exponential distribution of what is added to losses where fronts are left out."""


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


@dataclass(frozen=True)
class Task:
    """Strips, lanes and rule; every schedule has `fewest` joints at least."""

    lengths_mm: Sequence[float]
    lanes: Sequence[LaneMap]
    rule: StaggerRule
    fewest: int

    def advance(self, kinds: int | None, parts: int | None, *, backwards: bool = False) -> Advance:
        """Strips in so many kinds, lanes in so many parts; None for each as it is."""
        sizes, counts = kinds_of(self.lengths_mm, kinds)
        lanes = [lane.backwards() for lane in self.lanes] if backwards else self.lanes
        reach = Reach(lanes, sizes, parts=parts)
        return Advance(reach, counts, self.rule, backwards=backwards)

    @property
    def alike(self) -> bool:
        """Whether the lanes are."""
        return all(lane.same_as(self.lanes[0]) for lane in self.lanes)


def search(task: Task, so_far: Found, widths: Sequence[int], limit: int = ENDS_LIMIT) -> Found:
    """Better joints than those so far, or a better bound.

    `widths`: fronts gone on with, one search after the other, as chance has it with a fixed seed;
    until there are joints where there were none, all where there were. `limit`: so many steps are
    gone through from an end.
    """
    advance = task.advance(None, None)
    needed = advance.reach.needed_mm
    below = min(so_far.total_mm, advance.strips_mm + GRID_MM)
    most = below - GRID_MM / 2 - needed
    ends = from_both_ends(task, most, limit=limit)
    if ends.lost_mm >= most:
        return replace(so_far, bound_mm=so_far.total_mm)
    so_far = replace(so_far, bound_mm=max(so_far.bound_mm, needed + ends.lost_mm))
    for seed, width in enumerate(widths):
        chance = np.random.default_rng(seed) if seed else None
        went = Search(task, advance, below, ends.to_come_mm, width, chance)
        went.run()
        first = so_far.joints is None
        if went.joints is not None:
            below = went.total_mm
            so_far = replace(so_far, joints=went.joints, total_mm=below)
        if went.finished:
            return replace(so_far, bound_mm=so_far.total_mm)
        if so_far.settled or (first and so_far.joints is not None):
            break
    return so_far


@dataclass
class Search:
    """No more than `width` fronts at once, for totals below `total_mm`.

    `to_come_mm[k]`: what is lost at least behind the first k joints. `chance` has a say in which
    fronts are left out. `finished` where it has been everywhere.
    """

    task: Task
    advance: Advance
    total_mm: float
    to_come_mm: Floats
    width: int
    chance: np.random.Generator | None = None
    joints: Joints | None = None
    finished: bool = True

    def run(self) -> None:
        """From the start of the cord to where nothing follows."""
        fronts = self.advance.start()
        while len(fronts):
            self._end(fronts)
            fronts = self._next(fronts)

    def _next(self, fronts: Fronts) -> Fronts:
        steps = joined([self._some(steps) for steps in self.advance.steps(fronts)])
        steps = self._some(steps)
        longer = self.advance.go(fronts, steps, self._most_mm(fronts.joints + 1))
        if len(longer) > self.width:
            self.finished = False
            longer = self.advance.unlike(longer, ALIKE_MM)
            order = np.argsort(self._shaken(longer.lost_mm), kind="stable")
            longer = longer.of(order[: self.width])
        return longer

    def _some(self, steps: Steps) -> Steps:
        most = TRIED * self.width
        if len(steps) <= most:
            return steps
        self.finished = False
        return steps.of(np.argpartition(self._shaken(steps.lost_mm), most)[:most])

    def _shaken(self, lost_mm: Floats) -> Floats:
        if self.chance is None:
            return lost_mm
        return np.asarray(lost_mm + self.chance.exponential(CHANCE_MM, len(lost_mm)))

    def _most_mm(self, joints: int) -> float:
        """What the first joints may lose."""
        to_come = float(self.to_come_mm[joints]) if joints < len(self.to_come_mm) else 0.0
        return self.total_mm - GRID_MM / 2 - self.advance.reach.needed_mm - to_come

    def _end(self, fronts: Fronts) -> None:
        """Lay the least of those that strips left over can end; pushed back they may not do."""
        ended = fronts.of(self.advance.may_end(fronts))
        totals = self.advance.total_mm(ended)
        for row in np.argsort(totals, kind="stable")[:LAID]:
            if totals[row] >= self.total_mm - GRID_MM / 2:
                return
            strips = self.advance.kinds[ended.kinds[row]]
            order = [(int(k), float(mm)) for k, mm in zip(ended.lanes[row], strips, strict=True)]
            task = self.task
            joints = placed(order, task.lengths_mm, task.lanes, task.rule)
            if joints is None:
                self.finished = False
                continue
            self.total_mm = total_mm(task.lengths_mm, task.lanes, joints)
            self.joints = joints
            if self.total_mm > totals[row] + GRID_MM / 2:  # another one may take less
                self.finished = False


# ------------------------------------------------------------------------------------------- proofs


class Verdict(Enum):
    """What came of trying to prove that there is no schedule."""

    NONE = "none"
    MAYBE = "maybe"  # with strips longer and lanes as one there is
    OPEN = "open"  # too many fronts


def prove_none(task: Task, *, kinds: int | None, parts: int, limit: int) -> Verdict:
    """Whether there is none even of strips in so many kinds and lanes in so many parts.

    No more than `limit` fronts at once, and as many steps from either end.
    """
    parted = None if task.alike or parts >= len(task.lanes) else parts
    advance = task.advance(kinds, parted)
    most = advance.strips_mm + GRID_MM / 2 - advance.reach.needed_mm
    ends = from_both_ends(task, most, kinds=kinds, parts=parted, limit=min(limit, ENDS_LIMIT))
    if ends.lost_mm >= most:
        return Verdict.NONE
    fronts = advance.start()
    while len(fronts):
        if advance.may_end(fronts).any():
            return Verdict.MAYBE
        joints = fronts.joints + 1
        to_come = float(ends.to_come_mm[joints]) if joints < len(ends.to_come_mm) else 0.0
        longer: list[Fronts] = []
        for steps in advance.steps(fronts):
            longer.append(advance.go(fronts, steps, most - to_come))
            if sum(len(some) for some in longer) > SO_FAR * limit:
                return Verdict.OPEN
        fronts = advance.best(longer)
        if len(fronts) > limit:
            return Verdict.OPEN
    return Verdict.NONE


class Proofs:
    """Proofs of none with more and more kinds; what was MAYBE once is not tried again."""

    def __init__(self, task: Task) -> None:
        self._task = task
        self._all = len(set(task.lengths_mm))
        self._maybe: set[tuple[int, int]] = set()

    def tried(self, limits: Sequence[tuple[int | None, int]], parts: int) -> bool:
        """Whether there is none, by kinds and limit of each until fronts are too many."""
        for kinds, limit in limits:
            tried = min(kinds or self._all, self._all), parts
            if tried in self._maybe:
                continue
            verdict = prove_none(self._task, kinds=kinds, parts=parts, limit=limit)
            if verdict is not Verdict.MAYBE:
                return verdict is Verdict.NONE
            self._maybe.add(tried)
        return False


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
    task: Task,
    most_mm: float,
    *,
    kinds: int | None = None,
    parts: int | None = None,
    limit: int = ENDS_LIMIT,
) -> Ends:
    """Of schedules that lose less than `most_mm`.

    Where there is one, one of its ends loses no more than half of that. So everything that loses no
    more is gone through from either end, as long as there are no more than `limit` steps. Where
    `lost_mm` comes to `most_mm` there is no such schedule.
    """
    first, last = (
        _least_losses(task.advance(kinds, parts, backwards=back), most_mm / 2, task.fewest, limit)
        for back in (False, True)
    )
    return Ends(first, last)


def _least_losses(advance: Advance, half_mm: float, joints: int, limit: int) -> Floats:
    """Level by level; the half from where nothing is left on, and no more where too much is."""
    least = np.zeros(joints + 1)
    fronts = advance.start()
    for level in range(1, joints + 1):
        some: list[Steps] = []
        for steps in advance.steps(fronts):
            some.append(steps)
            if sum(len(one) for one in some) > limit:
                least[level:] = least[level - 1]
                return least
        fronts = advance.go(fronts, joined(some), half_mm)
        if not len(fronts):
            least[level:] = half_mm
            break
        least[level] = max(least[level - 1], float(fronts.lost_mm.min()))
    return least
