"""The head follows a robot: laid length against path length, and what goes wrong with it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from follow_rig import HEALTHY, Follower, growing_slip, lamp_path, scenario
from plylane.head.registers import Command, FeedSource, State, TrimMode, TrimState
from plylane_twin import Twin
from plylane_twin.motion import MotionSource
from plylane_twin.path_file import Piece, RobotPath

LONG_MM = 20_000.0
STRAIGHT = RobotPath((Piece(0.0, 100_000.0, 14.0),))


def follower(*faults: str, trim: TrimMode = TrimMode.AUTOMATIC, seed: int = 7, **more) -> Follower:
    return Follower(Twin(scenario(HEALTHY, *faults), seed), trim, **more)


def trim_state(follows: Follower) -> TrimState:
    return follows.client.snapshot().telemetry.trim_state


# ------------------------------------------------------------------------------------ the figure


def test_over_20_m_laid_length_is_path_length_within_half_a_millimetre() -> None:
    """Stops, bends down to 45 mm, 3 % of slip growing all the way, 30 ms of jitter."""
    follows = follower(growing_slip(3.0, LONG_MM))
    laid = follows.follow(follows.robot(lamp_path(LONG_MM)))
    assert laid.path_mm[-1] == pytest.approx(LONG_MM)
    assert np.abs(laid.error_mm()).max() <= 0.5
    assert not follows.alarms


def test_without_trim_it_is_hundreds_of_millimetres_short() -> None:
    follows = follower(growing_slip(3.0, LONG_MM), trim=TrimMode.OFF)
    laid = follows.follow(follows.robot(lamp_path(LONG_MM)))
    assert laid.error_mm()[-1] < -300.0


def test_the_speed_alone_would_not_do() -> None:
    """The robot's speed without position and stamp, over the same jitter: the reason for them."""
    follows = follower(source=FeedSource.PATH)

    class SpeedDoor:
        def write_reference(self, stamp_ms: int, position_mm: float, speed_mm_s: float) -> None:
            follows.client.write("feed.path_speed_mm_s", speed_mm_s)

    robot = MotionSource(follows.stand, lamp_path(3000.0), SpeedDoor())
    assert np.abs(follows.follow(robot).error_mm()).max() > 0.5


# ---------------------------------------------------------------------- the output wheel in doubt


@pytest.mark.parametrize(
    ("fault", "state"),
    [
        ('kind = "output_wheel_stuck"\nfor_s = 0.4', TrimState.WHEEL_SLIPS),
        ('kind = "output_wheel_slip"\nslip_percent = 30.0\nfor_s = 1.0', TrimState.WHEEL_SLIPS),
        ('kind = "output_wheel_slip"\nslip_percent = 4.0\nfor_s = 100.0', TrimState.WHEEL_SLIPS),
        ('kind = "output_wheel_slip"\nslip_percent = 1.0\nfor_s = 60.0', TrimState.WHEEL_DRIFTS),
        (
            'kind = "output_wheel_dirty"\ndiameter_percent = 2.0\nover_mm = 2000\nfor_s = 100.0',
            TrimState.WHEEL_DRIFTS,
        ),
    ],
)  # fmt: skip
def test_trim_freezes_before_the_cord_is_2_mm_off_says_why_and_thaws(fault, state) -> None:
    follows = follower(f"{fault}\nat_output_mm = 1000.0")
    robot = follows.robot(STRAIGHT)
    robot.go()
    follows.follow(robot, 990.0)
    frozen_at = None
    while follows.stand.faults or not frozen_at:
        robot.advance(20)
        if frozen_at is None and trim_state(follows) == state:
            frozen_at = abs(follows.cord_mm - robot.position_mm)
            name = "wheel_slips" if state == TrimState.WHEEL_SLIPS else "wheel_drifts"
            assert name in follows.alarms
            robot.advance(1500)
            ppm = follows.client.snapshot().telemetry.trim_ppm
        assert robot.position_mm < 6000.0
    assert frozen_at < 2.0
    assert ppm < 40_000
    follows.follow(robot, robot.position_mm + 3000.0)
    assert trim_state(follows) == TrimState.AUTOMATIC
    assert not follows.alarms & {"wheel_slips", "wheel_drifts"}


