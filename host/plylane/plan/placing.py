"""Middling cases put to a constraint solver: a schedule, a better bound, or a proof of none.

A joint is an interval as long as the stagger, and no two intervals overlap; a place takes a strip
of some kind, and strips of a kind are as good as each other. Joints have a number along the cord
as well: no two the same, and a strip spans no more of them than whole staggers go into it. That
allows no less, but the solver decides sooner with it. Kinds may be coarse: with every strip as
long as the longest of its kind whatever cannot be done cannot be done with the strips either, and
a few kinds are answered far sooner than every strip by itself.

CP-SAT of OR-Tools works in whole numbers (hundredths of a millimetre here). On bends the extra
length of a lane is a line in the cord's length, piece by piece. What is rounded is rounded so that
a proof holds; a schedule is worked out anew from its order (`orders.placed`).
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import ceil, floor
from typing import Any

import numpy as np

from plylane.feed.lane_map import LaneMap
from plylane.plan.covering import fewest_by_lane, fewest_strips, need_tenths
from plylane.plan.orders import placed
from plylane.plan.strips import GRID_MM, Joints, StaggerRule, Strip

UNIT = 100  # a millimetre
LINE_MM = 0.01  # how far a lane's extra length may lie off its line
OFF = 2 * ceil(LINE_MM * UNIT + 2)  # at most, a strip's two ends
SLOPE = 1000  # a line's slope is a whole number of thousandths
SEED = 1


class Said(Enum):
    """What came of a question."""

    FOUND = "found"
    NONE = "none"
    OPEN = "open"


@dataclass(frozen=True)
class Answer:
    """`joints` of each lane (cord positions) where some were found.

    Every schedule takes `bound_mm` at least, or there is none.
    """

    said: Said
    bound_mm: float
    joints: Joints | None = None


@dataclass(frozen=True, slots=True)
class _Kind:
    """Strips taken as equal: how far each reaches, and what they cost, the cheapest first."""

    reach: int
    costs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Line:
    """Extra length of a lane, `extra` at `start`, over a stretch of cord; units."""

    start: float
    end: float
    extra: float
    slope: float


def ask(
    strips: Sequence[Strip],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    *,
    kinds: int | None,
    bound_mm: float,
    below_mm: float,
    effort: float,
) -> Answer:
    """Look for a schedule that takes `bound_mm` or more and less than `below_mm`.

    With `kinds` strips are lumped into so many: no joints come back then, only what is proved.
    `effort` is the solver's own measure of work (one takes some two seconds of a core), the same
    on every computer. Ctrl-C ends it at once.
    """
    from ortools.sat.python import cp_model

    model = _Model(cp_model.CpModel(), strips, lanes, rule, kinds)
    model.cost_between(bound_mm, below_mm)
    solver = cp_model.CpSolver()
    solver.parameters.random_seed = SEED
    solver.parameters.num_workers = 1
    solver.parameters.max_deterministic_time = effort
    solver.parameters.use_strong_propagation_in_disjunctive = True  # often what decides
    status = _solved(solver, model.model)
    if status == cp_model.INFEASIBLE:
        return Answer(Said.NONE, below_mm)
    least = solver.best_objective_bound if np.isfinite(below_mm) else 0.0
    proved = max(bound_mm, ceil(least - 1e-6) / UNIT)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Answer(Said.OPEN, proved)
    joints = model.joints(solver) if kinds is None else None
    return Answer(Said.FOUND, proved, joints)


def _solved(solver: Any, model: Any) -> Any:
    """Solved in a thread of its own, so that this one hears of Ctrl-C; the solver's way of hearing
    of it is to end without a word."""
    solver.parameters.catch_sigint_signal = False
    with ThreadPoolExecutor(1) as pool:
        status = pool.submit(solver.solve, model)
        try:
            return status.result()
        except KeyboardInterrupt:
            solver.stop_search()
            raise


class _Model:
    """The variables and what must hold."""

    def __init__(
        self,
        model: Any,
        strips: Sequence[Strip],
        lanes: Sequence[LaneMap],
        rule: StaggerRule,
        kinds: int | None,
    ) -> None:
        self.model, self.lanes, self.rule = model, lanes, rule
        self.kinds = _lumped([round(one.length_mm * UNIT) for one in strips], kinds)
        self.end = floor(lanes[0].cord_end_mm * UNIT)
        self.taken: list[list[Any]] = [[] for _ in self.kinds]
        self.intervals: list[Any] = []
        self.rows: list[list[tuple[Any, Any, list[Any]]]] = []  # place, there, kinds
        fewest = fewest_by_lane(strips, lanes)
        more = len(strips) - sum(fewest)
        for lane, least in zip(lanes, fewest, strict=True):
            self._lane(lane, least, least + more)
        for kind, taken in zip(self.kinds, self.taken, strict=True):
            model.add(sum(taken) <= len(kind.costs))
        places = [there for row in self.rows for _, there, _ in row]
        model.add(sum(places) >= fewest_strips(strips, lanes, rule))
        model.add_no_overlap(self.intervals)
        if rule.joints_mm * UNIT >= 1.0:
            self._number()
        self._lanes_alike(fewest)

    def _lane(self, lane: LaneMap, least: int, most: int) -> None:
        """The places of a lane, `least` of which are taken, up to `most`."""
        model, lines = self.model, _lines(lane)
        # two ends, each off its line and rounded
        off = 0 if lines is None else OFF
        there = [1 if k < least else model.new_bool_var("") for k in range(most)]
        for k in range(least + 1, most):
            model.add_implication(there[k], there[k - 1])
        reached, reaches, row = 0, [], []
        for k in range(most):
            last = k == most - 1
            at = self.end if last else self._joint(there[k + 1])
            kinds = [model.new_bool_var("") for _ in self.kinds]
            model.add(sum(kinds) == there[k])
            for taken, one in zip(self.taken, kinds, strict=True):
                taken.append(one)
            reaches.append(sum(kind.reach * x for kind, x in zip(self.kinds, kinds, strict=True)))
            laid = at + self._extra(lane, lines, None if last else at)
            model.add(laid - reached <= reaches[-1] + off)
            if not last:
                shortest = floor(max(self.rule.shortest_mm, GRID_MM) * UNIT)
                self._where(laid - reached >= shortest - off, there[k + 1])
            row.append((at, there[k], kinds))
            reached = laid
        model.add(sum(reaches) >= round(need_tenths(lane) * GRID_MM * UNIT))
        self.rows.append(row)

    def _number(self) -> None:
        """Number the joints; a strip spans no more of them than whole staggers go into it."""
        model, after = self.model, [there for row in self.rows for _, there, _ in row[1:]]
        ends, stagger = (floor(x * UNIT + 1e-6) for x in (self.rule.ends_mm, self.rule.joints_mm))
        most = max(0, min(len(after), (self.end - 2 * ends + 2) // stagger + 1))
        joints = model.new_int_var(0, most, "")
        model.add(joints == sum(after))
        taken: list[Any] = []
        for lane, row in zip(self.lanes, self.rows, strict=True):
            first, inner = self._staggers(lane, ends, stagger)
            before: Any = None
            spanned: Any = 0
            for k, (at, _, kinds) in enumerate(row):
                inside = first if before is None else inner
                spans = sum(n * x for n, x in zip(inside, kinds, strict=True))
                spanned = spanned + spans
                if k + 1 < len(row):
                    followed = row[k + 1][1]
                    number = model.new_int_var(1, max(1, most), "")
                    one = model.new_optional_interval_var(number, 1, number + 1, followed, "")
                    taken.append(one)
                    self._where(number <= joints, followed)
                    self._where(at >= ends + (number - 1) * stagger, followed)
                    self._where(at <= self.end - ends + 2 - (joints - number) * stagger, followed)
                    start = 1 if before is None else before
                    self._where(number - start <= spans, followed)
                    before = number
            model.add(spanned >= joints - 1)
        model.add_no_overlap(taken)

    def _staggers(self, lane: LaneMap, ends: int, stagger: int) -> tuple[list[int], list[int]]:
        """Whole staggers in each kind: beside a cord's end, and anywhere."""
        slope = min(1.0, float((np.diff(lane.lane_mm) / np.diff(lane.cord_mm)).min()))
        reach = [(kind.reach + OFF) / slope for kind in self.kinds]
        return [floor((x - ends) / stagger) for x in reach], [floor(x / stagger) for x in reach]

    def _joint(self, followed: Any) -> Any:
        """Where a place ends: at a joint, or at the cord's end where none follows."""
        ends, stagger = (floor(x * UNIT + 1e-6) for x in (self.rule.ends_mm, self.rule.joints_mm))
        at = self.model.new_int_var(ends, self.end, "")
        self._where(at <= self.end - ends + 1, followed)
        if isinstance(followed, int):
            interval = self.model.new_interval_var(at, stagger, at + stagger, "")
        else:
            self.model.add(at == self.end).only_enforce_if(~followed)
            interval = self.model.new_optional_interval_var(at, stagger, at + stagger, followed, "")
        self.intervals.append(interval)
        return at

    def _where(self, holds: Any, there: Any) -> None:
        added = self.model.add(holds)
        if not isinstance(there, int):
            added.only_enforce_if(there)

    def _extra(self, lane: LaneMap, lines: list[_Line] | None, at: Any) -> Any:
        """What the lane is longer by up to there; `at` None is the end."""
        if lines is None:
            return 0
        if at is None:
            return round((lane.length_mm - lane.cord_end_mm) * UNIT)
        model = self.model
        ends = [one.extra for one in lines] + [
            one.extra + one.slope * (one.end - one.start) for one in lines
        ]
        extra = model.new_int_var(floor(min(ends)) - 3, ceil(max(ends)) + 3, "")
        on = [model.new_bool_var("") for _ in lines]
        model.add_exactly_one(on)
        for line, here in zip(lines, on, strict=True):
            slope = round(line.slope * SLOPE)
            lost = abs(line.slope * SLOPE - slope) * (line.end - line.start)
            room = SLOPE * (1 + LINE_MM * UNIT) + lost + abs(slope)
            level = SLOPE * line.extra - slope * line.start
            model.add_linear_constraint(at, floor(line.start), ceil(line.end)).only_enforce_if(here)
            model.add_linear_constraint(
                SLOPE * extra - slope * at, floor(level - room), ceil(level + room)
            ).only_enforce_if(here)
        return extra

    def _lanes_alike(self, fewest: Sequence[int]) -> None:
        """Of lanes that may be swapped the first joint of the first comes first."""
        for k in range(1, len(self.lanes)):
            alike = self.lanes[k].same_as(self.lanes[k - 1])
            if alike and fewest[k] >= 2:
                self.model.add(self.rows[k - 1][0][0] <= self.rows[k][0][0])

    def cost_between(self, low_mm: float, below_mm: float) -> None:
        """Ask for the least total, from low to below; for any total where below is infinite.

        Whether there is a schedule at all is answered far sooner without a least one to look for.
        """
        cost: Any = 0
        for kind, taken in zip(self.kinds, self.taken, strict=True):
            cost = cost + self._cost(kind, taken)
        self.model.add(cost >= floor(low_mm * UNIT))
        if np.isfinite(below_mm):
            self.model.add(cost <= round((below_mm - GRID_MM) * UNIT))
            self.model.minimize(cost)

    def _cost(self, kind: _Kind, taken: list[Any]) -> Any:
        """The cheapest of a kind, as many as are taken."""
        if kind.costs[0] == kind.costs[-1]:
            return kind.costs[0] * sum(taken)
        so_many = [self.model.new_bool_var("") for _ in kind.costs]
        for fewer, more in pairwise(so_many):
            self.model.add_implication(more, fewer)
        self.model.add(sum(so_many) == sum(taken))
        return sum(cost * one for cost, one in zip(kind.costs, so_many, strict=True))

    def joints(self, solver: Any) -> Joints | None:
        """The latest places of the joints in the order found; None where rounding hid a lack."""
        found = []
        for lane, row in enumerate(self.rows):
            there = [at for at, here, _ in row if solver.value(here)]
            strips = [
                kind.reach / UNIT
                for _, _, kinds in row
                for kind, one in zip(self.kinds, kinds, strict=True)
                if solver.value(one)
            ]
            found += [
                (solver.value(at), lane, strip)
                for at, strip in zip(there[:-1], strips[:-1], strict=True)
            ]
        order = [(lane, strip_mm) for _, lane, strip_mm in sorted(found)]
        lengths = [kind.reach / UNIT for kind in self.kinds for _ in kind.costs]
        return placed(order, lengths, self.lanes, self.rule)


