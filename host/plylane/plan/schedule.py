"""The strip schedule: which strip goes in which lane in which order.

Strips stand end to end in each lane. Where one ends and the next begins is a joint, and no two
joints of the cord may come closer than the stagger rule says, whichever lanes they are in. A strip
may be cut shorter before it is loaded; what is cut off counts as waste, as does what stands over
the end of the cord. The aim is the least total length of strips taken.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from plylane.feed.lane_map import LaneMap
from plylane.plan.additions import additions
from plylane.plan.balance import balanced
from plylane.plan.construct import Prefer, construct
from plylane.plan.covering import fewest_joints, least_total_mm, prove_lacking
from plylane.plan.even_grid import on_grid
from plylane.plan.orders import Place, needs, total_mm
from plylane.plan.placing import ask
from plylane.plan.search import Found, Proofs, Task, search
from plylane.plan.strips import (
    GRID_MM,
    Addition,
    Joints,
    Piece,
    Schedule,
    ScheduleError,
    StaggerRule,
    Strip,
    rounded_down,
    shortest_that_reach,
)

SEED, MOST_SHAKES, SHAKEN_STRIPS = 1, 40, 900
ADDITION_SHAKES, ADDITION_WIDTH, ADDITION_LIMIT = 6, 100, 2000
FEW_JOINTS, MIDDLING_JOINTS, MANY_JOINTS = 8, 40, 150
"""The search finds the least of few; the solver gets somewhere to middling, the search to many."""
BETTER = 3
"""So many searches for better joints than the rules lead to."""
EVERYTHING = 10**6
"""Fronts that the search of few joints may have."""
GRID_FROM = 1.01
"""So much more strip than the bound is why joints on a grid are tried as well."""
MORE_A_TURN = 3
"""How much more work each turn is than the one before, of those until it is decided."""


@dataclass(frozen=True)
class Effort:
    """How far a schedule is looked for, in work and not in time: the same plan on every computer.

    Where setting strips by rules finds none: `proofs` tried that there is none, kinds that strips
    are lumped into and most fronts of each; `widths` of the searches for one. Fewer fronts of more
    joints than middling. `questions` to the solver: kinds that strips are lumped into (None for
    each by itself), and its own measure of work. `to_the_end`: whether all that is done again with
    more and more work until there is a schedule or a proof of none, which may take hours.
    """

    proofs: Sequence[tuple[int | None, int]] = (
        (3, 5_000),
        (6, 20_000),
        (8, 30_000),
        (11, 30_000),
        (16, 30_000),
        (None, 30_000),
    )
    widths: Sequence[int] = (300, 1000, 1000, 1000, 3000, 3000, 3000, 10_000)
    questions: Sequence[tuple[int | None, float]] = (
        (1, 0.5),
        (4, 1.0),
        (10, 1.0),
        (None, 2.0),
        (None, 1.0),
    )
    to_the_end: bool = False

    def scaled(self, joints: int) -> Effort:
        """For so many joints."""
        share = min(1.0, MIDDLING_JOINTS / max(1, joints))
        proofs = [(kinds, int(limit * share)) for kinds, limit in self.proofs]
        return replace(self, proofs=proofs, widths=[int(width * share) for width in self.widths])


USUAL, UNTIL_DECIDED = Effort(), Effort(to_the_end=True)
GO_ON = "plylane plan --until-decided goes on until there is one or a proof of none"


def schedule(
    strips: Sequence[Strip],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    *,
    effort: Effort = USUAL,
) -> Schedule:
    """A schedule that takes as little strip as can be found, with a proved bound beside it.

    Lengths are rounded down to tenths of a millimetre. `lanes` are in the order of the head and
    of one cord. Strips are set one after the other by three rules, then by the same rules shaken
    with a fixed seed. Where the result does not meet the bound and the joints are not too many,
    their orders are searched, joints are set on a grid, and what is still open is put to a solver.
    Where every strip's thickness is known, strips that can stand in for each other are swapped to
    even out the stack.
    Raises ScheduleError, `proven` or not, with what would do.
    """
    at_hand = rounded_down(strips)
    try:
        prove_lacking(at_hand, lanes, rule)
        found = _searched(at_hand, lanes, rule, effort)
        if found.joints is None:
            raise _none_found(at_hand, lanes, rule, proven=found.settled)
    except ScheduleError as error:
        more = additions(at_hand, lanes, rule, partial(_attempt, lanes))
        raise ScheduleError(
            _with_additions(str(error), more), proven=error.proven, additions=more
        ) from error
    return _assigned(at_hand, lanes, found.joints, found.bound_mm)


def _searched(
    strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule, effort: Effort
) -> Found:
    bound = least_total_mm(strips, lanes, rule)
    lengths = [strip.length_mm for strip in strips]
    found = Found(*_constructed(lengths, lanes, rule, bound, MOST_SHAKES), bound)
    task = Task(lengths, lanes, rule, fewest_joints(strips, lanes, rule))
    effort = effort.scaled(task.fewest)
    if task.fewest <= FEW_JOINTS and not found.settled:
        found = search(task, found, [EVERYTHING])
    elif task.fewest <= MANY_JOINTS and not found.settled:
        found = _decided(task, found, effort)
    found = _gridded(lengths, lanes, rule, found)
    if task.fewest <= MIDDLING_JOINTS:
        for kinds, work in effort.questions:
            if not found.settled:
                found = _asked(strips, lanes, rule, found, kinds, work)
    if effort.to_the_end:
        with suppress(KeyboardInterrupt):
            found = _to_the_end(strips, task, found, effort)
    return found


def _decided(task: Task, found: Found, effort: Effort) -> Found:
    """Whether there are joints at all, by proofs and by search; better ones where there are."""
    if found.joints is not None:
        return search(task, found, effort.widths[:BETTER])
    if Proofs(task).tried(effort.proofs, 1):
        return replace(found, bound_mm=found.total_mm)
    found = search(task, found, effort.widths)
    return found if found.joints is None else search(task, found, effort.widths[:BETTER])


def _to_the_end(strips: Sequence[Strip], task: Task, found: Found, effort: Effort) -> Found:
    """Proofs, searches and questions with more and more work, until there are joints or none."""
    proofs, work = Proofs(task), 1
    while found.joints is None and not found.settled:
        work *= MORE_A_TURN
        limits = [(kinds, work * limit) for kinds, limit in effort.proofs]
        for parts in (1,) if task.alike else range(1, len(task.lanes) + 1):
            if proofs.tried(limits, parts):
                return replace(found, bound_mm=found.total_mm)
        found = search(task, found, [work * width for width in effort.widths])
        if found.joints is None and not found.settled and task.fewest <= MIDDLING_JOINTS:
            found = _asked(strips, task.lanes, task.rule, found, None, work)
    return found


def _gridded(
    lengths: Sequence[float], lanes: Sequence[LaneMap], rule: StaggerRule, so_far: Found
) -> Found:
    """Joints on a grid, where those so far take much more strip than the bound and these less."""
    if so_far.total_mm <= GRID_FROM * so_far.bound_mm:  # both infinite: none can be
        return so_far
    joints = on_grid(lengths, lanes, rule)
    total = float("inf") if joints is None else total_mm(lengths, lanes, joints)
    return replace(so_far, joints=joints, total_mm=total) if total < so_far.total_mm else so_far


def _asked(
    strips: Sequence[Strip],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    so_far: Found,
    kinds: int | None,
    effort: float,
) -> Found:
    """What the solver adds: a better bound, or better joints."""
    answer = ask(
        strips,
        lanes,
        rule,
        kinds=kinds,
        bound_mm=so_far.bound_mm,
        below_mm=so_far.total_mm,
        effort=effort,
    )
    bound = max(so_far.bound_mm, min(answer.bound_mm, so_far.total_mm))
    if answer.joints is not None:
        try:
            total = total_mm([strip.length_mm for strip in strips], lanes, answer.joints)
        except ValueError:  # by less than the solver's rounding too long
            total = float("inf")
        if total < so_far.total_mm:
            return Found(answer.joints, total, bound)
    return replace(so_far, bound_mm=bound)


def _attempt(
    lanes: Sequence[LaneMap], strips: Sequence[Strip], rule: StaggerRule
) -> Schedule | None:
    """A schedule of any length that the rules, a narrow search or a grid lead to soon."""
    at_hand = rounded_down(strips)
    lengths = [strip.length_mm for strip in at_hand]
    joints, total = _constructed(lengths, lanes, rule, float("inf"), ADDITION_SHAKES)
    task = Task(lengths, lanes, rule, fewest_joints(at_hand, lanes, rule))
    if joints is None and task.fewest <= MIDDLING_JOINTS:
        joints = search(task, Found(None, total, 0.0), [ADDITION_WIDTH], ADDITION_LIMIT).joints
    joints = on_grid(lengths, lanes, rule) if joints is None else joints
    needed = sum(lane.length_mm for lane in lanes)
    return None if joints is None else _assigned(at_hand, lanes, joints, needed, even=False)


def _with_additions(text: str, more: Sequence[Addition]) -> str:
    if not more:
        return text
    offers = "; or with ".join(one.what for one in more)
    return f"{text}. A schedule was found with {offers}"


def _constructed(
    lengths: list[float],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    bound_mm: float,
    shakes: int,
) -> tuple[Joints | None, float]:
    """The best of what the rules lead to, and its total; infinity for none."""
    best: Joints | None = None
    least = float("inf")
    for prefer, shake in _ways(len(lengths), shakes):
        joints = construct(lengths, lanes, rule, prefer, shake)
        total = float("inf") if joints is None else total_mm(lengths, lanes, joints)
        if total < least - GRID_MM / 2:
            best, least = joints, total
        if least <= bound_mm + GRID_MM / 2:
            break
    return best, least


def _ways(strips: int, shakes: int) -> Iterator[tuple[Prefer, np.random.Generator | None]]:
    """The three rules, then the same shaken, more often for fewer strips."""
    yield from ((prefer, None) for prefer in Prefer)
    shake = np.random.default_rng(SEED)
    for _ in range(min(shakes, SHAKEN_STRIPS // strips)):
        for prefer in Prefer:
            yield prefer, shake


def _assigned(
    strips: list[Strip],
    lanes: Sequence[LaneMap],
    joints: Joints,
    bound_mm: float,
    *,
    even: bool = True,
) -> Schedule:
    """The schedule of these joints, its strips swapped for an `even` stack where they can be."""
    places = needs(lanes, joints)
    chosen = shortest_that_reach([s.length_mm for s in strips], [need for *_, need in places])
    taken = [strips[k] for k in chosen]
    taken = _evened(taken, places) if even else taken  # takes long for what is only an offer
    rows: list[list[Piece]] = [[] for _ in lanes]
    for strip, (lane, start, end, need) in zip(taken, places, strict=True):
        last = end == lanes[lane].cord_end_mm
        rows[lane].append(Piece(strip, start, end, need, last))
    needed = sum(lane.length_mm for lane in lanes)
    return Schedule(tuple(tuple(row) for row in rows), needed, bound_mm)


def _evened(taken: list[Strip], places: Sequence[Place]) -> list[Strip]:
    """The strips swapped for an even stack, where every thickness is known."""
    thick = [strip.thickness_mm for strip in taken]
    if any(one is None for one in thick) or len(set(thick)) == 1:
        return taken
    _, starts, ends, needs = (np.array(column) for column in zip(*places, strict=True))
    lengths = np.array([strip.length_mm for strip in taken])
    order = balanced(starts, ends, needs, lengths, np.array(thick, dtype=float))
    return [taken[k] for k in order]


def _none_found(
    strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule, *, proven: bool
) -> ScheduleError:
    spare = sum(s.length_mm for s in strips) - sum(lane.length_mm for lane in lanes)
    tried = (
        "every order of the strips breaks it"
        if proven
        else "none was found, which does not prove that there is none"
    )
    more = "" if proven else f"; {GO_ON}"
    return ScheduleError(
        f"no schedule of {len(strips)} strips in {len(lanes)} lanes keeps joints "
        f"{rule.joints_mm:g} mm apart: {tried}; the strips have {spare:.1f} mm to spare{more}",
        proven=proven,
    )