def off_until_frozen(
    follows: Follower, path: RobotPath, from_mm: float, within_mm: float = 600.0
) -> float:
    """The most that cord and path part from `from_mm` on until the trim freezes, mm."""
    robot, worst = follows.robot(path), 0.0
    robot.go()
    follows.follow(robot, from_mm - 20.0)
    assert trim_state(follows) == TrimState.AUTOMATIC and not follows.alarms
    while trim_state(follows) == TrimState.AUTOMATIC:
        robot.advance(20)
        worst = max(worst, abs(follows.cord_mm - robot.position_mm))
        assert robot.position_mm < from_mm + within_mm, "not noticed"
    return worst


SLIPS = (2.0, 3.0, 4.0, 5.0, 8.0, 15.0, 40.0)


@pytest.mark.parametrize(
    "fault",
    [
        *(f'kind = "output_wheel_slip"\nslip_percent = {slip}' for slip in SLIPS),
        'kind = "output_wheel_stuck"',
        'kind = "output_wheel_dirty"\ndiameter_percent = 5.0',
    ],
)
def test_the_freeze_comes_before_2_mm_whatever_the_seed_and_the_wheels_place(fault) -> None:
    for seed in range(1, 9):
        at_mm = 500.0 + 62.8 / 8 * seed  # all around the wheel's run-out
        follows = follower(f"{fault}\nat_output_mm = {at_mm}", seed=seed)
        assert off_until_frozen(follows, STRAIGHT, at_mm) < 2.0, seed


@pytest.mark.parametrize("after_stop_mm", [-15.0, 2.0, 40.0])
def test_a_wheel_that_begins_to_slip_about_a_stop_is_found_before_2_mm(after_stop_mm) -> None:
    """Strips settle then, the lane wheels are no witness; lamp_path's robot stops at 794.25 mm."""
    at_mm = 794.25 + after_stop_mm
    for seed in range(1, 5):
        fault = f'kind = "output_wheel_slip"\nslip_percent = 3.0\nat_output_mm = {at_mm}'
        follows = follower(fault, seed=seed)
        assert off_until_frozen(follows, lamp_path(2000.0), at_mm) < 2.0, seed


STOPS_AND_FAULTS = [
    (60.0, 'kind = "output_wheel_slip"\nslip_percent = 1.5'),
    (90.0, 'kind = "output_wheel_slip"\nslip_percent = 1.0'),
    (90.0, 'kind = "output_wheel_dirty"\ndiameter_percent = 2.0\nover_mm = 2000'),
]


@pytest.mark.parametrize(("every_mm", "fault"), STOPS_AND_FAULTS)
def test_stops_as_close_as_the_strips_take_to_settle_hide_no_little_slip(every_mm, fault) -> None:
    """Lane wheels that count what strips give back at a stop would be ahead by it at each."""
    starts = np.arange(0.0, 2400.0, every_mm).tolist()
    stops = RobotPath(tuple(Piece(at, at + every_mm, 14.0, 0.0, 0.5) for at in starts))
    for seed in (3, 4):
        follows = follower(f"{fault}\nat_output_mm = 400.0", seed=seed)
        assert off_until_frozen(follows, stops, 400.0, within_mm=1600.0) < 2.0, seed
        assert trim_state(follows) == TrimState.WHEEL_DRIFTS


def test_slip_too_little_to_be_seen_about_a_stop_is_seen_by_the_lanes() -> None:
    """1.5 % from the stop on: the lane wheels' limit and their lag."""
    follows = follower('kind = "output_wheel_slip"\nslip_percent = 1.5\nat_output_mm = 794.25')
    assert off_until_frozen(follows, lamp_path(2000.0), 794.25) < 2.5


def test_rollers_that_slip_ever_more_never_wrap_what_the_trim_has_learned() -> None:
    """27 % is beyond what the loss can hold: it stays at its end, it does not jump to the other."""
    follows = follower(
        'kind = "film"\nslip_percent = 27.0\nover_mm = 3000.0\nat_output_mm = 100.0',
        settings={"machine.expected_slip_percent": 20.0, "guards.mismatch_limit_mm": 30.0},
        seed=3,
    )
    robot, least = follows.robot(STRAIGHT), 2**15
    robot.go()
    while robot.position_mm < 3500.0 and follows.state == State.EXECUTE:
        robot.advance(200)
        least = min(least, follows.stand.head.trim.loss)
    assert least > 0