def _lumped(lengths: Sequence[int], most: int | None) -> list[_Kind]:
    """Strips in at most so many kinds, neighbours joined where that adds least length."""
    groups = [[one for one in sorted(lengths) if one == value] for value in sorted(set(lengths))]
    while most is not None and len(groups) > most:
        added = [len(a) * (b[-1] - a[-1]) for a, b in pairwise(groups)]
        at = int(np.argmin(added))
        groups[at : at + 2] = [groups[at] + groups[at + 1]]
    return [_Kind(group[-1], tuple(group)) for group in groups]


def _lines(lane: LaneMap) -> list[_Line] | None:
    """A lane's extra length as few lines as keep within `LINE_MM`; None for a straight one."""
    cord, extra = lane.cord_mm, lane.lane_mm - lane.cord_mm
    if not np.any(np.abs(extra) > 1e-9):
        return None
    lines, start = [], 0
    while start < len(cord) - 1:
        end = start + 1
        while end + 1 < len(cord) and _straight(cord, extra, start, end + 1):
            end += 1
        slope = (extra[end] - extra[start]) / (cord[end] - cord[start])
        lines.append(_Line(UNIT * cord[start], UNIT * cord[end], UNIT * extra[start], slope))
        start = end
    return lines


def _straight(cord: Any, extra: Any, start: int, end: int) -> bool:
    here = slice(start, end + 1)
    line = np.interp(cord[here], cord[[start, end]], extra[[start, end]])
    return bool(np.abs(line - extra[here]).max() <= LINE_MM)
