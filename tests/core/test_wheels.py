"""Measuring wheels: quadrature, positions, speed, lanes."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bare_head import Bare
from plylane_twin._core import ffi, lib

GRAY = [0b00, 0b01, 0b11, 0b10]  # B A, forward
# What a step from row to column means: the usual 16-entry decoding table, x where both pins changed
# (common practice, no source).
X = None
TABLE = [
    # to   00  01  10  11
    [0, 1, -1, X],  # from 00
    [-1, 0, X, 1],  # from 01
    [1, X, 0, -1],  # from 10
    [X, -1, 1, 0],  # from 11
]

pin_states = st.integers(0, 3)


class Wheels:
    """A bare head whose wheels alone are worked."""

    def __init__(self, output_nm: int = 50_000, output_reversed: int = 0) -> None:
        self.bare = Bare()
        self.head = self.bare.head
        self.wheels = self.head.wheels
        self.head.settings.machine.output_mm_per_count = output_nm
        self.head.settings.machine.output_reversed = output_reversed
        self.at = 0

    def pins(self, pins: int) -> None:
        lib.wheels_edge(ffi.addressof(self.wheels), pins)

    def turn(self, counts: int) -> None:
        for _ in range(abs(counts)):
            self.at += 1 if counts > 0 else -1
            self.pins(GRAY[self.at % 4])

    def tick(self, ms: int = 1) -> None:
        for _ in range(ms):
            lib.wheels_tick(self.head)

    def lanes(self, *samples: int) -> None:
        for sample in samples:
            self.head.inputs = sample
            self.tick()

    def lane_pulses(self) -> list[int]:
        return list(self.wheels.lane_pulses)


@given(st.lists(st.integers(-40, 40), max_size=30))
def test_any_walk_is_counted(walk: list[int]) -> None:
    w = Wheels()
    for counts in walk:
        w.turn(counts)
    assert w.wheels.output_counts == sum(walk)
    assert w.wheels.output_errors == 0


@given(st.lists(pin_states, max_size=200))
def test_noise_is_decoded_by_the_table_and_jumps_are_counted_as_errors(states: list[int]) -> None:
    w = Wheels()
    for pins in states:
        w.pins(pins)
    steps = [TABLE[before][now] for before, now in pairwise([0, *states])]
    assert w.wheels.output_errors == steps.count(X)
    assert w.wheels.output_counts == sum(step for step in steps if step is not X)


@given(pin_states, st.integers(0, 255))
def test_only_the_two_pins_count(before: int, other: int) -> None:
    w = Wheels()
    w.pins(before)
    counts = w.wheels.output_counts
    w.pins((other & 0xFC) | before)
    assert w.wheels.output_counts == counts


def test_errors_saturate() -> None:
    w = Wheels()
    w.wheels.output_errors = 65_535
    w.pins(3)
    assert w.wheels.output_errors == 65_535


@settings(deadline=None)
@given(
    output_nm=st.integers(1_000, 10_000_000),
    output_reversed=st.integers(0, 1),
    walk=st.lists(st.integers(-200, 200), max_size=40),
)
def test_output_is_exact(output_nm: int, output_reversed: int, walk: list[int]) -> None:
    w = Wheels(output_nm, output_reversed)
    for counts in walk:
        w.wheels.output_counts += counts
        w.tick()
    nm = sum(walk) * output_nm * (-1 if output_reversed else 1)
    assert w.wheels.output_um == nm // 1000


@given(st.integers(-500, 500), st.integers(-500, 500))
def test_zero_starts_anew_and_forgets_the_remainder(before: int, after: int) -> None:
    w = Wheels(output_nm=1_003)
    w.turn(before)
    w.tick()
    w.turn(3)  # not yet seen by a tick
    w.wheels.lane_pulses[4] = 7
    lib.wheels_zero(w.head)
    assert (w.wheels.output_um, w.lane_pulses()) == (0, [0] * 8)
    w.turn(after)
    w.tick()
    assert w.wheels.output_um == after * 1_003 // 1000


def test_length_goes_on_through_a_wrap_of_the_counter() -> None:
    w = Wheels()
    w.wheels.output_counts = w.wheels.output_seen = 2**31 - 1
    w.wheels.output_counts = -(2**31) + 1
    w.tick()
    assert w.wheels.output_um == 2 * 50


# ---------------------------------------------------------------------------------------- speed


@pytest.mark.parametrize("per_10_ms", [-7, -1, 1, 3, 20])
def test_speed_is_the_length_of_the_last_100_ms(per_10_ms: int) -> None:
    w = Wheels()
    for _ in range(10):
        w.turn(per_10_ms)
        w.tick(10)
    assert w.wheels.speed_um_s == per_10_ms * 50 * 100
    for _ in range(10):
        assert w.wheels.speed_um_s != 0
        w.tick(10)
    assert w.wheels.speed_um_s == 0


@given(st.lists(st.integers(-50, 50), min_size=10, max_size=40), st.integers(0, 39))
def test_speed_is_that_of_any_walk_and_knows_nothing_of_zero(walk: list[int], zero: int) -> None:
    w = Wheels(output_nm=10_000)
    for k, counts in enumerate(walk):
        if k == zero:
            lib.wheels_zero(w.head)
        w.turn(counts)
        w.tick(10)
    assert w.wheels.speed_um_s == sum(walk[-10:]) * 10 * 10


# ---------------------------------------------------------------------------------------- lanes


@given(st.lists(st.integers(2, 6), max_size=40), st.integers(0, 7))
def test_each_steady_rising_edge_is_a_pulse(lengths: list[int], lane: int) -> None:
    w = Wheels()
    w.lanes(0, 0)
    for k, ms in enumerate(lengths):
        w.lanes(*[(k + 1) % 2 << lane] * ms)
    wanted = [0] * 8
    wanted[lane] = (len(lengths) + 1) // 2
    assert w.lane_pulses() == wanted


@given(st.lists(st.integers(0, 255), max_size=60))
def test_pulse_of_one_sample_is_not_counted(samples: list[int]) -> None:
    w = Wheels()
    w.lanes(0, 0)
    for sample in samples:
        w.lanes(sample, 0, 0)
    assert w.lane_pulses() == [0] * 8


@given(st.lists(st.integers(0, 0xFFFF), max_size=120))
def test_lanes_are_decoded_apart_and_other_inputs_ignored(samples: list[int]) -> None:
    w = Wheels()
    w.lanes(0, 0, *samples)
    for lane in range(8):
        steady, last, pulses = 0, 0, 0
        for sample in samples:
            now = sample >> lane & 1
            if now == last and now != steady:
                steady = now
                pulses += now
            last = now
        assert w.wheels.lane_pulses[lane] == pulses


def test_level_that_stands_at_reset_is_no_pulse() -> None:
    w = Wheels()
    w.lanes(*[0xFF] * 5)
    assert w.lane_pulses() == [0] * 8


def test_lane_pulses_take_the_direction_of_feed_and_keep_it_at_rest() -> None:
    w = Wheels()
    w.lanes(0, 0)
    for speed, wanted in [(0, 1), (5000, 2), (0, 3), (-5000, 2), (0, 1), (-10, 0), (10, 1)]:
        w.head.feed.speed_um_s = speed
        w.lanes(1, 1, 0, 0)
        assert w.wheels.lane_pulses[0] == wanted


@given(
    lane=st.integers(0, 7),
    per_pulse_nm=st.integers(10_000, 20_000_000),
    length_um=st.integers(-(2**31) + 20_000, 2**31 - 20_000),
)
def test_lane_position_is_good_to_four_parts_in_ten_million(
    lane: int, per_pulse_nm: int, length_um: int
) -> None:
    w = Wheels()
    pulses = length_um * 1000 // per_pulse_nm
    w.head.settings.lane_settings[lane].mm_per_pulse = per_pulse_nm
    w.wheels.lane_pulses[lane] = pulses
    exact_um = pulses * per_pulse_nm / 1000
    assert lib.wheels_lane_um(w.head, lane) == pytest.approx(exact_um, rel=4e-7, abs=1.0)


@given(first=st.integers(0, 40), walks=st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9))))
def test_what_strips_give_back_while_the_feed_stands_comes_off_the_trims_reading(
    first: int, walks: list[tuple[int, int]]
) -> None:
    """Half slots on while feeding and back while standing: the slot the wheel truly is in."""
    w = Wheels()
    at, pulse = first, 62  # 0.5 mm in 8 um
    w.lanes(*[0 if at % 2 else 1 << 3] * 2)  # high for a slot's first half
    lib.wheels_zero(w.head)
    w.head.trim.anchor[3] = 0
    for on, back in walks:
        for way, halves in ((1, on), (-1, back)):
            w.head.feed.speed_um_s = 14_000 if way > 0 else 0
            for _ in range(halves):
                at += way
                w.lanes(*[0 if at % 2 else 1 << 3] * 2)
        trims = w.lane_pulses()[3] * pulse - w.head.trim.anchor[3]
        assert (trims - (at // 2 - first // 2) * pulse) % 2**16 == 0
    assert w.lane_pulses()[3] >= 0, "telemetry counts every pulse forwards"
