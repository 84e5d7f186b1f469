"""The strip schedule, held against an exhaustive search and against its own rules."""

from __future__ import annotations

import re
import signal
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from plylane.feed.lane_map import LaneMap
from plylane.plan.placing import Said, ask
from plylane.plan.schedule import USUAL, Effort, schedule
from plylane.plan.strips import Schedule, ScheduleError, StaggerRule, Strip

SEARCH = Effort(questions=())
SOLVER = Effort(proofs=(), widths=(), questions=((None, 2.0),))
RULE = StaggerRule(joints_mm=100.0, ends_mm=50.0, shortest_mm=150.0)


def strips_of(lengths: Sequence[float], thick: Sequence[float] | None = None) -> list[Strip]:
    return [
        Strip(f"s{k}", float(length), None if thick is None else float(thick[k]))
        for k, length in enumerate(lengths)
    ]


def straight(lanes: int, length_mm: float) -> list[LaneMap]:
    return [LaneMap.straight(length_mm)] * lanes


def bent(lanes: int, length_mm: float, radius_mm: float, pitch_mm: float = 0.5) -> list[LaneMap]:
    """One bend from end to end: a lane's length is the cord's times (1 + offset / radius)."""
    middle = 0.5 * (lanes - 1)
    ends = [0.0, length_mm], [0.0, length_mm / radius_mm]
    return [LaneMap(*ends, (middle - k) * pitch_mm) for k in range(lanes)]


def check(
    plan: Schedule, strips: Sequence[Strip], lanes: Sequence[LaneMap], rule: StaggerRule
) -> None:
    """Every rule of the schedule, from its pieces alone."""
    names = [piece.strip.name for piece in plan.pieces]
    assert len(set(names)) == len(names) and set(names) <= {s.name for s in strips}
    for lane, row in zip(lanes, plan.lanes, strict=True):
        assert row[0].start_mm == 0.0 and row[-1].end_mm == lane.cord_end_mm
        for piece, following in pairwise(row):
            assert piece.end_mm == following.start_mm
            assert piece.used_mm >= rule.shortest_mm - 1e-6
        for piece in row:
            used = float(lane.to_lane(piece.end_mm) - lane.to_lane(piece.start_mm))
            assert piece.used_mm == pytest.approx(used, abs=1e-6)
            assert piece.offcut_mm >= -1e-6
        assert [piece.last for piece in row] == [False] * (len(row) - 1) + [True]
    joints = [at for at, _ in plan.joints_mm]
    assert all(b - a >= rule.joints_mm - 1e-6 for a, b in pairwise(joints))
    end = lanes[0].cord_end_mm
    assert all(rule.ends_mm - 1e-6 <= at <= end - rule.ends_mm + 1e-6 for at in joints)
    whole = sum(s.length_mm for s in strips if s.name in set(names))
    assert plan.used_mm == pytest.approx(whole, abs=0.1 * len(names))
    assert plan.waste_mm == pytest.approx(sum(p.offcut_mm for p in plan.pieces), abs=0.01)
    assert plan.bound_mm <= plan.used_mm + 1e-6


# ------------------------------------------------- everything there is, and a linear program each


def shares(order: Sequence[int], lanes: int) -> Iterator[list[list[int]]]:
    """Every way to cut a sequence of strips into one part for each lane, none empty."""
    if lanes == 1:
        if order:
            yield [list(order)]
        return
    for cut in range(1, len(order) - lanes + 2):
        for rest in shares(order[cut:], lanes - 1):
            yield [list(order[:cut]), *rest]


def interleaved(counts: Sequence[int]) -> Iterator[list[int]]:
    """Every order in which the joints of the lanes can follow each other, as lane numbers."""
    if not any(counts):
        yield []
    for lane, count in enumerate(counts):
        if count:
            fewer = [c - (k == lane) for k, c in enumerate(counts)]
            for rest in interleaved(fewer):
                yield [lane, *rest]


