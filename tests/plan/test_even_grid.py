"""Schedules on a grid of joints: they keep the rules, and at staggers that nothing else keeps."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plan.test_strip_schedule import bent, check, large, straight, strips_of
from plylane.feed.lane_map import LaneMap
from plylane.plan.even_grid import on_grid
from plylane.plan.mix import least_mix
from plylane.plan.schedule import schedule
from plylane.plan.strips import StaggerRule, Strip

Case = tuple[list[Strip], list[LaneMap], StaggerRule]


def keeps_the_rules(
    found: list[list[float]], strips: list[Strip], lanes: list[LaneMap], rule: StaggerRule
) -> None:
    """Joints keep their distances, and the k-th longest strip reaches over the k-th longest place.

    That is when strips can be set so that each reaches.
    """
    joints = np.sort(np.concatenate(found))
    assert np.all(np.diff(joints) >= rule.joints_mm - 1e-6)
    assert joints[0] >= rule.ends_mm - 1e-6
    assert joints[-1] <= lanes[0].cord_end_mm - rule.ends_mm + 1e-6
    needs: list[float] = []
    for lane, row in zip(lanes, found, strict=True):
        places = [float(b - a) for a, b in pairwise(lane.to_lane([0.0, *row, lane.cord_end_mm]))]
        assert min(places[:-1]) >= rule.shortest_mm - 1e-6
        needs += places
    long = np.sort([strip.length_mm for strip in strips])[::-1][: len(needs)]
    assert np.all(np.sort(needs)[::-1] <= long + 1e-5)


def test_a_large_case_at_a_wide_stagger_comes_within_two_percent_of_the_bound() -> None:
    """Counting leaves no more than some 430 mm."""
    strips, lanes = large(8, seed=1)
    rule = StaggerRule(415.0, 100.0, 150.0)
    plan = schedule(strips, lanes, rule)
    check(plan, strips, lanes, rule)
    assert plan.gap < 0.02


@pytest.mark.parametrize("lanes", [straight(8, 33_000.0), bent(8, 33_000.0, 400.0)])
def test_strips_alike_keep_all_the_stagger_there_is(lanes: list[LaneMap]) -> None:
    """An eighth of a strip; where lanes differ, an eighth of what one covers in the longest."""
    longest = max(lane.length_mm for lane in lanes) / lanes[0].cord_end_mm
    stagger_mm = np.floor(10.0 * 300.0 / longest) / 10.0
    strips, rule = strips_of([2400.0] * 130), StaggerRule(float(stagger_mm), 100.0, 150.0)
    joints = on_grid([strip.length_mm for strip in strips], lanes, rule)
    assert joints is not None
    keeps_the_rules(joints, strips, lanes, rule)


@pytest.mark.parametrize("stagger_mm", [260.0, 280.0])
def test_joints_lie_before_the_grid_where_bends_ask_for_it(stagger_mm: float) -> None:
    """Strips alike reach less far in some bends; how far back their joints may lie differs."""
    _, lanes = large(8, seed=1)
    strips, rule = strips_of([2400.0] * 1400), StaggerRule(stagger_mm, 100.0, 150.0)
    joints = on_grid([strip.length_mm for strip in strips], lanes, rule)
    assert joints is not None
    keeps_the_rules(joints, strips, lanes, rule)
    gaps = np.diff(np.sort(np.concatenate(joints)))[len(lanes) - 1 :]  # those before are narrow
    assert (gaps.min() < np.median(gaps) - 10.0) == (stagger_mm < 270.0)


@pytest.mark.parametrize("shortest_mm", [90.0, 150.0])
def test_no_strip_is_cut_shorter_than_drives_can_hold(shortest_mm: float) -> None:
    """Strips of 100 mm are needed, so that there is a way where they may be and none elsewhere."""
    strips, lanes = strips_of([300.0, 100.0] * 20), straight(2, 3400.0)
    rule = StaggerRule(95.0, 0.0, shortest_mm)
    joints = on_grid([strip.length_mm for strip in strips], lanes, rule)
    assert (joints is not None) == (shortest_mm < 100.0)
    if joints is not None:
        keeps_the_rules(joints, strips, lanes, rule)


def test_the_mix_is_the_only_one_there_is() -> None:
    """Two lanes, ten strips for three gaps and ten for one, all needed: gaps of 100 mm, 20 of them.

    With any wider gap the long ones would reach over two, and the short ones over none.
    """
    lengths = [300.0, 100.0] * 10
    mix = least_mix(lengths, 2, 100.0, 2000.0, 1.0)
    assert mix is not None
    assert mix.by_span == {1: [100.0] * 10, 3: [300.0] * 10}
    assert mix.gaps_mm == pytest.approx(np.full(20, 100.0))
    assert least_mix(lengths, 2, 100.0, 2000.1, 1.0) is None
    assert least_mix(lengths, 2, 100.0, 2000.0, 1.001) is None


@st.composite
def middling(draw: st.DrawFn) -> Case:
    """40 to 100 strips, unlike, alike or of three lengths, 2 to 20 % to spare; straight or bent."""
    count, lanes = draw(st.integers(40, 100)), draw(st.integers(1, 9))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    low = draw(st.sampled_from([1200.0, 1800.0, 2300.0]))
    lengths = draw(
        st.sampled_from(
            [
                rng.uniform(low, 2400.0, count).round(1),
                rng.choice([1800.0, 2100.0, 2400.0], count),
                np.full(count, 2400.0),
            ]
        )
    )
    cord = round(float(lengths.sum() / lanes / (1.0 + draw(st.floats(0.02, 0.2)))), 1)
    ends = draw(st.sampled_from([0.0, 60.0, 300.0]))
    stagger = round(draw(st.floats(0.3, 1.0)) * (cord - 2.0 * ends) / count)
    radius = draw(st.sampled_from([None, 60.0, -2000.0]))
    maps = straight(lanes, cord) if radius is None else bent(lanes, cord, radius)
    rule = StaggerRule(float(stagger), ends, draw(st.sampled_from([0.0, 250.0, 1000.0])))
    return strips_of(lengths), maps, rule


@given(middling())
@settings(max_examples=30)
def test_joints_on_a_grid_keep_every_rule_and_strips_reach(case: Case) -> None:
    strips, lanes, rule = case
    joints = on_grid([strip.length_mm for strip in strips], lanes, rule)
    if joints is not None:
        keeps_the_rules(joints, strips, lanes, rule)
