"""The search alone: against everything there is, and against schedules that are there."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from plylane.feed.lane_map import LaneMap
from plylane.plan import covering
from plylane.plan.covering import prove_lacking
from plylane.plan.search import Found, Task, Verdict, from_both_ends, prove_none, search
from plylane.plan.strips import GRID_MM, ScheduleError, StaggerRule, Strip, rounded_down
from test_strip_schedule import bent, least_of_all, small_cases, straight

EVERYTHING = 10**9
NOTHING = Found(None, float("inf"), 0.0)


def task(lengths: list[float], lanes: list[LaneMap], rule: StaggerRule, most: int = 999) -> Task:
    strips = [Strip(str(k), length) for k, length in enumerate(lengths)]
    fewest = max(0, covering.fewest_joints(strips, lanes, rule))
    return Task(lengths, lanes, rule, min(fewest, most))


@given(small_cases())
@settings(max_examples=90)
def test_a_search_of_everything_finds_the_least_or_proves_that_there_is_none(case) -> None:
    """On bends a search may see that what it found cannot be laid, and then does not say."""
    lengths, lanes, rule = case
    assume(len(lengths) >= len(lanes))
    stretch = [lane.length_mm / lane.cord_end_mm for lane in lanes]
    least = least_of_all(lengths, stretch, lanes[0].cord_end_mm, rule)
    found = search(task(lengths, lanes, rule), NOTHING, [EVERYTHING])
    assert found.bound_mm <= least + 0.1
    assert found.total_mm >= least - 0.1
    assert (
        found.settled
        or rule.shortest_mm > rule.joints_mm
        or lanes[0].length_mm != lanes[0].cord_end_mm
    )
    if found.settled:
        assert found.total_mm == pytest.approx(least, abs=0.1)


@st.composite
def laid(draw: st.DrawFn):
    """A schedule laid first, on a bend or straight; then strips that make it, some a little long.

    Lengths, lanes, rule, what is lost of them, how many joints there are.
    """
    number = draw(st.integers(2, 5))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    joints = draw(st.integers(number, 3 * number))
    stagger, ends = 100.0, 60.0
    gaps = stagger + rng.exponential(draw(st.sampled_from([1.0, 30.0, 200.0])), joints - 1)
    places = ends + rng.uniform(0.0, 50.0) + np.concatenate([[0.0], np.cumsum(gaps)])
    end = float(places[-1] + ends + rng.uniform(0.0, 50.0))
    shape = draw(st.sampled_from(["straight", "one bend", "many bends", "all bend"]))
    if shape == "all bend":
        slope = rng.uniform(-0.3, 0.3)
        lanes = [LaneMap([0.0, end], [0.0, slope * end / 3.0], 3.0) for _ in range(number)]
    elif shape == "many bends":
        cord = np.linspace(0.0, end, max(2, int(end / 50.0)))
        turned = np.cumsum(rng.choice([0.0, 1 / 60, -1 / 90, -1 / 60], len(cord)) * cord[1])
        lanes = [LaneMap(cord, turned - turned[0], (0.5 * (number - 1) - k)) for k in range(number)]
    else:
        lanes = straight(number, end) if shape == "straight" else bent(number, end, 500.0, 2.0)
    held_to_shortest = draw(st.booleans())
    lane_of = rng.permutation(np.arange(joints) % number)
    lengths, lost, shortest = [], 0.0, float("inf")
    cut = draw(st.sampled_from([0.0, 5.0, 60.0]))
    for lane, at in enumerate(lanes):
        bounds = at.to_lane([0.0, *places[lane_of == lane], end])
        shortest = min(shortest, float(np.diff(bounds)[:-1].min(initial=np.inf)))
        for used in np.diff(bounds):
            length = np.ceil((used + rng.exponential(cut)) / GRID_MM - 1e-6) * GRID_MM
            lengths.append(float(length))
            lost += length - used
    rule = StaggerRule(stagger, ends, shortest - 1e-6 if held_to_shortest else 0.0)
    return lengths, lanes, rule, lost, joints


@given(laid())
@settings(max_examples=15)
def test_a_schedule_that_is_there_is_not_ruled_out(case) -> None:
    """What every schedule loses at least, by its ends, is no more than what this one loses."""
    lengths, lanes, rule, lost, joints = case
    lengths = [strip.length_mm for strip in rounded_down([Strip("", x) for x in lengths])]
    here = task(lengths, lanes, rule, joints)
    ends = from_both_ends(here, lost + GRID_MM)
    assert ends.lost_mm <= lost + 1e-3
    assert all(a <= b + 1e-9 for a, b in pairwise(ends.first_mm))
    found = search(here, NOTHING, [50])
    assert found.joints is not None or not found.settled
    for kinds in (1, 2, 4, None):
        for parts in (1, 2, 5):
            verdict = prove_none(here, kinds=kinds, parts=parts, limit=300)
            assert verdict is not Verdict.NONE


@given(laid())
@settings(max_examples=10)
def test_a_dive_finds_tight_schedules(case) -> None:
    """Not always; but what it finds keeps to its own total."""
    lengths, lanes, rule, lost, _ = case
    found = search(task(lengths, lanes, rule), NOTHING, [200])
    needed = sum(lane.length_mm for lane in lanes)
    if found.joints is not None:
        at = sorted(x for row in found.joints for x in row)
        assert all(b - a >= rule.joints_mm - 1e-6 for a, b in pairwise(at))
        assert needed - 0.1 <= found.total_mm <= needed + lost + 0.2


def test_what_counting_rules_out_is_not_found() -> None:
    """Places that take many turns to settle: strips of 1800 mm once reached over 1803 mm here."""
    lengths = [1800.0] * 12 + [2100.0] * 7 + [2400.0] * 11
    lanes, rule = straight(3, 20_046.8), StaggerRule(601.0, 60.0, 250.0)
    with pytest.raises(ScheduleError):
        prove_lacking([Strip(str(k), length) for k, length in enumerate(lengths)], lanes, rule)
    found = search(task(lengths, lanes, rule), NOTHING, [100], limit=100)
    assert found.joints is None


# fmt: off
THIRTY = [
    1518.6, 1566.4, 1617.4, 1639.0, 1689.2, 1829.6, 1873.9, 1901.0, 1920.0, 1937.2,
    1956.8, 2029.4, 2129.9, 2132.4, 2264.0, 2289.3, 2384.7, 2407.5, 2468.8, 2478.4,
    2554.1, 2563.9, 2567.4, 2581.0, 2617.1, 2771.0, 2803.6, 2883.3, 2888.4, 2905.5,
]
# fmt: on


def test_strips_taken_as_longer_prove_what_both_ends_do_not() -> None:
    here = task(THIRTY, straight(4, 16_121.0), StaggerRule(574.0, 60.0, 250.0))
    spare = sum(THIRTY) - 4 * 16_121.0
    assert from_both_ends(here, spare).lost_mm < spare
    assert prove_none(here, kinds=1, parts=1, limit=5000) is Verdict.MAYBE
    assert prove_none(here, kinds=3, parts=1, limit=5000) is Verdict.NONE
    assert prove_none(here, kinds=3, parts=1, limit=50) is Verdict.OPEN
    few = search(here, NOTHING, [50])
    assert few.joints is None
    assert not few.settled


def test_a_shortest_strip_covers_less_of_the_cord_where_a_lane_is_longer() -> None:
    """It once was taken to hold joints back by its own length of cord, and this ruled out."""
    slope, end = 1.2596594728933725, 475.6386788701175
    lanes = [LaneMap([0.0, end], [0.0, end * (slope - 1.0) / 3.0], 3.0)] * 2
    rule = StaggerRule(40.0, 138.3035867154215, 181.75055080825769)
    here = task([192.8, 406.4, 243.2, 181.8, 174.3], lanes, rule)
    for kinds in (1, 2, 3, None):
        assert prove_none(here, kinds=kinds, parts=2, limit=1000) is Verdict.MAYBE
    found = search(here, NOTHING, [EVERYTHING])
    assert found.joints is not None or not found.settled


def test_a_short_last_strip_is_no_proof() -> None:
    """The last strip of a lane is not cut before it is loaded, so it may be shorter than the rule.

    Looked at from the end of the cord it was held to the rule, and this schedule ruled out.
    """
    lengths, lanes = [480.0] * 4 + [40.0, 50.0], straight(2, 1000.0)
    rule = StaggerRule(10.0, 20.0, 100.0)
    found = search(task(lengths, lanes, rule), NOTHING, [EVERYTHING])
    assert found.joints is not None
    assert found.total_mm == pytest.approx(2010.0)