def feasible(
    parts: list[list[float]], order: list[int], stretch: Sequence[float], end: float, rule
) -> bool:
    """Whether joints in this order keep all rules: a linear program in their places."""
    number = len(order)
    rows, limits = [], []
    last: dict[int, int] = {}
    for joint, lane in enumerate(order):
        row = np.zeros(number)
        row[joint] = stretch[lane]
        if lane in last:
            row[last[lane]] = -stretch[lane]
        done = sum(1 for k in order[:joint] if k == lane)
        rows += [row, -row]
        limits += [parts[lane][done], -max(rule.shortest_mm, 0.1)]
        last[lane] = joint
    for lane, part in enumerate(parts):
        row = np.zeros(number)
        if lane in last:
            row[last[lane]] = -stretch[lane]
        rows.append(row)
        limits.append(part[-1] - stretch[lane] * end)
    for joint in range(1, number):
        row = np.zeros(number)
        row[joint - 1], row[joint] = 1.0, -1.0
        rows.append(row)
        limits.append(-rule.joints_mm)
    if not number:
        return min(limits) >= -1e-9
    bounds = [(rule.ends_mm, end - rule.ends_mm)] * number
    if bounds[0][0] > bounds[0][1]:
        return False
    found = linprog(np.zeros(number), np.array(rows), np.array(limits) + 1e-7, bounds=bounds)
    return bool(found.status == 0)


def least_of_all(lengths: Sequence[float], stretch: Sequence[float], end: float, rule) -> float:
    """The least total over every choice, share and order there is; infinity for none."""
    least, seen = float("inf"), set()
    for count in range(len(stretch), len(lengths) + 1):
        for order in permutations(range(len(lengths)), count):
            total = sum(lengths[k] for k in order)
            if total >= least - 1e-6:
                continue
            for share in shares(order, len(stretch)):
                parts = [[lengths[k] for k in part] for part in share]
                key = tuple(map(tuple, parts))
                long = zip(parts, stretch, strict=True)
                if key in seen or any(sum(p) < s * end - 1e-7 for p, s in long):
                    continue
                seen.add(key)
                counts = [len(part) - 1 for part in parts]
                if any(feasible(parts, o, stretch, end, rule) for o in interleaved(counts)):
                    least = total
                    break
    return least


@st.composite
def small_cases(draw: st.DrawFn) -> tuple[list[float], list[LaneMap], StaggerRule]:
    lanes = draw(st.integers(1, 3))
    lengths = draw(
        st.lists(st.sampled_from([300.0, 400.0, 410.5, 550.0, 700.0]), min_size=lanes, max_size=5)
    )
    end = draw(st.sampled_from([350.0, 500.0, 600.0, 800.0]))
    rule = StaggerRule(
        draw(st.sampled_from([0.0, 60.0, 150.0, 300.0])),
        draw(st.sampled_from([0.0, 80.0])),
        draw(st.sampled_from([0.0, 200.0])),
    )
    radius = draw(st.sampled_from([None, 45.0, -60.0]))
    maps = straight(lanes, end) if radius is None else bent(lanes, end, radius)
    return lengths, maps, rule


@given(small_cases(), st.sampled_from([USUAL, SEARCH, SOLVER]))
@settings(max_examples=90)
def test_small_cases_are_optimal_against_everything_there_is(case, effort) -> None:
    """By the search of orders alone, by the solver alone, and by both."""
    lengths, lanes, rule = case
    stretch = [lane.length_mm / lane.cord_end_mm for lane in lanes]
    least = least_of_all(lengths, stretch, lanes[0].cord_end_mm, rule)
    strips = strips_of(lengths)
    if least == float("inf"):
        with pytest.raises(ScheduleError) as found:
            schedule(strips, lanes, rule, effort=effort)
        assert found.value.proven
        return
    plan = schedule(strips, lanes, rule, effort=effort)
    check(plan, strips, lanes, rule)
    assert plan.used_mm == pytest.approx(least, abs=0.1)
    assert plan.optimal


# ----------------------------------------------------------------------------------- middling cases


@st.composite
def middling_cases(draw: st.DrawFn) -> tuple[list[Strip], list[LaneMap], StaggerRule]:
    """20 to 26 strips in 3 to 6 lanes, little to spare, straight or on one bend."""
    lanes = draw(st.integers(3, 6))
    count = draw(st.integers(20, 26))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    lengths = rng.choice([1800.0, 2100.0, 2400.0], count)
    cord = round(float(lengths.sum() / lanes / (1.0 + draw(st.floats(0.0, 0.1)))), 1)
    stagger = round(draw(st.floats(0.3, 1.0)) * (cord - 120.0) / (count - lanes))
    radius = draw(st.sampled_from([None, 2000.0]))
    maps = straight(lanes, cord) if radius is None else bent(lanes, cord, radius)
    return strips_of(lengths), maps, StaggerRule(float(stagger), 60.0, 250.0)