@pytest.mark.parametrize("slip_percent", [2.5, 4.0])
def test_rollers_that_begin_to_slip_are_not_taken_for_the_wheel_for_long(slip_percent) -> None:
    """All at once, as no film grows: in doubt at first, until the lane wheels fall behind too."""
    follows = follower(f'kind = "film"\nslip_percent = {slip_percent}\nat_output_mm = 1000.0')
    laid = follows.follow(follows.robot(STRAIGHT), 2500.0)
    assert np.abs(laid.error_mm()).max() < 9.0
    assert np.abs(laid.error_mm(after_mm=1600.0)).max() < 2.5
    assert trim_state(follows) == TrimState.AUTOMATIC and not follows.alarms


@pytest.mark.parametrize("seed", [7, 9])
def test_dirt_as_the_plants_own_file_has_it_is_found_before_2_mm(seed: int) -> None:
    """0.01 % of diameter a metre: it takes some five metres."""
    follows = Follower(Twin(scenario("output_burst_slip_percent = 0.0"), seed))
    assert off_until_frozen(follows, STRAIGHT, 220.0, within_mm=8000.0) < 2.0
    assert trim_state(follows) == TrimState.WHEEL_DRIFTS and "wheel_drifts" in follows.alarms


def test_a_wheel_that_stays_stuck_ends_in_the_hard_guards_hold() -> None:
    follows = follower('kind = "output_wheel_stuck"\nat_output_mm = 500.0')
    robot = follows.robot(STRAIGHT)
    follows.follow(robot, 500.0)
    follows.until(lambda: robot.advance(20) or follows.state == State.HELD, 5000)  # type: ignore[func-returns-value]
    assert "feed_mismatch" in follows.alarms
    assert abs(follows.cord_mm - 516.0) < 4.0, "15 mm of feed and the way to stop"


def test_a_trim_that_may_not_go_far_enough_is_said_and_the_feed_goes_on() -> None:
    """Slip 1.5 % and more against 0.5 % of trim: the limit, 3 mm, is passed within half a metre."""
    follows = follower(settings={"machine.trim_max_percent": 0.5})
    robot = follows.robot(STRAIGHT)
    robot.go()
    while "length_off" not in follows.alarms:
        assert robot.position_mm < 600.0
        before_mm = follows.client.snapshot().telemetry.length_error_mm
        robot.advance(20)
    assert before_mm <= 3.0 + 0.05
    assert follows.client.snapshot().telemetry.length_error_mm > 3.0 - 0.05
    assert robot.position_mm - follows.cord_mm == pytest.approx(3.0, abs=0.7)
    assert follows.state == State.EXECUTE
    follows.client.write("feed.trim_mode", TrimMode.FIXED)  # nothing is promised any more
    robot.advance(100)
    assert "length_off" not in follows.alarms


def test_bursts_of_the_demo_wheel_do_not_add_up() -> None:
    """Slip bursts as the plant's own file has them, some 1.2 mm every 3 m."""
    follows = Follower(Twin(scenario("output_dirt_percent_per_m = 0.0"), 3))
    laid = follows.follow(follows.robot(lamp_path(12_000.0)))
    assert np.abs(laid.error_mm()).max() < 2.0


# ----------------------------------------------------------------------------- the robot in doubt


def test_a_stale_reference_holds_the_feed() -> None:
    follows = follower()
    robot = follows.robot(STRAIGHT)
    robot.go()
    follows.follow(robot, 100.0)
    follows.stand.advance(249 - 20)  # nothing is written meanwhile
    follows.until(lambda: follows.state == State.HELD, 1500)
    assert follows.alarms == {"path_stale"}
    standing_mm = follows.cord_mm
    follows.stand.advance(500)
    assert follows.cord_mm == pytest.approx(standing_mm, abs=0.01)


def test_the_same_reference_again_and_again_is_stale_too() -> None:
    """A gateway that has lost its robot goes on writing what it had last."""
    follows = follower()
    robot = follows.robot(STRAIGHT)
    robot.go()
    follows.follow(robot, 100.0)
    for _ in range(100):
        robot.door.write_reference(200_000, robot.position_mm, 14.0)
        follows.stand.advance(20)
    assert follows.state == State.HELD and "path_stale" in follows.alarms
    assert follows.cord_mm < 100.0 + 14.0 * 0.3 + 5.0


