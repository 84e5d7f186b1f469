"""What little more makes a schedule where there is none, shown by the schedule it makes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import ceil, floor

from plylane.feed.lane_map import LaneMap
from plylane.plan.covering import fewest_joints, prove_lacking
from plylane.plan.search import Proofs, Task
from plylane.plan.strips import (
    GRID_MM,
    Addition,
    Schedule,
    ScheduleError,
    StaggerRule,
    Strip,
)

HALVINGS = 10
PROOFS = ((3, 1000), (6, 1000))
"""Kinds that strips are lumped into for a proof, and fronts that it may have."""
WIDER = (0.9, 0.8, 0.7)
"""Shares of the stagger asked for that are tried after halving."""
MOST_MORE = 4
"""So many strips beyond the least that no proof rules out are tried."""

Attempt = Callable[[Sequence[Strip], StaggerRule], Schedule | None]


def additions(
    strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule, attempt: Attempt
) -> tuple[Addition, ...]:
    """More strips with the stagger as it is, and less stagger with the strips at hand.

    Each as little as `attempt` finds a schedule for, beside it what is proved to be too little;
    where neither alone does, more strips and less stagger together.
    """
    if not strips:  # nobody knows how long they would be
        return ()
    least = _least_count(strips, lanes, rule)
    alone = (
        _more_strips(strips, lanes, rule, attempt, least),
        _less_stagger(strips, lanes, rule, attempt),
    )
    found = tuple(one for one in alone if one is not None)
    if found:
        return found
    both = _both(strips, lanes, rule, attempt)
    return () if both is None else (both,)


def _with_more(strips: Sequence[Strip], count: int, length_mm: float | None = None) -> list[Strip]:
    """So many more strips, as long as the longest at hand where no length is given."""
    length = max(strip.length_mm for strip in strips) if length_mm is None else length_mm
    return [*strips, *(Strip(f"added {k}", length) for k in range(1, count + 1))]


def _least_count(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> int:
    """The fewest more strips that no proof rules out; one at least."""
    short_mm = sum(lane.length_mm for lane in lanes) - sum(s.length_mm for s in strips)
    least = max(1, ceil(short_mm / max(strip.length_mm for strip in strips)))
    for count in range(least, least + len(strips)):
        if _may_be(_with_more(strips, count), lanes, rule):
            return count
    return least


def _more_strips(
    strips: Sequence[Strip],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    attempt: Attempt,
    least: int,
) -> Addition | None:
    for count in range(least, least + MOST_MORE + 1):
        shown = attempt(_with_more(strips, count), rule)
        if shown is not None and count == 1:
            return _shortest(strips, lanes, rule, attempt, shown)
        if shown is not None:
            proof = f"{least} at least, proved" if least > 1 else ""
            return _named(_strips_text(strips, count), proof, shown)
    return None


def _strips_text(strips: Sequence[Strip], count: int) -> str:
    longest_mm = max(strip.length_mm for strip in strips)
    number = "one more strip" if count == 1 else f"{count} more strips"
    return f"{number} of {longest_mm:.1f} mm"


def _both(
    strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule, attempt: Attempt
) -> Addition | None:
    least = _least_count(strips, lanes, replace(rule, joints_mm=0.0))
    for count in range(least, least + MOST_MORE + 1):
        less = _less_stagger(_with_more(strips, count), lanes, rule, attempt)
        if less is not None:
            return Addition(f"{_strips_text(strips, count)} and {less.what}", less.schedule)
    return None


def _shortest(
    strips: Sequence[Strip],
    lanes: Sequence[LaneMap],
    rule: StaggerRule,
    attempt: Attempt,
    shown: Schedule,
) -> Addition:
    """One more strip, as short as does."""
    low, high = 0, round(max(strip.length_mm for strip in strips) / GRID_MM)
    for _ in range(HALVINGS):
        middle = (low + high) // 2
        found = attempt(_with_more(strips, 1, middle * GRID_MM), rule) if middle else None
        if found is None:
            low = middle
        else:
            high, shown = middle, found
    proved = 0
    for _ in range(HALVINGS if low else 0):
        middle = (proved + low) // 2
        if middle and not _may_be(_with_more(strips, 1, middle * GRID_MM), lanes, rule):
            proved = middle
        else:
            low = middle
    proof = f"{proved * GRID_MM:.1f} mm is not enough, proved" if proved else ""
    return _named(f"one more strip of {high * GRID_MM:.1f} mm", proof, shown)


def _less_stagger(
    strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule, attempt: Attempt
) -> Addition | None:
    """A stagger with which a schedule is found, whole millimetres.

    Whether one is found does not only depend on how narrow it is, so wider ones than halving comes
    to are tried as well.
    """

    def with_stagger(joints_mm: float) -> StaggerRule:
        return replace(rule, joints_mm=float(joints_mm))

    shown = attempt(strips, with_stagger(0.0))
    if shown is None:
        return None
    low, high = 0, ceil(rule.joints_mm)
    while high - low > 1:
        middle = (low + high) // 2
        found = attempt(strips, with_stagger(middle))
        if found is None:
            high = middle
        else:
            low, shown = middle, found
    for share in WIDER:
        wide = floor(share * rule.joints_mm)
        found = attempt(strips, with_stagger(wide)) if wide > low else None
        if found is not None:
            low, shown = wide, found
            break
    open_mm, shut_mm = low, floor(rule.joints_mm) + 1
    while shut_mm - open_mm > 1:
        middle = (open_mm + shut_mm) // 2
        if _may_be(strips, lanes, with_stagger(middle)):
            open_mm = middle
        else:
            shut_mm = middle
    proof = f"{shut_mm} mm cannot be kept, proved" if shut_mm <= rule.joints_mm else ""
    what = f"joints {low} mm apart instead of {rule.joints_mm:g} mm"
    return _named(what, proof, shown)


def _may_be(strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule) -> bool:
    """Whether neither counting nor a search of strips taken as longer rules it out."""
    try:
        prove_lacking(strips, lanes, rule)
    except ScheduleError:
        return False
    lengths = [strip.length_mm for strip in strips]
    task = Task(lengths, lanes, rule, fewest_joints(strips, lanes, rule))
    return not Proofs(task).tried(PROOFS, 1)


def _named(what: str, proof: str, shown: Schedule) -> Addition:
    return Addition(f"{what} ({proof})" if proof else what, shown)
