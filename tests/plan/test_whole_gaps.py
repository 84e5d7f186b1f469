"""The proof by whole gaps: silent on what can be laid, right where it speaks, and near the mark."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plan.test_strip_schedule import bent, check, large, least_of_all, straight, strips_of
from plylane.feed.lane_map import LaneMap
from plylane.plan.covering import fewest_by_lane
from plylane.plan.schedule import schedule
from plylane.plan.strips import ScheduleError, StaggerRule, Strip
from plylane.plan.whole_gaps import prove_stagger_too_wide

Case = tuple[list[Strip], list[LaneMap], StaggerRule]


def ruled_out(strips: list[Strip], lanes: list[LaneMap], rule: StaggerRule) -> str | None:
    """What the proof says, or None where it is silent."""
    try:
        prove_stagger_too_wide(strips, lanes, rule, fewest_by_lane(strips, lanes))
    except ScheduleError as error:
        assert error.proven
        return str(error)
    return None


def crooked(lanes: int, length_mm: float, rng: np.random.Generator) -> list[LaneMap]:
    """Bends of any length at random, one behind the other."""
    cord = np.array([0.0, *np.sort(rng.uniform(0.0, length_mm, 20)), length_mm])
    bends = rng.choice([0.0, 1 / 45, -1 / 60, 1 / 120], len(cord) - 1)
    turned = np.concatenate([[0.0], np.cumsum(np.diff(cord) * bends)])
    return [LaneMap(cord, turned, (0.5 * (lanes - 1) - k) * 0.5) for k in range(lanes)]


@st.composite
def laid(draw: st.DrawFn) -> Case:
    """Strips cut from a cord whose joints lie as close as the rule allows, or nearly.

    Joints in turn or in any lane; lanes with one joint and none among them; a strip to spare.
    """
    lanes, joints = draw(st.integers(1, 8)), draw(st.integers(0, 120))
    rule = StaggerRule(
        draw(st.sampled_from([50.0, 150.3, 318.0])), draw(st.sampled_from([0.0, 80.0, 200.0]))
    )
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    loose = draw(st.sampled_from([0.0, 0.02]))
    gaps = rule.joints_mm * (1.0 + loose * rng.exponential(1.0, max(joints - 1, 0)))
    at = rule.ends_mm + np.concatenate([[0.0], np.cumsum(gaps)])[:joints]
    end = float(at[-1]) + rule.ends_mm + 0.1 if joints else 500.0
    lane_of = np.arange(joints) % lanes if draw(st.booleans()) else rng.integers(0, lanes, joints)
    shape = draw(st.sampled_from([45.0, -60.0, 300.0, None, "crooked"]))
    if shape == "crooked":
        maps = crooked(lanes, end, rng)
    else:
        maps = straight(lanes, end) if shape is None else bent(lanes, end, float(shape))
    lengths = [
        np.ceil(10.0 * (b - a) - 1e-6) / 10.0
        for k, lane in enumerate(maps)
        for a, b in pairwise(lane.to_lane([0.0, *at[lane_of == k], end]))
    ]
    return (
        strips_of([*lengths, *rng.uniform(50.0, 2000.0, draw(st.integers(0, 2))).round(1)]),
        maps,
        rule,
    )


@given(laid())
@settings(max_examples=300)
def test_what_has_been_laid_is_never_ruled_out(case: Case) -> None:
    assert ruled_out(*case) is None


SMALL = [
    ([400.0, 450.0, 410.5, 300.0, 300.0], straight(2, 800.0), StaggerRule(225.1, 80.0)),
    ([400.0, 450.0, 400.0, 550.0], straight(2, 600.0), StaggerRule(370.2, 80.0)),
    ([410.5, 550.0, 300.0, 300.0, 450.0], bent(2, 600.0, -60.0), StaggerRule(372.0, 80.0)),
    # a lane of a single strip among them
    ([400.0, 450.0, 400.0, 450.0, 820.3], straight(3, 500.0), StaggerRule(340.2, 80.0)),
    ([550.0, 700.0, 400.0, 450.0, 410.5], bent(3, 600.0, 45.0), StaggerRule(375.1, 80.0)),
]


@pytest.mark.parametrize(("lengths", "lanes", "rule"), SMALL)
def test_it_is_right_to_half_a_millimetre(lengths, lanes, rule) -> None:
    """Against every choice, share and order there is."""
    narrower = replace(rule, joints_mm=rule.joints_mm - 0.5)
    assert ruled_out(strips_of(lengths), lanes, rule)
    assert ruled_out(strips_of(lengths), lanes, narrower) is None
    stretch = [lane.length_mm / lane.cord_end_mm for lane in lanes]
    end = lanes[0].cord_end_mm
    assert least_of_all(lengths, stretch, end, rule) == float("inf")
    assert least_of_all(lengths, stretch, end, narrower) < float("inf")


@st.composite
def scarce(draw: st.DrawFn) -> tuple[list[float], list[LaneMap], StaggerRule]:
    """Four or five strips in two lanes, little to spare, and nearly all the stagger that fits."""
    sizes = st.sampled_from([300.0, 400.0, 410.5, 450.0, 500.0, 550.0, 700.0])
    lengths = draw(st.lists(sizes, min_size=4, max_size=5))
    end = round(sum(lengths) / 2.0 / (1.0 + draw(st.floats(0.02, 0.2))), 1)
    ends = draw(st.sampled_from([0.0, 40.0]))
    room = (end - 2.0 * ends) / (len(lengths) - 3)
    rule = StaggerRule(
        round(draw(st.floats(0.5, 1.0)) * room, 1), ends, draw(st.sampled_from([0.0, 150.0]))
    )
    radius = draw(st.sampled_from([None, 45.0, -60.0]))
    return lengths, straight(2, end) if radius is None else bent(2, end, radius), rule


@given(scarce())
@settings(max_examples=100)
def test_what_is_ruled_out_cannot_be(case) -> None:
    """The same search, for any few strips."""
    lengths, lanes, rule = case
    if ruled_out(strips_of(lengths), lanes, rule):
        stretch = [lane.length_mm / lane.cord_end_mm for lane in lanes]
        assert least_of_all(lengths, stretch, lanes[0].cord_end_mm, rule) == float("inf")


def test_equal_strips_keep_just_the_stagger_that_counting_leaves() -> None:
    """Eight lanes of 9.6 m and strips of 2.4 m; 300 mm, and not 0.1 mm more."""
    strips, lanes, rule = strips_of([2400.0] * 60), straight(8, 9600.0), StaggerRule(300.0)
    check(schedule(strips, lanes, rule), strips, lanes, rule)
    with pytest.raises(ScheduleError, match=r"no stagger of more than 300\.1 mm") as found:
        schedule(strips, lanes, replace(rule, joints_mm=300.2))
    assert found.value.proven


@pytest.mark.parametrize(
    ("stagger_mm", "words"),
    [
        (445.0, r"have to reach over \d+ gaps between joints together"),
        (475.0, r"the cord has no room for \d+ joints 475 mm apart"),
        (700.0, "first joints of 8 lanes, 700 mm apart, lie up to 5000.0 mm from the start"),
    ],
)
def test_large_cases_are_told_what_is_lacking(stagger_mm: float, words: str) -> None:
    """What is named as the widest is named alike from every side, and is itself not ruled out."""
    strips, lanes = large(8, seed=1)
    rule = StaggerRule(stagger_mm, 100.0, 150.0)
    said = ruled_out(strips, lanes, rule)
    assert said is not None and re.search(words, said)
    most = re.search(r"more than ([\d.]+) mm can be kept", said)
    assert most is not None
    assert ruled_out(strips, lanes, replace(rule, joints_mm=float(most[1]) - 0.2)) is None
    assert ruled_out(strips, lanes, replace(rule, joints_mm=float(most[1]) + 0.1))


def test_first_and_last_strips_have_to_reach_past_each_others_joints() -> None:
    """Of six strips at the ends two must reach over two staggers, and only one can."""
    strips, lanes = strips_of([1000.0] + [700.0] * 20), straight(3, 2000.0)
    said = ruled_out(strips, lanes, StaggerRule(400.0))
    assert said is not None and "lie up to 800.0 mm from the start of the cord" in said
