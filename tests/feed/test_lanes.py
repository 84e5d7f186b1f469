"""The lanes' book: nothing is lost, joints lie where geometry says, whatever is done in between."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy.optimize import brentq

from plylane.feed.lane_map import LaneMap
from plylane.feed.lanes import LaneBook
from plylane.feed.strip_plan import Curve, StripPlan

RUN_MM = 3000.0
LENGTHS = st.floats(20.0, 2500.0)


def bends_of(parts: list[tuple[float, float, float]]) -> list[Curve]:
    """Bends behind each other: straight length before, radius, angle of each."""
    bends, at_mm = [], 0.0
    for straight_mm, radius_mm, turn_deg in parts:
        bends.append(Curve(start_mm=at_mm + straight_mm, radius_mm=radius_mm, turn_deg=turn_deg))
        at_mm += straight_mm + radius_mm * math.radians(abs(turn_deg))
    return bends


BENDS = st.lists(
    st.tuples(st.floats(0.0, 600.0), st.floats(45.0, 400.0), st.floats(-180.0, 180.0)), max_size=4
).map(bends_of)
PLANS = st.builds(
    lambda loaded, bends, way, pitch, stagger: StripPlan(
        loaded_mm=loaded,
        next_mm=2400.0,
        wheel_to_nozzle_mm=way,
        pitch_mm=pitch,
        stagger_mm=stagger,
        curve=bends,
    ),
    st.lists(LENGTHS, min_size=1, max_size=5),
    BENDS,
    st.floats(0.0, 400.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 300.0),
)


def turned_rad(bends: list[Curve], cord_mm: float) -> float:
    """Angle turned up to a length of cord, bend by bend."""
    return sum(
        math.radians(bend.turn_deg)
        * min(1.0, max(0.0, cord_mm - bend.start_mm) / (bend.radius_mm * angle))
        for bend in bends
        if (angle := math.radians(abs(bend.turn_deg)))
    )


def lane_mm(plan: StripPlan, lane: int, cord_mm: float) -> float:
    """Closed form: parallel curves differ by turning angle times offset."""
    return cord_mm + plan.offsets_mm[lane] * turned_rad(plan.curve, cord_mm)


def walk(book: LaneBook, *cord_mm: float) -> list[tuple[int, float]]:
    """The run goes to those lengths of cord, lanes as geometry has it; joints as they were laid."""
    plan, laid = book.plan, []
    for at_mm in cord_mm:
        lanes_mm = [lane_mm(plan, lane, at_mm) for lane in range(book.lanes)]
        laid += [(joint.lane, joint.cord_mm) for joint in book.advance(lanes_mm, at_mm)]
    return laid


@given(PLANS, st.lists(st.floats(0.0, RUN_MM), min_size=1, max_size=30), st.data())
def test_length_is_conserved(plan: StripPlan, stops: list[float], data: st.DataObject) -> None:
    book = LaneBook(plan, RUN_MM)
    for lane in range(book.lanes):  # more than the run takes, so that none runs out
        book.load(lane, 4000.0)
    loaded = [mm + 4000.0 for mm in plan.loaded_mm]
    for at_mm in sorted(stops):
        lane = data.draw(st.integers(0, book.lanes - 1))
        length_mm = data.draw(LENGTHS)
        book.load(lane, length_mm)
        loaded[lane] += length_mm
        walk(book, at_mm)
        for k in range(book.lanes):
            strip = book.strip(k)
            assert strip.left_mm + strip.behind_mm == pytest.approx(book.remaining_mm(k))
            passed_mm = lane_mm(plan, k, at_mm)
            assert book.remaining_mm(k) + passed_mm == pytest.approx(loaded[k], abs=1e-6)


@given(PLANS, st.lists(st.floats(0.0, RUN_MM), max_size=20))
def test_joints_lie_where_the_closed_form_says(plan: StripPlan, stops: list[float]) -> None:
    """The end at E lies where the lane has gone E + wheel to nozzle: whether forecast or laid."""
    book = LaneBook(plan, RUN_MM)
    for lane in range(book.lanes):
        book.load(lane, 10_000.0)
    wanted = []
    for lane, end_mm in enumerate(plan.loaded_mm):
        way_mm = end_mm + plan.wheel_to_nozzle_mm
        at_mm = brentq(lambda s, k=lane, w=way_mm: lane_mm(plan, k, s) - w, -1e3, 1e4, xtol=1e-9)
        if at_mm < RUN_MM - 1e-6:
            wanted.append((lane, at_mm))
    for at_mm in (0.0, *sorted(stops)):
        walk(book, at_mm)
        found = sorted((joint.lane, joint.cord_mm) for joint in book.joints())
        assert [lane for lane, _ in found] == [lane for lane, _ in wanted]
        assert [mm for _, mm in found] == pytest.approx([mm for _, mm in wanted], abs=1e-6)


@given(PLANS, st.lists(st.floats(0.0, RUN_MM), max_size=20))
def test_each_joint_is_laid_once_though_the_feed_goes_back_and_forth(
    plan: StripPlan, stops: list[float]
) -> None:
    book, other = LaneBook(plan, RUN_MM), LaneBook(plan, RUN_MM)
    for lane in range(book.lanes):
        book.load(lane, 10_000.0)
        other.load(lane, 10_000.0)
    back_and_forth = walk(book, *stops, RUN_MM)
    assert len(back_and_forth) == len(set(back_and_forth))
    assert [lane for lane, _ in sorted(back_and_forth)] == [
        lane for lane, _ in sorted(walk(other, RUN_MM))
    ]


@given(PLANS, st.floats(0.0, RUN_MM))
def test_the_next_run_begins_with_what_the_last_one_left(plan: StripPlan, at_mm: float) -> None:
    straight = plan.model_copy(update={"curve": []})
    book = LaneBook(straight, RUN_MM)
    for lane in range(book.lanes):
        book.load(lane, 5000.0)
    walk(book, at_mm)
    left = [book.strip(lane) for lane in range(book.lanes)]
    coming = [(j.lane, j.cord_mm - at_mm) for j in book.joints() if not j.laid]
    book.begin_run()
    for lane, strip in enumerate(left):
        assert book.strip(lane).left_mm == pytest.approx(strip.left_mm)
        assert book.strip(lane).behind_mm == pytest.approx(strip.behind_mm)
    after = [(j.lane, j.cord_mm) for j in book.joints()]
    assert not any(joint.laid for joint in book.joints())
    for lane, cord_mm in coming:  # what was on its way to the nozzle still comes
        assert any(k == lane and mm == pytest.approx(cord_mm, abs=1e-6) for k, mm in after)


@given(PLANS, st.floats(0.0, RUN_MM))
def test_every_pair_that_breaks_the_stagger_rule_is_told(plan: StripPlan, at_mm: float) -> None:
    book = LaneBook(plan, RUN_MM)
    for lane in range(book.lanes):
        book.load(lane, 900.0)
    walk(book, at_mm)
    joints = book.joints()
    assert all(a.cord_mm <= b.cord_mm for a, b in pairwise(joints))
    wanted = {
        (first, second)
        for k, first in enumerate(joints)
        for second in joints[k + 1 :]
        if second.cord_mm - first.cord_mm < plan.stagger_mm
        and first.lane != second.lane
        and not (first.laid and second.laid)
    }
    assert {(pair.first, pair.second) for pair in book.close_joints()} == wanted


@given(PLANS, st.floats(0.0, RUN_MM))
def test_a_run_wants_what_the_rest_of_its_lane_takes(plan: StripPlan, at_mm: float) -> None:
    book = LaneBook(plan, RUN_MM)
    walk(book, at_mm)
    for lane in range(book.lanes):
        rest_mm = lane_mm(plan, lane, RUN_MM) - lane_mm(plan, lane, at_mm)
        left_mm = max(0.0, plan.loaded_mm[lane] - lane_mm(plan, lane, at_mm))
        assert book.wanted_mm(lane) == pytest.approx(max(0.0, rest_mm - left_mm), abs=1e-6)


@given(BENDS, st.floats(-20.0, 20.0), st.floats(-500.0, 5000.0))
def test_cord_and_lane_are_each_others_inverse(
    bends: list[Curve], offset_mm: float, cord_mm: float
) -> None:
    lane_map = LaneMap.of_bends(bends, offset_mm)
    assert lane_map.to_cord(lane_map.to_lane(cord_mm)) == pytest.approx(cord_mm, abs=1e-6)


def test_a_strip_put_in_after_the_lane_ran_out_begins_at_the_wheel() -> None:
    book = LaneBook(StripPlan(loaded_mm=[100.0], next_mm=500.0, wheel_to_nozzle_mm=150.0), RUN_MM)
    walk(book, 130.0)
    assert book.remaining_mm(0) == -30.0
    book.load(0, 500.0)
    assert book.next_joint() == (0, 0.0)  # on its way to the nozzle
    assert book.remaining_mm(0) == 500.0
    assert [joint.cord_mm for joint in book.joints()] == [280.0, 780.0]


@given(PLANS, st.lists(LENGTHS, min_size=1, max_size=5), st.floats(0.0, RUN_MM))
def test_what_was_put_in_by_mistake_is_taken_out_again(
    plan: StripPlan, lengths_mm: list[float], at_mm: float
) -> None:
    book = LaneBook(plan, RUN_MM)
    book.load(0, 4000.0)
    walk(book, at_mm)
    before = book.joints(), book.strip(0)
    for length_mm in lengths_mm:
        book.load(0, length_mm)
    for length_mm in reversed(lengths_mm):
        assert book.take_out(0) == pytest.approx(length_mm)
    assert (book.joints(), book.strip(0)) == before


def test_no_strip_that_has_begun_to_run_is_taken_out() -> None:
    book = LaneBook(StripPlan(loaded_mm=[100.0], next_mm=500.0, wheel_to_nozzle_mm=150.0), RUN_MM)
    with pytest.raises(ValueError, match="no strip waits in lane 1"):
        book.take_out(0)
    book.load(0, 500.0)
    walk(book, 120.0)
    with pytest.raises(ValueError, match="no strip waits in lane 1"):
        book.take_out(0)


@pytest.mark.parametrize("length_mm", [0.0, -5.0, math.nan, math.inf])
def test_a_strip_without_a_length_is_refused(length_mm: float) -> None:
    book = LaneBook(StripPlan(loaded_mm=[100.0], next_mm=500.0, wheel_to_nozzle_mm=0.0), RUN_MM)
    with pytest.raises(ValueError, match="is none"):
        book.load(0, length_mm)


def test_lengths_of_another_number_of_lanes_are_refused() -> None:
    book = LaneBook(StripPlan(loaded_mm=[100.0], next_mm=500.0, wheel_to_nozzle_mm=0.0), RUN_MM)
    with pytest.raises(ValueError, match="1 lanes in the book"):
        book.advance([1.0, 2.0], 1.0)


@pytest.mark.parametrize(
    ("bends", "pitch_mm", "words"),
    [
        ([(0.0, 60.0, 90.0), (50.0, 60.0, 90.0)], 0.5, "begins before the one before ends"),
        ([(0.0, 1.0, 90.0)], 5.0, "sharper than the lane"),
        ([(0.0, math.nan, 90.0)], 0.5, "radius_mm"),
        ([(0.0, 50.0, math.inf)], 0.5, "less than or equal to 100000000"),
    ],
)
def test_curves_that_cannot_be_are_refused(
    bends: list[tuple[float, float, float]], pitch_mm: float, words: str
) -> None:
    curves = [{"start_mm": s, "radius_mm": r, "turn_deg": t} for s, r, t in bends]
    with pytest.raises(ValidationError, match=words):
        StripPlan.model_validate(
            {
                "loaded_mm": [100.0] * 5,
                "next_mm": 500.0,
                "wheel_to_nozzle_mm": 0.0,
                "pitch_mm": pitch_mm,
                "curve": curves,
            }
        )
