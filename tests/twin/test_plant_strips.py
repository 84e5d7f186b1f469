"""Rollers, strips, wheels and drives of the plant: geometry and statistics against the design."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plant_rig import QUIET, Rig
from plylane_twin._core import lib

CYCLE = 64  # pulses in four full steps


def slip_of(rig: Rig, length_mm: float, speed: float = 14.0) -> float:
    """Slip in percent once the slack has settled."""
    rig.feed(300.0, speed)
    feed, cord = rig.p.feed_mm, rig.p.cord_mm
    rig.feed(length_mm, speed)
    return float(100.0 * (1.0 - (rig.p.cord_mm - cord) / (rig.p.feed_mm - feed)))


# ---- rollers ----


def test_nominal_slip() -> None:
    """1.5 % at nominal load; the ripple of the pulses and the settling slack cost up to 0.05."""
    assert slip_of(Rig(**QUIET), 400.0) == pytest.approx(1.5, abs=0.05)


def test_slip_grows_with_drag_and_speed() -> None:
    light, heavy = (slip_of(Rig(**(QUIET | {"drag_N": drag})), 200.0) for drag in (2.5, 4.5))
    slow, fast = (slip_of(Rig(**QUIET), 200.0, speed) for speed in (7.0, 28.0))
    assert light < 1.4 and heavy > 1.6
    assert slow < 1.45 and fast > 1.7


def test_slip_drifts_by_half_a_percent_over_metres() -> None:
    """Two sigma are 0.5 % of feed; 90 m are sixty correlation lengths: 20 % on sigma."""
    rig = Rig(slip_drift_length_mm=150.0)
    drift = []
    for _ in range(900):
        rig.feed(10.0, 90.0)
        drift.append(rig.p.slip_drift[1])
    assert np.std(drift) == pytest.approx(1.0, rel=0.2)
    quiet = dict(QUIET)
    del quiet["slip_drift_percent"]
    slips = [slip_of(Rig(seed, **quiet), 40.0, 40.0) for seed in range(40)]
    base = slip_of(Rig(**QUIET), 40.0, 40.0)
    assert np.std(np.array(slips) - base) == pytest.approx(0.25, rel=0.4)


def test_film_raises_slip_slowly() -> None:
    """0.02 % a metre; here ten metres at once by a hundredfold rate."""
    rig = Rig(**(QUIET | {"film_slip_percent_per_m": 2.0, "film_slip_max_percent": 0.5}))
    assert slip_of(rig, 100.0) == pytest.approx(2.0, abs=0.2)
    assert rig.p.film == pytest.approx(0.005)


def test_a_roller_that_is_off_hardly_holds() -> None:
    rig = Rig(**QUIET)
    rig.feed(100.0, drives=0b001)  # infeed alone pushes the cord through
    assert rig.p.cord_mm > 80.0


# ---- slack ----


def test_rooms_lie_between_the_design_limits() -> None:
    rooms = [lane.room_mm for seed in range(60) for lane in Rig(seed).lanes]
    assert 0.3 <= min(rooms) < 0.33 and 0.77 < max(rooms) <= 0.8


def test_slack_is_taken_up_and_given_back() -> None:
    rig = Rig(**QUIET)
    rig.feed(150.0)
    for lane in rig.lanes:
        assert 0.6 * lane.room_mm < lane.slack_mm < lane.room_mm + 0.05
    fed = [lane.fed_mm for lane in rig.lanes]
    rig.run(6_000)
    for lane, before in zip(rig.lanes, fed, strict=True):
        assert abs(lane.slack_mm) < 0.05 * lane.room_mm
        assert 0.5 * lane.room_mm < before - lane.fed_mm < lane.room_mm + 0.05
    rig.feed(50.0, -14.0)
    assert all(-0.3 < lane.slack_mm < 0.0 for lane in rig.lanes)
    rig.feed(150.0)
    assert all(lane.slack_mm > 0.5 * lane.room_mm for lane in rig.lanes)


def test_strip_is_neither_made_nor_lost_between_infeed_and_press() -> None:
    """Slack is what was fed less what was drawn, whatever the wanderings; no joints here."""
    rig = Rig(**(QUIET | {"first_joint_mm": 2000.0, "lanes": 1}))
    for length, speed in ((200.0, 14.0), (60.0, -20.0), (90.0, 40.0), (30.0, -5.0), (200.0, 9.0)):
        rig.feed(length, speed)
        rig.run(700)
        lane = rig.lanes[0]
        assert lane.slack_mm == pytest.approx(lane.fed_mm - lane.ply_mm, abs=1e-6)


# ---- curves ----


@settings(max_examples=15, deadline=None)
@given(
    radius=st.floats(45.0, 300.0),
    turn=st.floats(-150.0, 150.0).filter(lambda t: abs(t) > 5.0),
    lanes=st.integers(1, 8),
)
def test_outer_lanes_travel_turning_angle_times_offset(
    radius: float, turn: float, lanes: int
) -> None:
    """Exact but for the milliseconds in which the bend begins and ends: 0.04 mm of cord each."""
    curve = {"start_mm": 20.0, "radius_mm": radius, "turn_deg": turn}
    rig = Rig(**(QUIET | {"curve": [curve], "curve_period_mm": 0.0, "lanes": lanes}))
    while rig.p.cord_mm < 30.0 + radius * math.radians(abs(turn)):
        rig.run(500, 40.0)
    for lane, offset in zip(rig.lanes, rig.set.lane_offset_mm, strict=False):
        more = math.radians(turn) * offset
        assert lane.ply_mm - rig.p.cord_mm == pytest.approx(
            more, abs=0.1 * abs(offset) / radius + 1e-6
        )


def test_curve_shows_at_the_infeed_too() -> None:
    """Lane 1 lies 1 mm outside a left bend of 90 degrees: pi / 2 mm more than lane 5 gets less."""
    curve = {"start_mm": 50.0, "radius_mm": 45.0, "turn_deg": 90.0}
    rig = Rig(**(QUIET | {"curve": [curve], "first_joint_mm": 2399.0}))
    rig.feed(500.0 - 260.0)
    first, last = rig.lanes[0], rig.lanes[4]
    assert first.fed_mm - last.fed_mm == pytest.approx(math.pi, abs=0.5)


# ---- drag and joints ----


def test_drag_varies_along_the_strip() -> None:
    """20 % with 150 mm of correlation, over 5 lanes of 27 m: 900 correlation lengths, 10 %."""
    rig = Rig()
    found: list[list[float]] = [[] for _ in rig.lanes]

    def note(plant: Any) -> None:
        for k, track in enumerate(found):
            while len(track) < plant.lane[k].varied_mm:
                track.append(plant.lane[k].variation)

    rig.feed(27_000.0, 90.0, each=note)
    tracks = [np.array(track) for track in found]
    sigma = math.sqrt(np.mean([np.mean(t**2) for t in tracks]))
    along = np.mean([np.mean(t[150:] * t[:-150]) for t in tracks]) / sigma**2
    assert rig.set.drag_variation == pytest.approx(0.2)
    assert sigma == pytest.approx(1.0, rel=0.1)
    assert along == pytest.approx(math.exp(-1.0), abs=0.1)


def test_drag_force_is_built_from_mean_and_variation() -> None:
    rig = Rig()
    rig.feed(100.0)
    for lane in rig.lanes:
        assert lane.drag_N == pytest.approx(
            3.5 * (1.0 + lane.strip_mean) * (1.0 + 0.2 * lane.variation), rel=0.2
        )


def test_each_strip_has_its_own_mean() -> None:
    means = [lane.strip_mean for seed in range(60) for lane in Rig(seed).lanes]
    assert -0.15 <= min(means) < -0.14 and 0.14 < max(means) <= 0.15


def test_joints_are_staggered_and_come_with_every_strip() -> None:
    rig = Rig()
    at = sorted(rig.set.first_joint_mm[0:5])
    assert min(np.diff([*at, at[0] + 2400.0])) == pytest.approx(480.0)
    joints: dict[int, list[float]] = {k: [] for k in range(5)}

    def note(plant: Any) -> None:
        for k, seen in joints.items():
            if plant.lane[k].joints > len(seen):
                seen.append(plant.lane[k].fed_mm)

    rig.feed(8_000.0, 90.0, each=note)
    for k, seen in joints.items():
        assert len(seen) >= 3
        assert seen[0] == pytest.approx(rig.set.first_joint_mm[k], abs=0.2)
        assert np.diff(seen) == pytest.approx(2400.0, abs=0.2)


def test_joints_come_with_a_gap_of_up_to_two_mm() -> None:
    """The wheel stands while it passes; some of it closes on the way, some stays in the cord."""
    passing, left = [], []
    for seed in range(12):
        rig = Rig(seed)
        rig.lanes[2].next_joint_mm = 100.0
        rig.feed(101.0)
        feed, fed = rig.p.feed_mm, rig.lanes[2].fed_mm
        rig.feed(4.0)
        passing.append(rig.p.feed_mm - feed - (rig.lanes[2].fed_mm - fed))
        rig.feed(160.0)
        left.append(rig.lanes[2].gaps_mm)
        assert rig.lanes[2].joints == 1 and not rig.lanes[2].joint_under_way
    assert 0.0 <= min(passing) < 0.7 and 1.2 < max(passing) < 2.2
    assert min(left) == 0.0 and 0.3 < max(left) < 3.0


def test_a_joint_takes_the_push_off_its_lane() -> None:
    rig = Rig(**(QUIET | {"joint_gap_max_mm": 2.0, "first_joint_mm": 100.0}))
    rig.feed(102.5)
    lane = rig.lanes[0]
    assert lane.joints == 1 and lane.joint_open
    assert lane.push_N == 0.0
    assert all(other.push_N > 1.0 for other in rig.lanes[1:])


# ---- wheels ----


def output_counts(rig: Rig, length_mm: float, speed: float = 40.0) -> tuple[np.ndarray, np.ndarray]:
    cord, counts = [0.0], [0]

    def note(plant: Any) -> None:
        cord.append(plant.cord_mm)
        counts.append(counts[-1] + plant.output_edges)

    rig.feed(length_mm, speed, each=note)
    return np.array(cord), np.array(counts)


def test_output_wheel_counts_cord() -> None:
    rig = Rig(**QUIET)
    cord, counts = output_counts(rig, 300.0)
    assert np.abs(counts * 0.05 - cord).max() <= 0.05 + 1e-9


def test_output_wheel_comes_back_on_reversal() -> None:
    rig = Rig()
    start = rig.p.output_counts
    rig.feed(40.0)
    middle = rig.p.cord_mm
    rig.feed(40.0, -14.0)
    counted = (rig.p.output_counts - start) * 0.05
    assert middle > 39.0
    assert counted == pytest.approx(rig.p.cord_mm, abs=0.5)


def test_run_out_is_one_percent_once_a_turn() -> None:
    """A rate of 1 + 0.01 sin(2 pi s / 62.8) leaves 62.8 x 0.01 / pi = 0.2 mm from top to bottom."""
    rig = Rig(**(QUIET | {"output_run_out_percent": 1.0}))
    cord, counts = output_counts(rig, 700.0)
    off = counts * 0.05 - cord
    assert np.ptp(off) == pytest.approx(62.8 * 0.01 / math.pi, abs=0.05)
    turn = np.interp(np.arange(62.8, 600.0, 62.8), cord, off)
    assert np.abs(turn).max() <= 0.06
    half = np.interp(np.arange(31.4, 600.0, 62.8), cord, off)
    assert half == pytest.approx(0.2, abs=0.06)


def test_output_wheel_slips_in_bursts() -> None:
    """30 % over 4 mm about once in 100 mm: 1.2 % lost, from some 270 bursts."""
    rig = Rig(**(QUIET | {"output_burst_slip_percent": 30.0, "output_burst_spacing_mm": 100.0}))
    cord, counts = output_counts(rig, 27_000.0, 90.0)
    lost = 1.0 - counts[-1] * 0.05 / cord[-1]
    assert lost == pytest.approx(0.012, rel=0.25)
    pieces = np.diff(counts[::50]) * 0.05 / np.diff(cord[::50])
    assert pieces.min() < 0.8 and np.median(pieces) > 0.98


def test_dirt_makes_the_output_wheel_count_short() -> None:
    rig = Rig(**(QUIET | {"output_dirt_percent_per_m": 10.0, "output_dirt_max_percent": 2.0}))
    rig.feed(300.0, 40.0)
    cord, counts = rig.p.cord_mm, rig.p.output_counts
    rig.feed(1000.0, 40.0)
    shown = (rig.p.output_counts - counts) * 0.05
    assert shown / (rig.p.cord_mm - cord) == pytest.approx(1.0 / 1.02, abs=0.0005)


def test_lane_wheel_spacing_scatters_by_ten_percent() -> None:
    widths = np.array(
        [np.diff(list(lane.edge_mm)) for seed in range(20) for lane in Rig(seed, lanes=8).lanes]
    )
    assert widths.std() / 0.5 == pytest.approx(0.1, rel=0.05)
    assert widths.sum(axis=1) == pytest.approx(20.0)


def test_lane_pulses_are_the_rising_edges_of_the_inputs() -> None:
    rig = Rig()
    before, edges = rig.p.inputs, [0] * 5
    start = [lane.wheel_mm for lane in rig.lanes]

    def note(plant: Any) -> None:
        nonlocal before
        rising = plant.inputs & ~before
        before = plant.inputs
        for k in range(5):
            edges[k] += rising >> k & 1

    rig.feed(250.0, 40.0, each=note)
    for k, lane in enumerate(rig.lanes):
        assert edges[k] == lane.wheel_pulses
        assert edges[k] * 0.5 == pytest.approx(lane.wheel_mm - start[k], abs=1.5)


def test_lane_wheels_do_not_stand_in_step() -> None:
    starts = {round(lane.wheel_mm, 6) for lane in Rig().lanes}
    assert len(starts) == 5


# ---- drives ----


def test_rollers_turn_what_they_are_given() -> None:
    rig = Rig(**QUIET)
    rig.feed(300.0, 37.0)
    rig.feed(100.0, -11.0)
    rig.run(300)
    for roller in rig.p.roller:
        assert roller.lost == 0
        assert roller.travel_mm == pytest.approx(roller.pulses / rig.set.pulses_per_mm, abs=1e-6)
    assert rig.p.roller[0].pulses == pytest.approx(200.0 * rig.set.pulses_per_mm, abs=2.0)


def test_weak_motor_loses_whole_fours_of_full_steps() -> None:
    """Pull-out torque below what the press needs: it loses, always 64 pulses at a time."""
    rig = Rig(**(QUIET | {"pull_out_torque_Nm": 0.09}))
    seen: set[int] = set()
    rig.run(20_000, 14.0, each=lambda plant: seen.add(plant.roller[lib.PLANT_PRESS].lost))
    assert max(seen) > 0
    assert all(lost % CYCLE == 0 for lost in seen)
    rig.run(300)
    roller = rig.p.roller[lib.PLANT_PRESS]
    turned = roller.pulses - roller.lost - roller.cycle
    assert roller.travel_mm == pytest.approx(turned / rig.set.pulses_per_mm, abs=1e-6)


def test_pull_out_torque_falls_with_speed() -> None:
    """A blocked head: at 14 mm/s the rollers slip, at 40 mm/s the infeed motor loses steps."""
    lost = []
    for speed in (14.0, 40.0):
        rig = Rig(**QUIET)
        rig.fault("head_jam", size=400.0)
        rig.feed(100.0, speed)
        lost.append(rig.p.roller[lib.PLANT_INFEED].lost)
    assert lost[0] == 0
    assert lost[1] > 0 and lost[1] % CYCLE == 0


@settings(max_examples=20, deadline=None)
@given(
    steps=st.integers(1, 40),
    legs=st.lists(st.tuples(st.integers(1, 900), st.sampled_from([-30.0, 14.0, 30.0])), max_size=6),
)
def test_lost_steps_come_in_fours_whatever_the_way(
    steps: int, legs: list[tuple[int, float]]
) -> None:
    rig = Rig(**QUIET)
    rig.fault("lost_steps", 2, size=float(steps))
    for ms, speed in legs:
        rig.run(ms, speed)
    roller = rig.p.roller[2]
    assert roller.lost % CYCLE == 0
    assert abs(roller.lost) <= CYCLE * math.ceil(steps / 4)
    assert abs(roller.cycle) < CYCLE


# ---- the whole ----


def test_same_seed_same_bits() -> None:
    first, again, other = Rig(3), Rig(3), Rig(4)
    for rig in (first, again, other):
        rig.fault("lane_jam", 1, size=60.0, over=50.0)
        rig.run(3_000, 14.0, 1)
        rig.run(500)
        rig.run(1_000, -14.0)
    assert first.bytes() == again.bytes()
    assert first.bytes() != other.bytes()
    assert first.p.cord_mm != other.p.cord_mm
    assert list(first.p.converter) != list(other.p.converter)


def test_two_plants_do_not_touch_each_other() -> None:
    alone, left, right = Rig(5), Rig(5), Rig(6)
    alone.run(2_000, 14.0, 3)
    for _ in range(2_000):
        left.run(1, 14.0, 3)
        right.run(1, -9.0, 0)
    assert left.bytes() == alone.bytes()


def test_streams_are_uniform_normal_and_apart() -> None:
    from plylane_twin._core import ffi

    streams = [ffi.new("struct plant_stream *") for _ in range(3)]
    for stream, (seed, source) in zip(streams, ((1, 1), (1, 2), (2, 1)), strict=True):
        lib.plant_stream_init(stream, seed, source)
    normal = np.array([[lib.plant_normal(s) for _ in range(20_000)] for s in streams])
    assert np.abs(normal.mean(axis=1)).max() < 0.03  # four sigma
    assert normal.std(axis=1) == pytest.approx(1.0, abs=0.02)
    assert np.abs(np.corrcoef(normal) - np.eye(3)).max() < 0.03
    uniform = np.array([lib.plant_uniform(streams[0]) for _ in range(20_000)])
    assert uniform.min() >= 0.0 and uniform.max() < 1.0
    assert np.histogram(uniform, 10, (0.0, 1.0))[0] == pytest.approx(2000, abs=180)
