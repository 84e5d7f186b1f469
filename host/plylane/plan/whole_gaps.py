"""A proof by counting that a stagger is too wide, although there is strip length to spare.

Our own method. Let N lanes have J joints, s apart at least and e from the cord's ends. Between the
first and the last lie J - 1 gaps, each of at least s, and every lane's strips reach over all of
them: N (J - 1) together, each over a whole number.

- A strip between two joints reaches over k gaps only where it covers k s of the cord.
- A first strip of a lane covers e and s for every joint before the one at its end. Joints are never
  side by side, so no two first strips reach over equally many gaps. The same holds for last strips.
- J joints take J + N strips and (J - 1) s + 2 e of the cord. The strips taken are together as long
  as the lanes at least, and as many as the lanes take at least one by one.

What can be done with some strips can be done with longer ones in their places. So of every number
of strips the longest are looked at and the most gaps that they can reach over: each as many as it
can between two joints, less what is lost at the ends. Where that is too little for every number
there is no schedule. A lane of a single strip has no joint: for every number of such lanes the
others are counted by themselves, without the shortest strips that would do for those.

On bends a strip may cover more of the cord than it is long. How much more has two bounds: the least
ratio of lane to cord anywhere, and the most by which a lane falls short of the cord over as much as
the longest strip can cover.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, inf

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from plylane.feed.lane_map import LaneMap
from plylane.plan.strips import GRID_MM, Floats, ScheduleError, StaggerRule, Strip

NEAR = 1e-5
"""Schedules may break a rule by a tenth of this, mm, as rounding goes; a proof leaves all of it."""
PARTS = 32
"""Of what the longest strip covers, in which a lane is held against the cord."""
MOST_NUMBERS = 400
"""With more numbers of gaps to choose from nothing worth counting is lost at the ends."""
NEVER = 10**6

Whole = NDArray[np.int64]


def prove_stagger_too_wide(
    strips: Sequence[Strip],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    fewest: Sequence[int],
) -> None:
    """Raise ScheduleError, proven, where whole gaps show that no schedule keeps the stagger.

    `fewest` says how many strips each lane takes at least. The message says from which stagger on
    they show it. Where they would at any stagger it is not the stagger
    that is at fault, and nothing is raised.
    """
    if rule.joints_mm <= GRID_MM:
        return
    cases = _cases(strips, lanes, rule.ends_mm, fewest)
    lack = _least_lack(cases, rule.joints_mm)
    if lack is None or _least_lack(cases, GRID_MM) is not None:
        return
    open_mm, shut_mm = GRID_MM, rule.joints_mm
    while shut_mm - open_mm > GRID_MM / 2:
        middle = 0.5 * (open_mm + shut_mm)
        if _least_lack(cases, middle) is None:
            open_mm = middle
        else:
            shut_mm = middle
    most_mm = ceil(shut_mm / GRID_MM) * GRID_MM
    raise ScheduleError(
        f"the stagger rule cannot be kept: {lack.words}; take longer strips; "
        f"no stagger of more than {most_mm:.1f} mm can be kept",
        proven=True,
    )


@dataclass(frozen=True, slots=True)
class _Lack:
    """By how many gaps strips do not reach, and that in words."""

    gaps: float
    words: str


def _least_lack(cases: Sequence[_Case], stagger_mm: float) -> _Lack | None:
    """None where one of the cases is not ruled out."""
    lacks = []
    for case in cases:
        lack = case.lack(stagger_mm)
        if lack is None:
            return None
        lacks.append(lack)
    return min(lacks, key=lambda lack: lack.gaps, default=None)


def _cases(
    strips: Sequence[Strip], lanes: Sequence[LaneMap], ends_mm: float, fewest: Sequence[int]
) -> list[_Case]:
    """One for every number of lanes of a single strip, but for those that are too short anyhow."""
    lengths = np.sort([strip.length_mm for strip in strips])[::-1]
    needs = np.sort([lane.length_mm for lane in lanes])
    at_least = np.sort(np.maximum(fewest, 2))
    reach = _reach_mm(lengths, lanes)
    single = int(np.sum(lengths >= needs[0] - NEAR))  # these come first
    cases = []
    for alone in range(min(single, len(lanes)) + 1):
        kept = np.r_[: single - alone, single : len(lengths)]
        many = len(lanes) - alone
        enough = np.cumsum(lengths[kept]) >= np.sum(needs[:many]) - GRID_MM / 2
        counts = np.arange(1, len(kept) + 1)
        counts = counts[enough & (counts >= np.sum(at_least[:many]))]
        if len(counts) or not many:
            cases.append(_Case(many, reach[kept], counts, lanes[0].cord_end_mm, ends_mm))
    return cases


def _reach_mm(lengths: Floats, lanes: Sequence[LaneMap]) -> Floats:
    """The most of the cord that strips can cover, whatever the lane and the place."""
    ratio = min(float(np.min(np.diff(one.lane_mm) / np.diff(one.cord_mm))) for one in lanes)
    if ratio >= 1.0:
        return lengths
    widest_mm = lengths[0] / ratio
    return np.minimum(lengths / ratio, lengths + max(_short_mm(one, widest_mm) for one in lanes))


def _short_mm(lane: LaneMap, within_mm: float) -> float:
    """The most by which the lane is shorter than the cord over a stretch of at most so much.

    Never less than that: in steps of a part of `within_mm`, a stretch may begin and end anywhere in
    its first and last step.
    """
    end_mm = lane.cord_end_mm
    steps = ceil(end_mm / within_mm * PARTS)
    edges = np.linspace(0.0, end_mm, steps + 1)
    at_edge, extra = lane.to_lane(edges) - edges, lane.lane_mm - lane.cord_mm
    highest, lowest = np.maximum(at_edge[:-1], at_edge[1:]), np.minimum(at_edge[:-1], at_edge[1:])
    first = np.searchsorted(lane.cord_mm, edges)
    inside, begin = first[1:] > first[:-1], first[:-1]
    highest = np.where(inside, np.maximum(highest, np.maximum.reduceat(extra, begin)), highest)
    lowest = np.where(inside, np.minimum(lowest, np.minimum.reduceat(extra, begin)), lowest)
    across = ceil(within_mm * steps / end_mm) + 2
    ahead = sliding_window_view(np.append(lowest, np.full(across - 1, inf)), across)
    return float(np.max(highest - ahead.min(axis=1)))


def _some_of_each(between: Whole, at_end: Whole, most: int) -> Whole:
    """Indices of strips, no more than so many of those that are as good as each other."""
    new = (np.diff(between, prepend=-1) != 0) | (np.diff(at_end, prepend=-1) != 0)
    index = np.arange(len(between))
    first = np.maximum.accumulate(np.where(new, index, 0))
    return np.flatnonzero(index - first < most)


@dataclass(frozen=True, slots=True)
class _Case:
    """So many lanes of two strips or more, and strips for them from the longest down.

    `reach_mm` is the cord that each strip covers at most, shape (n,); `counts` are the numbers of
    strips that are long enough together.
    """

    lanes: int
    reach_mm: Floats
    counts: Whole
    cord_mm: float
    ends_mm: float

    def lack(self, stagger_mm: float) -> _Lack | None:
        """What is lacking for the number of strips that lacks least; None where nothing is."""
        if not self.lanes:
            return None
        apart = stagger_mm - NEAR
        between = self._gaps(self.reach_mm, apart)
        at_end = self._gaps(self.reach_mm - self.ends_mm, apart)
        if at_end[0] < self.lanes - 1:
            return self._no_ends(stagger_mm)
        room = floor((self.cord_mm - 2 * self.ends_mm + NEAR) / apart)
        counts = self.counts[self.counts - self.lanes - 1 <= room]
        if not len(counts):
            return self._no_room(stagger_mm)
        over = np.cumsum(between)[counts - 1] - self.lanes * (counts - self.lanes - 1)
        least_lost = self._lost(between, at_end, len(between))  # of fewer strips no less
        best, strips = -inf, 0
        for index in np.argsort(-over):
            if over[index] - least_lost <= best:
                break
            left = over[index] - self._lost(between, at_end, int(counts[index]))
            if left >= 0:
                return None
            if left > best:
                best, strips = left, int(counts[index])
        if not strips:
            return self._no_ends(stagger_mm)
        return self._too_few_gaps(stagger_mm, strips, -int(best))

    def _gaps(self, reach_mm: Floats, apart_mm: float) -> Whole:
        return np.floor((reach_mm + NEAR) / apart_mm).astype(np.int64)

    def _lost(self, between: Whole, at_end: Whole, count: int) -> float:
        """Gaps lost at both ends, at least, because first strips differ, and last ones.

        A strip that could reach over more between two joints loses the difference. Every number of
        gaps may be a first and a last strip's; strips go where least is lost together. Infinite
        where too few strips reach.
        """
        numbers = np.repeat(np.arange(min(int(at_end[0]), count - self.lanes - 1) + 1), 2)
        if len(numbers) > MOST_NUMBERS:
            return 0.0
        kept = _some_of_each(between[:count], at_end[:count], 2 * self.lanes)
        lost = between[kept] - numbers[:, None]
        lost = np.where(at_end[kept] >= numbers[:, None], lost, NEVER)
        nowhere = np.zeros((len(numbers), len(numbers) - 2 * self.lanes), dtype=np.int64)
        table = np.hstack([lost, nowhere])
        total = int(np.sum(table[linear_sum_assignment(table)]))
        return float(total) if total < NEVER else inf

    def _no_ends(self, stagger_mm: float) -> _Lack:
        far_mm = self.ends_mm + (self.lanes - 1) * stagger_mm
        return _Lack(
            inf,
            f"the first joints of {self.lanes} lanes, {stagger_mm:g} mm apart, lie up to "
            f"{far_mm:.1f} mm from the start of the cord, the last as far from its end, and too "
            "few strips reach there",
        )

    def _no_room(self, stagger_mm: float) -> _Lack:
        strips = int(self.counts[0])
        return _Lack(
            inf,
            f"{self.lanes} lanes take at least {strips} strips, and the cord has no room for "
            f"{strips - self.lanes} joints {stagger_mm:g} mm apart",
        )

    def _too_few_gaps(self, stagger_mm: float, strips: int, lacking: int) -> _Lack:
        gaps = self.lanes * (strips - self.lanes - 1)
        return _Lack(
            lacking,
            f"{strips} strips in {self.lanes} lanes have to reach over {gaps} gaps between joints "
            f"together, and where gaps are {stagger_mm:g} mm wide they reach over "
            f"{gaps - lacking} at most",
        )