@given(middling_cases())
@settings(max_examples=3)
def test_what_would_do_is_shown_by_a_schedule(case) -> None:
    """A schedule, or what is lacking with what mends it: more strips, or a narrower stagger."""
    strips, lanes, rule = case
    try:
        check(schedule(strips, lanes, rule, effort=NOTHING_BUT_RULES), strips, lanes, rule)
    except ScheduleError as error:
        assert error.additions
        for one in error.additions:
            added = [p.strip for p in one.schedule.pieces if p.strip.name.startswith("added")]
            narrower = re.search(r"joints (\d+) mm apart instead", one.what)
            kept = replace(rule, joints_mm=float(narrower[1])) if narrower else rule
            check(one.schedule, [*strips, *added], lanes, kept)
            assert one.what in str(error)


# -------------------------------------------------------------------------------------- large cases


def large(lanes: int, seed: int) -> tuple[list[Strip], list[LaneMap]]:
    """8 lanes, 400 m, 1,000 strips along a path of many bends; thickness measured."""
    rng = np.random.default_rng(seed)
    lengths = rng.uniform(2800.0, 4200.0, 1000).round(1)
    cord = np.linspace(0.0, 400_000.0, 4001)
    bends = rng.choice([0.0, 1 / 45, -1 / 60, 1 / 120, -1 / 45], 4000)
    turned = np.concatenate([[0.0], np.cumsum(np.diff(cord) * bends)])
    maps = [LaneMap(cord, turned, (0.5 * (lanes - 1) - k) * 0.5) for k in range(lanes)]
    return strips_of(lengths, rng.normal(0.5, 0.02, 1000).round(3)), maps


@pytest.mark.parametrize("stagger_mm", [100.0, 300.0])
def test_large_cases_come_within_two_percent_of_the_bound(stagger_mm: float) -> None:
    strips, lanes = large(8, seed=1)
    rule = StaggerRule(stagger_mm, 100.0, 150.0)
    plan = schedule(strips, lanes, rule)
    check(plan, strips, lanes, rule)
    assert plan.bound_mm >= sum(lane.length_mm for lane in lanes) - 0.1
    assert plan.gap < 0.02


def test_equal_strips_meet_the_bound() -> None:
    """The demo: five lanes of equal strips; two each, whatever the stagger up to what fits."""
    strips, lanes = strips_of([2400.0] * 12), straight(5, 3000.0)
    plan = schedule(strips, lanes, RULE)
    check(plan, strips, lanes, RULE)
    assert plan.optimal
    assert plan.used_mm == 10 * 2400.0


def test_the_same_strips_give_the_same_schedule() -> None:
    strips, lanes = large(3, seed=4)
    few = strips[:400]
    assert schedule(few, lanes, RULE) == schedule(few, lanes, RULE)


# -------------------------------------------------------------------------------------- what lacks


@pytest.mark.parametrize(
    ("lengths", "lanes", "end", "rule", "words"),
    [
        ([1000.0] * 3, 3, 1100.0, RULE, "300.0 mm short"),
        ([5000.0], 2, 1000.0, RULE, "2 lanes take at least 2 strips"),
        ([500.0] * 12, 5, 900.0, StaggerRule(300.0), "more than 225.0 mm"),
        ([700.0, 700.0, 700.0], 2, 1000.0, RULE, "at least 4 strips"),
        ([900.0, 600.0, 600.0, 500.0], 2, 1300.0, RULE, "shared out"),
        ([1000.0] * 4, 2, 2000.0, RULE, "100 mm apart make it 5 strips at least"),
        ([700.0, 690.0, 690.0, 500.0], 2, 1100.0, StaggerRule(300.0), "every order of the strips"),
    ],
)
def test_what_is_lacking_is_proved(lengths, lanes, end, rule, words) -> None:
    with pytest.raises(ScheduleError) as found:
        schedule(strips_of(lengths), straight(lanes, end), rule)
    assert found.value.proven
    assert words in str(found.value)


NOTHING_BUT_RULES = Effort(proofs=(), widths=(), questions=())

TIGHT = strips_of([1500.0] * 20 + [1200.0] * 8), straight(4, 9500.0), StaggerRule(270.0)
"""Every lane takes seven strips, so all are taken, and the four have 1.6 m to spare together. That
moves joints too little for those of one number to keep out of each other's way."""

# fmt: off
TWENTY_FOUR = [
    1608.1, 1647.8, 1700.6, 1703.7, 1720.4, 1780.2, 1832.0, 1967.5, 1999.1, 2010.3, 2073.3, 2090.6,
    2109.1, 2335.9, 2385.0, 2434.4, 2475.4, 2565.7, 2624.9, 2665.2, 2724.2, 2797.6, 2810.3, 2910.3,
]
# fmt: on
HIDDEN = strips_of(TWENTY_FOUR), straight(5, 10_217.7), StaggerRule(394.0, 60.0, 250.0)
"""All strips are needed, and hardly any order of them keeps the stagger."""


