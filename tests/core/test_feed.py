"""Master feed and drives: where the pulses fall, whatever the feed is told."""

from __future__ import annotations

from fractions import Fraction
from itertools import cycle
from math import floor

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from feed_rig import FAST_UM_S, Rig, Trace
from plylane_twin._core import ffi, lib

# Twice the rounding of pulses_per_m * 4096 to a whole number, pulses a nm; see feed.h.
RATIO_ROUNDING = 1 / 4096e9
# A step is cut to whole units and lasts 16 periods: 16 units of 10^9 a pulse; and floats here.
STEP_ROUNDING = 1e-6

speeds = st.integers(-10_000, 10_000).map(lambda hundredths: hundredths * 10)
accelerations = st.integers(1, 2000)
pulse_densities = st.integers(100_000, 14_000_000).map(lambda hundredths: hundredths / 100)
three = st.tuples


def check_on_the_line(rig: Rig, trace: Trace, start_nm: int = 0) -> None:
    """Pulses are the ideal line's rounded down: never ahead, never a pulse behind."""
    line_nm = trace.at_periods(start_nm)
    slack = np.abs(line_nm) * RATIO_ROUNDING + STEP_ROUNDING
    for drive in range(3):
        off = trace.pulses[:, drive] - line_nm * (float(rig.pulses_per_m(drive)) * 1e-9)
        assert np.all(off <= slack)
        assert np.all(off >= -1 - slack)
        assert rig.pulses(drive) == trace.pulses[-1, drive]


def check_acceleration(rig: Rig, trace: Trace, before: int = 0) -> None:
    change = np.abs(np.diff(trace.speed, prepend=before))
    assert change.max() <= rig.head.settings.machine.acceleration_mm_s2
    assert np.abs(trace.speed).max() <= rig.head.settings.machine.speed_max_mm_s * 10


# ------------------------------------------------------------------------------- the ideal line


@settings(max_examples=60, deadline=None)
@given(
    pulses_per_m=three(pulse_densities, pulse_densities, pulse_densities),
    ratio_ppm=three(*[st.integers(-50_000, 50_000)] * 3),
    acceleration=accelerations,
    trim_ppm=st.integers(-20_000, 20_000),
    profile=st.lists(st.tuples(speeds, st.integers(1, 120)), min_size=1, max_size=8),
    reversed_drives=three(*[st.integers(0, 1)] * 3),
)
def test_no_pulse_is_ever_more_than_one_off_the_ideal_line(
    pulses_per_m, ratio_ppm, acceleration, trim_ppm, profile, reversed_drives
) -> None:
    rig = Rig(acceleration, pulses_per_m, ratio_ppm, reversed_drives=reversed_drives)
    rig.live.trim_ppm = trim_ppm
    rig.start()
    speed = position_nm = 0
    for um_s, ms in profile:
        rig.set_speed(um_s)
        trace = rig.run(ms)
        check_acceleration(rig, trace, speed)
        check_on_the_line(rig, trace, position_nm)
        speed, position_nm = int(trace.speed[-1]), int(trace.position_nm[-1])


def test_over_ten_metres_each_drive_keeps_its_ratio() -> None:
    rig = Rig(pulses_per_m=(50929.58, 20000.01, 70_000), ratio_ppm=(0, -1234, 371))
    rig.live.trim_ppm = -777
    rig.set_speed(FAST_UM_S)
    rig.start()
    trace = rig.run(100_200)
    assert trace.position_nm[-1] > 10_000_000_000
    check_on_the_line(rig, trace)
    for drive in range(3):
        exact = trace.position_nm[-1] * rig.pulses_per_m(drive) / 10**9
        assert abs(rig.pulses(drive) - exact) <= 1


