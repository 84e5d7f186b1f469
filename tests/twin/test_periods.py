"""Pulse periods taken at once against head_pulse, called one after the other."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from plylane_twin._core import ffi, lib

PULSE = lib.PHASE_PER_PULSE
SMALL = st.integers(-3, 3)
STEPS = st.one_of(
    st.integers(-PULSE, PULSE),
    st.sampled_from([0, PULSE, -PULSE]).flatmap(lambda near: SMALL.map(lambda d: near + d)),
).map(lambda step: max(-PULSE, min(PULSE, step)))
PHASES = st.one_of(
    st.integers(0, PULSE - 1), st.integers(0, 3), st.integers(1, 4).map(lambda d: PULSE - d)
)
DRIVES = st.lists(st.tuples(PHASES, STEPS, st.integers(-128, 127)), min_size=3, max_size=3)


def head_with(drives: list[tuple[int, int, int]], left: int, silence: int, state: int) -> object:
    head = ffi.new("struct head *")
    head.feed.left, head.link.silence, head.link.state = left, silence, state
    for number, (phase, step, fresh) in enumerate(drives):
        drive = head.feed.drive[number]
        drive.phase, drive.step, drive.fresh = phase, step, fresh
    return head


@given(DRIVES, st.integers(-128, 127), st.integers(0, 255), st.integers(0, 2), st.integers(1, 16))
def test_it_does_what_so_many_calls_do(
    drives: list[tuple[int, int, int]], left: int, silence: int, state: int, periods: int
) -> None:
    one_by_one = head_with(drives, left, silence, state)
    at_once = head_with(drives, left, silence, state)
    counted = [0, 0, 0]
    for _ in range(periods):
        mask = lib.head_pulse(one_by_one)
        counted = [count + (mask >> drive & 1) for drive, count in enumerate(counted)]
    pulses = ffi.new("uint8_t[3]")
    lib.quiet_periods(at_once, periods, pulses)
    assert list(pulses) == counted
    assert bytes(ffi.buffer(at_once)) == bytes(ffi.buffer(one_by_one))