def test_the_permit_withdrawn_holds_the_feed_and_it_goes_on_afterwards() -> None:
    follows = follower()
    robot = follows.robot(lamp_path(1200.0))
    robot.go()
    follows.follow(robot, 250.0)
    robot.stop()
    robot.advance(1500)
    assert follows.state == State.HELD and follows.alarms == {"permit_lost"}
    robot.stop(permit=True)
    robot.advance(200)
    follows.client.command(Command.UNHOLD)
    robot.advance(500)
    robot.go()
    laid = follows.follow(robot)
    assert follows.state == State.EXECUTE
    assert abs(laid.cord_mm[-1] - 1200.0) < 0.5


def test_a_robot_that_backs_within_the_limit_is_waited_for() -> None:
    follows = follower()
    door = follows.robot(STRAIGHT).door
    for stamp, at_mm in enumerate([*np.arange(0.0, 5.0, 0.1), *[4.4] * 20]):
        door.write_reference(20 * stamp, float(at_mm), 0.0 if at_mm == 4.4 else 5.0)
        follows.stand.advance(20)
    assert follows.state == State.EXECUTE, follows.alarms
    assert follows.client.snapshot().telemetry.feed_speed_mm_s == 0.0


def test_a_robot_that_reverses_holds_the_feed_and_the_cord_is_not_pulled_back() -> None:
    follows = follower()
    door = follows.robot(STRAIGHT).door
    most_mm = 0.0
    for stamp, at_mm in enumerate([*np.arange(0.0, 20.0, 0.28), *np.arange(20.0, 0.0, -0.28)]):
        door.write_reference(20 * stamp, float(at_mm), 14.0 if stamp <= 71 else -14.0)
        follows.stand.advance(20)
        assert follows.stand.plant.cord_mm >= most_mm - 0.01
        most_mm = follows.stand.plant.cord_mm
    assert follows.state == State.HELD
    assert "path_reversed" in follows.alarms


def test_a_robot_faster_than_the_head_may_go_is_held_not_followed_short() -> None:
    follows = follower(settings={"machine.speed_max_mm_s": 20.0})
    robot = follows.robot(RobotPath((Piece(0.0, 5000.0, 30.0),)))
    robot.go()
    follows.until(lambda: robot.advance(20) or follows.state == State.HELD, 20_000)  # type: ignore[func-returns-value]
    assert "path_too_fast" in follows.alarms
    assert robot.position_mm - follows.cord_mm < 3.0 + 30.0 * 1.0, "said at once"


def test_a_robot_clock_that_starts_again_is_followed_after_a_hold() -> None:
    follows = follower()
    robot = follows.robot(STRAIGHT)
    robot.go()
    follows.follow(robot, 100.0)
    robot.stop(permit=True)
    robot.advance(1000)
    at_mm = robot.position_mm
    for stamp in range(0, 600, 20):  # from 0 again: old at first, then stale, then taken
        robot.door.write_reference(stamp, at_mm, 0.0)
        follows.stand.advance(20)
    assert follows.alarms <= {"path_stale"}
    for stamp in range(600, 1000, 20):
        robot.door.write_reference(stamp, at_mm, 0.0)
        follows.stand.advance(20)
    assert not follows.alarms
    assert follows.cord_mm == pytest.approx(at_mm, abs=2.0), "it stood at once"


# ------------------------------------------------------------------------------------------ shear


@settings(max_examples=6, deadline=None)
@given(
    lead_mm=st.sampled_from([0.0, 12.5, 63.2, 150.0]),
    length_mm=st.integers(200, 400).map(float),
    trim=st.sampled_from([TrimMode.FIXED, TrimMode.AUTOMATIC]),
)
def test_the_cut_lies_at_the_commanded_end_and_the_rest_is_fed_out(
    lead_mm, length_mm, trim
) -> None:
    follows = Follower(
        Twin(scenario(), 5),
        trim,
        {"machine.shear_to_nozzle_mm": lead_mm},
        FeedSource.LENGTH,
        length_mm=length_mm,
        speed_mm_s=14.0,
        shear_at_mm=length_mm - 5.0,
        trim_ppm=15_000,
    )
    follows.until(lambda: follows.state == State.COMPLETE, 60_000)
    cut_mm = follows.stand.plant.cut_at_mm - follows.from_mm
    assert follows.stand.plant.cuts == 1
    assert cut_mm + lead_mm == pytest.approx(length_mm - 5.0, abs=0.5)
    assert follows.cord_mm == pytest.approx(length_mm, abs=0.01 * length_mm)