@settings(max_examples=40, deadline=None)
@given(
    there=st.integers(1, 40_000), um_s=st.integers(1, FAST_UM_S // 10), acceleration=accelerations
)
def test_there_and_back_is_nothing(there: int, um_s: int, acceleration: int) -> None:
    rig = Rig(max(acceleration, 20), pulses_per_m=(33333.33, 50929.58, 9999.99))
    um_s = max(um_s * 10, 2_000)
    rig.jog(there, um_s)
    check_on_the_line(rig, rig.until_rest())
    out = [rig.pulses(k) for k in range(3)]
    assert out[1] == floor(there * 1000 * Fraction(5092958, 100) / 10**9 + Fraction(1, 10**6))
    rig.jog(-there, um_s)
    rig.until_rest()
    assert rig.position_nm() == 0
    assert [rig.pulses(k) for k in range(3)] == [0, 0, 0]


# --------------------------------------------------------------------------------- acceleration

orders = st.one_of(
    st.tuples(st.just("set_speed"), speeds),
    st.tuples(st.just("path"), speeds.map(abs)),
    st.tuples(st.just("start")),
    st.tuples(st.just("rest")),
    st.tuples(st.just("jog"), st.integers(-20_000, 20_000), speeds.map(lambda v: abs(v) + 10)),
)


@settings(max_examples=60, deadline=None)
@given(
    acceleration=accelerations, work=st.lists(st.tuples(orders, st.integers(0, 150)), max_size=12)
)
def test_acceleration_is_never_exceeded_whatever_is_ordered(acceleration: int, work) -> None:
    rig = Rig(acceleration)
    before = 0
    for (name, *arguments), ms in work:
        getattr(rig, name)(*arguments)
        if ms:
            trace = rig.run(ms)
            check_acceleration(rig, trace, before)
            before = int(trace.speed[-1])
    rig.rest()
    check_acceleration(rig, rig.until_rest(200_000), before)
    assert rig.feed.mode == lib.FEED_REST


# --------------------------------------------------------------------------------------- length

run_lengths = st.integers(0, 120_000)
run_speeds = st.integers(500, 10_000).map(lambda hundredths: hundredths * 10)


@settings(max_examples=60, deadline=None)
@given(length_um=run_lengths, um_s=run_speeds, acceleration=st.integers(20, 2000))
@example(length_um=1, um_s=100_000, acceleration=2000)
@example(length_um=100_000, um_s=50_000, acceleration=50)
def test_length_ends_on_the_nanometre(length_um: int, um_s: int, acceleration: int) -> None:
    rig = Rig(acceleration, pulses_per_m=(50_000, 20_000, 158_000))
    rig.length(length_um, um_s)
    rig.start()
    trace = rig.run(60_000, until=lambda: rig.feed.length_done)
    assert trace.speed.sum() == length_um * 1000
    assert np.all(trace.speed >= 0)
    after = rig.run(20)
    assert not after.speed.any()
    assert lib.feed_at_rest(rig.head)
    check_acceleration(rig, trace)
    for drive, per_mm in enumerate((50, 20, 158)):
        assert rig.pulses(drive) == length_um * per_mm // 1000
    assert rig.events()[-1] == (lib.EVENT_CODE_LENGTH_REACHED, length_um // 1000)
    assert [code for code, _ in rig.events()].count(lib.EVENT_CODE_LENGTH_REACHED) == 1


@settings(max_examples=40, deadline=None)
@given(
    length_um=st.integers(2_000, 60_000),
    um_s=run_speeds,
    acceleration=st.integers(40, 2000),
    holds=st.lists(st.integers(1, 900), min_size=1, max_size=4),
    jogged_um=st.integers(-3000, 3000),
)
def test_held_and_resumed_length_goes_on_with_what_was_left(
    length_um, um_s, acceleration, holds, jogged_um
) -> None:
    rig = Rig(acceleration)
    rig.length(length_um, um_s)
    moved_nm = 0
    for ms in holds:
        rig.start()
        moved_nm += int(rig.run(ms).speed.sum())
        rig.rest()
        moved_nm += int(rig.until_rest().speed.sum())
        assert rig.to_go_nm() == length_um * 1000 - moved_nm
        rig.jog(jogged_um, 10_000, drives=1)
        rig.until_rest()
        assert rig.to_go_nm() == length_um * 1000 - moved_nm
    rig.start()
    trace = rig.run(60_000, until=lambda: rig.feed.length_done)
    assert rig.feed.length_done
    assert moved_nm + trace.speed.sum() == length_um * 1000
    assert rig.position_nm() == length_um * 1000
    assert lib.feed_to_go_um(rig.head) == 0


def test_zero_starts_the_length_anew() -> None:
    rig = Rig()
    rig.length(10_000, 20_000)
    rig.start()
    rig.run(200)
    rig.rest()
    rig.until_rest()
    assert 0 < rig.to_go_nm() < 10_000_000
    lib.feed_zero(rig.head)
    assert (rig.to_go_nm(), rig.position_nm()) == (10_000_000, 0)


def test_to_go_is_rounded_up_so_that_0_means_done() -> None:
    rig = Rig(acceleration=3)
    rig.length(10, 20_000)
    rig.start()
    rig.run(2)
    assert rig.to_go_nm() == 10_000 - 3 - 6
    assert lib.feed_to_go_um(rig.head) == 10


def test_lower_cruising_speed_is_reached_within_the_limit_and_the_length_kept() -> None:
    rig = Rig(acceleration=100)
    rig.length(40_000, 80_000)
    rig.start()
    first = rig.run(500)
    rig.live.speed_mm_s = 1_000
    second = rig.run(60_000, until=lambda: rig.feed.length_done)
    check_acceleration(rig, second, int(first.speed[-1]))
    assert np.median(second.speed) == 10_000
    assert first.speed.sum() + second.speed.sum() == 40_000_000


def test_length_that_cannot_be_stopped_in_time_is_overshot_and_come_back_to() -> None:
    """Only reached by a limit that is lowered in the middle; the count stays exact all the same."""
    rig = Rig(acceleration=2000)
    rig.length(20_000, 50_000)
    rig.start()
    first = rig.run(100)
    rig.head.settings.machine.acceleration_mm_s2 = 100
    rig.feed.to_go_um, rig.feed.to_go_rest_nm = 49, 900  # the very next tick passes the end
    passing = rig.run(1)
    assert (rig.to_go_nm(), rig.feed.length_done) == (0, False)
    back = rig.run(5_000, until=lambda: rig.feed.length_done)
    assert back.speed.min() < 0
    assert back.speed.sum() == 0
    check_acceleration(rig, passing, int(first.speed[-1]))
    check_acceleration(rig, back, int(passing.speed[-1]))


def test_jog_ordered_while_a_length_feeds_leaves_its_slowing_down_to_the_length() -> None:
    rig = Rig(acceleration=100)
    rig.length(100_000, 50_000)
    rig.start()
    rig.run(700)
    rig.jog(5_000, 10_000, drives=0b100)
    rig.until_rest()
    assert rig.position_nm() > 10_000_000
    assert rig.to_go_nm() == 100_000_000 - rig.position_nm()


def test_negative_speed_does_not_feed_a_length() -> None:
    rig = Rig()
    rig.length(10_000, -20_000)
    rig.start()
    assert not rig.run(100).speed.any()


def test_slowest_acceleration_still_ends_a_fast_long_length_exactly() -> None:
    """2 mm/s2, the lowest of the map, from 100 mm/s needs 2.5 m to stop."""
    rig = Rig(acceleration=2)
    rig.length(9_000_000, 100_000)
    rig.feed.speed_um_s = rig.feed.ceiling_um_s  # as after 50 s
    rig.start()
    trace = rig.run(240_000, until=lambda: rig.feed.length_done)
    assert rig.feed.ceiling_um_s > 90_000
    assert trace.speed.sum() == 9_000_000_000
    assert trace.speed.min() >= 0, "no overshoot"
    check_acceleration(rig, trace, int(rig.feed.ceiling_um_s))


# ---------------------------------------------------------------------------------- late ticks


@settings(max_examples=60, deadline=None)
@given(
    periods=st.lists(st.integers(0, 80), min_size=10, max_size=120),
    um_s=speeds,
    acceleration=accelerations,
)
def test_late_and_early_ticks_lose_no_pulse(periods, um_s: int, acceleration: int) -> None:
    """However many periods pass between ticks, at rest every drive is where the master is."""
    rig = Rig(acceleration, pulses_per_m=(50929.58, 20_000, 158_000))
    rig.set_speed(um_s)
    rig.start()
    rig.run(len(periods), periods=periods)
    rig.rest()
    early = cycle([3, 16, 0, 9])
    rig.run(200_000, early, until=lambda: bool(lib.feed_at_rest(rig.head)))
    assert lib.feed_at_rest(rig.head)
    assert len(np.unique(rig.run(5).pulses, axis=0)) == 1, "at rest every pulse is out"
    for drive in rig.feed.drive:
        phase = drive.pulses * lib.PHASE_PER_PULSE + drive.phase
        assert 0 <= rig.position_nm() * drive.ratio - phase * 4096 < 65536  # feed.h: total, rest


@settings(max_examples=40, deadline=None)
@given(periods=st.lists(st.integers(0, 80), min_size=10, max_size=60))
def test_drive_that_ran_ahead_waits_and_does_not_turn_back(periods) -> None:
    rig = Rig(pulses_per_m=(158_000, 158_000, 20_000))
    rig.set_speed(FAST_UM_S)
    rig.start()
    rig.run(60)
    trace = rig.run(len(periods), periods=periods)
    assert np.all(np.diff(trace.pulses, axis=0) >= 0)


@pytest.mark.parametrize("periods", [0, 40, 80, 2_000])
def test_ticks_that_are_always_wrong_do_not_set_drives_swinging(periods: int) -> None:
    rig = Rig(pulses_per_m=(158_000, 50_000, 20_000))
    rig.set_speed(FAST_UM_S)
    rig.start()
    forward = rig.run(100, periods=[periods] * 100)
    rig.rest()
    back = rig.run(1000, periods=[periods] * 1000)
    assert np.all(np.diff(forward.pulses, axis=0) >= 0)
    if periods:
        overrun = forward.pulses[-1] - back.pulses[-1]  # what was run too far comes back, once
        assert np.abs(np.diff(back.pulses, axis=0)).sum(axis=0).max() <= overrun.max() + 400
        assert np.ptp(back.pulses[-100:], axis=0).max() <= 1


def test_drives_stand_when_the_main_loop_hangs() -> None:
    rig = Rig()
    rig.set_speed(FAST_UM_S)
    rig.start()
    rig.run(100)
    before = rig.pulses()
    hung = rig.run(1, periods=[16_000]).pulses[:, 0]
    moving = np.flatnonzero(np.diff(hung, prepend=before))
    assert len(moving) > 0
    assert moving[-1] < 16 + lib.LATE_PERIODS


# ------------------------------------------------------------------------------------ too fast


@pytest.mark.parametrize(
    ("mode", "trim_ppm", "trim_max_percent"),
    [
        (lib.TRIM_MODE_FIXED, 20_000, 0.0),
        (lib.TRIM_MODE_FIXED, 20_000, 2.0),
        (lib.TRIM_MODE_AUTOMATIC, 80_000, 8.0),
        (lib.TRIM_MODE_AUTOMATIC, 100_000, 10.0),
    ],
)
def test_master_is_slowed_so_that_no_drive_is_asked_for_more_than_the_board_sustains(
    mode: int, trim_ppm: int, trim_max_percent: float
) -> None:
    """With all the trim that the settings allow in force."""
    rig = Rig(pulses_per_m=(50_000, 400_000, 20_000), ratio_ppm=(0, 0, 50_000))
    rig.head.settings.machine.trim_max_percent = round(100 * trim_max_percent)
    lib.feed_apply(rig.head)
    rig.live.trim_mode = mode
    if mode == lib.TRIM_MODE_FIXED:
        rig.live.trim_ppm = trim_ppm
    else:
        rig.head.trim.integral = trim_ppm << 11  # 2048ths
    rig.set_speed(FAST_UM_S)
    rig.start()
    trace = rig.run(400)
    check_on_the_line(rig, trace)
    assert rig.feed.overrun_drives == 0b010
    assert rig.feed.trim_ppm == trim_ppm
    per_s = np.diff(trace.pulses[-16_00:, 1]).mean() * 16_000
    assert 0.97 * 8_000 < per_s <= 8_000


def test_speed_that_every_drive_can_follow_raises_nothing() -> None:
    rig = Rig(pulses_per_m=(50_000, 200_000, 20_000), speed_max_um_s=36_000)  # 7,200 and 8 %
    rig.set_speed(FAST_UM_S)
    rig.start()
    assert rig.run(200).speed[-1] == 36_000
    assert rig.feed.overrun_drives == 0


def test_ratio_is_rounded_once_and_never_wraps() -> None:
    rig = Rig(pulses_per_m=(1_000_000, 1000.01, 50929.58), ratio_ppm=(50_000, -50_000, 123))
    assert rig.feed.drive[0].ratio == 2**32 - 1
    for drive in (1, 2):
        assert rig.feed.drive[drive].ratio == round(rig.pulses_per_m(drive) * 4096)


# ------------------------------------------------------------------------------- jog, path, trim


@settings(max_examples=40, deadline=None)
@given(
    length_um=st.integers(-30_000, 30_000).filter(bool),
    um_s=st.integers(100, 10_000).map(lambda v: v * 10),
    drives=st.integers(1, 7),
    trim_ppm=st.integers(-20_000, 20_000),
)
def test_jog_moves_its_drives_exactly_and_leaves_others_still(
    length_um, um_s, drives, trim_ppm
) -> None:
    rig = Rig(400, pulses_per_m=(50_000, 20_000, 158_000))
    rig.live.trim_ppm = trim_ppm
    rig.jog(length_um, um_s, drives)
    assert not lib.feed_at_rest(rig.head)
    trace = rig.until_rest()
    check_acceleration(rig, trace)
    for drive, per_mm in enumerate((50, 20, 158)):
        wanted = length_um * per_mm // 1000 if drives >> drive & 1 else 0
        assert rig.pulses(drive) == wanted
    assert rig.position_nm() == (length_um * 1000 if drives == 7 else 0)
    assert lib.EVENT_CODE_LENGTH_REACHED not in [code for code, _ in rig.events()]


def test_jog_of_0_ends_a_jog() -> None:
    rig = Rig(100)
    rig.jog(200_000, 20_000)
    rig.run(500)
    rig.jog(0, 20_000)
    trace = rig.until_rest(2_000)
    check_acceleration(rig, trace, 20_000)
    assert 0 < rig.position_nm() < 20_000_000


def test_jog_written_during_a_jog_begins_from_standstill() -> None:
    rig = Rig(100, pulses_per_m=(50_000, 50_000, 50_000))
    rig.jog(200_000, 20_000, drives=1)
    first = rig.run(500)
    rig.jog(-7_000, 10_000, drives=2)
    second = rig.until_rest(5_000)
    check_acceleration(rig, second, int(first.speed[-1]))
    assert rig.pulses(1) == -7 * 50
    assert rig.pulses(0) > 0
    assert rig.pulses(2) == 0


def test_jog_of_drives_that_are_not_fitted_does_not_move_the_master() -> None:
    rig = Rig(drives=2)
    rig.jog(10_000, 20_000, drives=0b100)
    assert not rig.run(100).speed.any()
    assert lib.feed_at_rest(rig.head)


def test_drive_that_is_not_fitted_gets_nothing() -> None:
    rig = Rig(drives=2)
    rig.set_speed(20_000)
    rig.start()
    trace = rig.run(100)
    assert rig.port.enabled == 0b011
    assert trace.pulses[-1, 0] > 0
    assert trace.pulses[-1, 2] == 0


def test_path_is_followed_while_fresh_and_stale_brings_to_rest() -> None:
    rig = Rig(acceleration=200)
    timeout_ms = rig.head.settings.guards.path_timeout_ms
    rig.live.source = lib.FEED_SOURCE_PATH
    rig.live.path_speed_mm_s = 2_000
    rig.start()
    assert not rig.run(50).speed.any(), "never written"
    rig.path(20_000)
    fresh = rig.run(timeout_ms - 1)
    assert fresh.speed[-1] == 20_000
    assert rig.feed.path_age_ms == timeout_ms - 1
    stale = rig.run(101)
    assert np.array_equal(stale.speed[:3], [19_800, 19_600, 19_400])
    assert stale.speed[-1] == 0
    rig.path(5_000)
    assert rig.run(100).speed[-1] == 5_000
    check_acceleration(rig, stale, 20_000)


def test_age_of_the_path_reference_saturates() -> None:
    rig = Rig()
    rig.path(1000)
    rig.feed.path_age_ms = 65_530
    rig.run(20)
    assert rig.feed.path_age_ms == 65_535


@settings(max_examples=40, deadline=None)
@given(length_um=st.integers(1, 60_000), trim_ppm=st.integers(-20_000, 20_000))
def test_length_reaches_the_drives_as_trimmed(length_um: int, trim_ppm: int) -> None:
    rig = Rig(pulses_per_m=(50_000, 20_000, 158_000))
    rig.live.trim_ppm = trim_ppm
    rig.length(length_um, 50_000)
    rig.start()
    trace = rig.run(60_000, until=lambda: rig.feed.length_done)
    rig.run(5)
    assert trace.speed.sum() == length_um * 1000
    trimmed_nm = length_um * 1000 * (1_000_000 + trim_ppm) // 1_000_000
    assert rig.position_nm() == trimmed_nm
    for drive, per_mm in enumerate((50, 20, 158)):
        assert rig.pulses(drive) == trimmed_nm * per_mm // 1_000_000


def test_trim_changed_on_the_move_creeps_in() -> None:
    rig = Rig()
    rig.set_speed(FAST_UM_S)
    rig.start()
    rig.run(100)
    rig.live.trim_ppm = -20_000
    trace = rig.run(2_100)
    moves = np.diff(trace.position_nm)
    assert moves[-1] == 98_000
    assert np.abs(np.diff(moves)).max() <= 5  # 40 ppm of 100 mm/s, rounded
    check_on_the_line(rig, trace, int(trace.position_nm[0] - 99_999))


# ------------------------------------------------------------------------------------ the port


def test_directions_reach_the_port_with_reversed_applied() -> None:
    rig = Rig(reversed_drives=(0, 1, 0))
    rig.set_speed(20_000)
    rig.start()
    rig.run(50)
    assert rig.port.backwards == 0b010
    rig.set_speed(-20_000)
    rig.run(50)
    assert rig.port.backwards == 0b101
    rig.rest()
    rig.until_rest()
    assert rig.port.backwards == 0b101, "a standing drive keeps its direction"


def test_directions_change_under_the_lock() -> None:
    rig = Rig()
    seen: list[int] = []
    rig.bare._plug("drives", lambda _, enabled, backwards: seen.append(rig.port.locked))
    rig.set_speed(-20_000)
    rig.start()
    rig.run(5)
    assert seen == [1]


def test_halt_stands_at_once_and_drops_the_drives() -> None:
    rig = Rig()
    rig.set_speed(FAST_UM_S)
    rig.start()
    rig.run(100)
    rig.live.shear_at_mm = 1
    lib.feed_shear_written(rig.head)
    rig.head.wheels.output_um = 2
    rig.run(3, periods=[5, 5, 5])  # early, so that something is owed
    assert rig.port.shear
    before = [rig.pulses(k) for k in range(3)]
    lib.feed_halt(rig.head)
    assert lib.feed_at_rest(rig.head)
    assert (rig.port.enabled, rig.port.shear) == (0, False)
    rig.run(20)
    assert [rig.pulses(k) for k in range(3)] == before
    assert rig.feed.speed_um_s == 0


def test_pulses_wait_for_the_first_tick() -> None:
    rig = Rig()
    rig.set_speed(FAST_UM_S)
    rig.start()
    feed = ffi.addressof(rig.feed)
    assert not any(lib.feed_pulse(feed) for _ in range(2000))


# --------------------------------------------------------------------------------------- shear


def sheared(rig: Rig) -> list[tuple[int, int]]:
    return [event for event in rig.events() if event[0] == lib.EVENT_CODE_SHEAR_FIRED]


def feeding_rig() -> Rig:
    rig = Rig()
    rig.set_speed(10_000)
    rig.start()
    rig.run(10)
    return rig


def arm(rig: Rig, at_um: int) -> None:
    rig.live.shear_at_mm = at_um
    lib.feed_shear_written(rig.head)


def test_shear_fires_once_at_its_length_for_200_ms() -> None:
    rig = feeding_rig()
    arm(rig, 5_000)
    rig.head.wheels.output_um = 4_999
    rig.run(10)
    assert not rig.port.shear
    rig.head.wheels.output_um = 5_000
    rig.run(1)
    assert rig.port.shear
    rig.run(199)
    assert rig.port.shear
    rig.run(1)
    assert not rig.port.shear
    rig.head.wheels.output_um = 9_000
    rig.run(500)
    assert rig.port.shear_count == 1
    assert sheared(rig) == [(lib.EVENT_CODE_SHEAR_FIRED, 5)]


def test_shear_is_disarmed_by_0_and_armed_again_by_each_write() -> None:
    rig = feeding_rig()
    arm(rig, 5_000)
    arm(rig, 0)
    rig.head.wheels.output_um = 6_000
    rig.run(10)
    assert rig.port.shear_count == 0
    for _ in range(2):
        arm(rig, 6_000)
        rig.run(250)
    assert rig.port.shear_count == 2


@pytest.mark.parametrize("motion", ["rest", "jog"])
def test_shear_never_fires_at_rest_or_in_a_jog(motion: str) -> None:
    rig = Rig()
    if motion == "jog":
        rig.jog(50_000, 10_000)
    arm(rig, 1_000)
    rig.head.wheels.output_um = 2_000
    rig.run(300)
    assert rig.port.shear_count == 0
    rig.rest()
    rig.until_rest()
    rig.set_speed(10_000)
    rig.start()
    rig.run(2)
    assert rig.port.shear_count == 1


def test_shear_length_in_the_event_saturates() -> None:
    rig = feeding_rig()
    arm(rig, 70_000_000)
    rig.head.wheels.output_um = 70_000_000
    rig.run(1)
    assert sheared(rig) == [(lib.EVENT_CODE_SHEAR_FIRED, 65_535)]