def test_what_loses_too_much_at_both_ends_is_proved_impossible() -> None:
    with pytest.raises(ScheduleError) as found:
        schedule(*TIGHT, effort=NOTHING_BUT_RULES)
    assert found.value.proven


LITTLE = Effort(proofs=((3, 5),), widths=(5,), questions=())


def test_until_decided_it_goes_on() -> None:
    """Neither end loses too much here, nor do both: no proof but that no order does."""
    strips = strips_of([2400.0] * 9 + [2100.0] * 8 + [1800.0] * 5)
    case = strips, straight(5, 8783.9), StaggerRule(376.0, 60.0, 250.0)
    for effort in (LITTLE, replace(LITTLE, to_the_end=True)):
        with pytest.raises(ScheduleError) as found:
            schedule(*case, effort=effort)
        assert found.value.proven == effort.to_the_end
        assert ("--until-decided" in str(found.value)) != effort.to_the_end


# fmt: off
TWENTY_TWO = [
    2034.2, 2070.1, 2071.3, 2077.6, 2165.4, 2180.7, 2213.4, 2227.6, 2243.8, 2288.7, 2291.8,
    2308.3, 2310.9, 2332.6, 2351.0, 2351.2, 2371.4, 2379.1, 2382.4, 2383.5, 2387.2, 2391.1,
]
# fmt: on


def test_ctrl_c_ends_it_with_what_is_known() -> None:
    """A case that is not decided within minutes."""
    case = strips_of(TWENTY_TWO), straight(4, 11_678.0), StaggerRule(218.0, 60.0, 250.0)
    pressed = threading.Timer(1.0, signal.raise_signal, [signal.SIGINT])
    handler = signal.signal(signal.SIGINT, signal.default_int_handler)
    pressed.start()
    try:
        with pytest.raises(ScheduleError) as found:
            schedule(*case, effort=replace(LITTLE, to_the_end=True))
    finally:
        signal.signal(signal.SIGINT, handler)
    assert not pressed.is_alive()
    assert not found.value.proven
    assert found.value.additions


def test_the_solver_proves_it_too() -> None:
    strips, lanes, rule = TIGHT
    bound = sum(lane.length_mm for lane in lanes)
    infinite = float("inf")
    answer = ask(strips, lanes, rule, kinds=None, bound_mm=bound, below_mm=infinite, effort=2.0)
    assert answer.said is Said.NONE


def test_what_was_only_not_found_is_not_called_proved() -> None:
    """Setting strips by rules finds none here, and says so; a search of the orders finds one."""
    with pytest.raises(ScheduleError) as found:
        schedule(*HIDDEN, effort=NOTHING_BUT_RULES)
    assert not found.value.proven
    assert "does not prove" in str(found.value)
    check(schedule(*HIDDEN), *HIDDEN)


# ---------------------------------------------------------------------------------- even thickness


def test_swapping_evens_the_stack_and_costs_no_strip() -> None:
    rng = np.random.default_rng(3)
    thick = rng.normal(0.5, 0.03, 60)
    lanes = straight(5, 20_000.0)
    plain, measured = strips_of([2400.0] * 60), strips_of([2400.0] * 60, thick)
    without = schedule(plain, lanes, RULE)
    plan = schedule(measured, lanes, RULE)
    check(plan, measured, lanes, RULE)
    assert plan.used_mm == without.used_mm
    thickness = dict(zip([strip.name for strip in measured], thick, strict=True))
    stack = [
        sum(thickness[p.strip.name] for p in plan.pieces if p.start_mm <= at_mm < p.end_mm)
        for at_mm in np.linspace(0.0, 20_000.0, 4000, endpoint=False)
    ]
    assert np.std(stack) < 0.5 * 0.03 * np.sqrt(5)


# --------------------------------------------------------------------------------------- lane maps


@given(st.floats(50.0, 2000.0), st.floats(-3.0, 3.0))
def test_a_lane_travels_angle_times_offset_more(length_mm: float, offset_mm: float) -> None:
    lane = LaneMap([0.0, length_mm / 2, length_mm], [0.0, 2 * np.pi, 3 * np.pi], offset_mm)
    assert lane.length_mm == pytest.approx(length_mm + 3 * np.pi * offset_mm)
    at = np.linspace(0.0, length_mm * 1.2, 40)
    assert lane.to_cord(lane.to_lane(at)) == pytest.approx(at)


def test_a_bend_sharper_than_the_offset_is_refused() -> None:
    with pytest.raises(ValueError, match="sharper"):
        LaneMap([0.0, 10.0, 20.0], [0.0, 0.0, 11.0], -1.0)
