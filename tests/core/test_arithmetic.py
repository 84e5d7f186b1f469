"""The core's own arithmetic, in pieces that the board multiplies well, against exact integers."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import example, given
from hypothesis import strategies as st

from bare_head import Bare
from feed_rig import Rig
from plylane_twin._core import ffi, lib

UM_S_PER_STEP = 10  # a speed register counts 0.01 mm/s


@given(rest=st.integers(0, 999), add=st.integers(-(2**31) + 1000, 2**31 - 2000))
@example(rest=999, add=2**31 - 2000)
@example(rest=0, add=-(2**31) + 1000)
@example(rest=0, add=-1)
def test_thousands_are_those_of_a_division_rounded_down(rest: int, add: int) -> None:
    left = ffi.new("int32_t *", rest)
    assert (lib.take_thousands(left, add), left[0]) == divmod(rest + add, 1000)


@given(per_m=st.integers(100_000, 100_000_000), ppm=st.integers(-50_000, 50_000))
@example(per_m=100_000_000, ppm=50_000)  # past 32 bits
@example(per_m=99_864_370, ppm=50_000)
@example(per_m=99_864_360, ppm=50_000)
def test_ratios_are_rounded_once(per_m: int, ppm: int) -> None:
    rig = Rig(pulses_per_m=[per_m / 100] * 3, ratio_ppm=[ppm] * 3)
    exact = Fraction(per_m, 100) * 4096 * (1_000_000 + ppm) / 1_000_000
    wanted = min(int(exact + Fraction(1, 2)), 2**32 - 1)
    assert rig.feed.drive[0].ratio == wanted


@given(um_s=st.integers(-327_670, 327_670))
@example(um_s=65_536)
@example(um_s=-9)
def test_speeds_are_shown_in_hundredths_rounded_towards_zero(um_s: int) -> None:
    head = Bare().head
    head.feed.speed_um_s = um_s
    shown = ffi.new("struct telemetry_regs *")
    lib.snapshot_fill(head, lib.BLOCK_TELEMETRY, 0, shown)
    assert shown.feed_speed_mm_s == int(um_s / UM_S_PER_STEP)


@given(drives=st.integers(1, 7), length_um=st.sampled_from((-3000, 3000)))
def test_drives_that_share_a_direction_pin_agree(drives: int, length_um: int) -> None:
    """Whichever drives a jog moves, all directions are that of the jog (docs/wiring.md)."""
    rig = Rig()
    rig.jog(-length_um, 20_000)  # leave the pins the other way
    rig.run(2000)
    rig.jog(length_um, 20_000, drives)
    rig.run(100)
    assert rig.feed.speed_um_s != 0
    assert rig.port.backwards == (0b111 if length_um < 0 else 0)
