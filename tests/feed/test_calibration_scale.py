"""Scales from measured lengths: recovered, misread lengths named, bad input refused in a line."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.feed.calibration import (
    DRIVE,
    LANE_WHEEL,
    OUTPUT_WHEEL,
    CalibrationError,
    Counter,
    Gauge,
    Scale,
    find_scale,
)

COUNTS = [9600, 22400, 9600, 22400, 16000, 16000]
TRUE = 0.0196
FINE = Gauge(resolution_mm=0.01, limit_mm=0.0, limit_mm_per_m=0.0)
FREE = Counter("pulse of the drive", per_turn=3200)


def lengths(scatter_mm: float = 0.0, seed: int = 1, offset_mm: float = 0.0) -> list[float]:
    rng = np.random.default_rng(seed)
    return [TRUE * count + offset_mm + scatter_mm * rng.standard_normal() for count in COUNTS]


def found(read: list[float], gauge: Gauge | None = None, **more: bool) -> Scale:
    gauge = gauge or Gauge()
    return find_scale(DRIVE, COUNTS, read, gauge, expected_mm_per_count=TRUE, **more)


class TestFound:
    def test_exact_lengths_give_the_exact_scale(self) -> None:
        scale = found(lengths())
        assert scale.mm_per_count == pytest.approx(TRUE, rel=1e-12)
        assert scale.counts_per_m == pytest.approx(1000.0 / TRUE, rel=1e-12)
        assert scale.misread is None and scale.repeats and not scale.remarks

    @given(st.floats(0.5, 2.0))
    def test_scale_follows_the_lengths(self, factor: float) -> None:
        read = lengths(0.1)
        longer = find_scale(
            DRIVE, COUNTS, [factor * one for one in read], FINE, expected_mm_per_count=None
        )
        plain = find_scale(DRIVE, COUNTS, read, FINE, expected_mm_per_count=None)
        assert longer.mm_per_count == pytest.approx(factor * plain.mm_per_count, rel=1e-9)

    def test_scatter_makes_uncertainty_and_more_lengths_make_less(self) -> None:
        calm, wild = found(lengths(0.05), FINE), found(lengths(0.5), FINE)
        assert wild.budget.u > 3.0 * calm.budget.u
        rng = np.random.default_rng(2)
        counts = COUNTS * 8
        many = [TRUE * count + 0.5 * rng.standard_normal() for count in counts]
        more = find_scale(FREE, counts, many, FINE, expected_mm_per_count=TRUE)
        few = find_scale(FREE, COUNTS, many[:6], FINE, expected_mm_per_count=TRUE)
        assert more.budget.u < 0.6 * few.budget.u

    def test_more_lengths_do_not_shrink_what_all_share(self) -> None:
        counts = COUNTS * 20
        read = [TRUE * count for count in counts]
        u = find_scale(DRIVE, counts, read, Gauge(), expected_mm_per_count=TRUE).budget.u
        # a limit of 0.3 mm on lengths about 330 mm, rectangular: no less than 0.05 %
        assert u > 0.3 / math.sqrt(3.0) / 440.0

    def test_an_offset_is_remarked_on_and_can_be_fitted(self) -> None:
        read = lengths(0.02, offset_mm=3.0)
        assert any("offset" in remark for remark in found(read, FINE).remarks)
        fitted = found(read, FINE, offset=True)
        assert fitted.fit.offset == pytest.approx(3.0, abs=0.1)
        assert fitted.mm_per_count == pytest.approx(TRUE, rel=3e-4)

    def test_lengths_fed_alike_that_differ_do_not_repeat(self) -> None:
        read = lengths()
        read[0] += 2.0
        read[3] -= 2.0
        assert not found(read).repeats and found(lengths(0.1)).repeats

    def test_whole_turns_cancel_run_out(self) -> None:
        """The plant's formula: shown = s + r/a (1 - cos(a s)), at any starting angle."""
        whole, part = np.array([1256.0 * 5]), np.array([1256.0 * 5.5])
        assert OUTPUT_WHEEL.turn_error(whole)[0] == pytest.approx(0.0, abs=1e-9)
        start = np.linspace(0.0, 2.0 * np.pi, 2001)[:-1]
        swing = 0.01 * 1256 / (2.0 * np.pi) * (np.cos(start) - np.cos(start + np.pi))
        assert OUTPUT_WHEEL.turn_error(part)[0] == pytest.approx(float(np.std(swing)), rel=1e-3)

    def test_spacing_within_a_turn_is_a_bridge(self) -> None:
        """Against wheels drawn at random: 40 scattered slots scaled to one whole turn."""
        rng = np.random.default_rng(3)
        slots = 1.0 + 0.1 * rng.standard_normal((20_000, 40))
        slots *= 40.0 / slots.sum(axis=1, keepdims=True)
        after = slots[:, :13].sum(axis=1)
        assert LANE_WHEEL.turn_error(np.array([40.0 * 9 + 13]))[0] == pytest.approx(
            float(np.std(after)), rel=0.02
        )


class TestMisread:
    @given(st.integers(0, 5), st.sampled_from([-10.0, 10.0]), st.integers(0, 500))
    def test_ten_millimetres_are_named(self, number: int, off_mm: float, seed: int) -> None:
        read = lengths(0.2, seed)
        read[number] += off_mm
        misread = found(read).misread
        assert misread is not None and misread.number == number
        assert misread.off_by == pytest.approx(off_mm, abs=1.5)

    def test_good_lengths_are_hardly_ever_blamed(self) -> None:
        """One set in a hundred by design; 12 of 400 would come once in a thousand."""
        blamed = sum(found(lengths(0.25, seed)).misread is not None for seed in range(400))
        assert blamed <= 12

    def test_lengths_that_agree_to_the_digit_blame_nobody(self) -> None:
        read = [round(2.0 * one) / 2.0 for one in lengths()]
        assert found(read).misread is None


@pytest.mark.parametrize(
    ("read", "expected"),
    [
        ([-188.0, *lengths()[1:]], "length 1: -188 mm is none"),
        ([math.nan, *lengths()[1:]], "length 1"),
        ([0.0, *lengths()[1:]], "above 0"),
        (lengths()[:4], "4 lengths for 6 feeds"),
        ([one / 25.4 for one in lengths()], "looks like inches"),
        ([one / 1000.0 for one in lengths()], "looks like metres"),
        ([one / 10.0 for one in lengths()], "looks like centimetres"),
    ],
)
def test_bad_lengths_are_refused_in_one_line(read: list[float], expected: str) -> None:
    with pytest.raises(CalibrationError) as refused:
        found(read)
    assert expected in str(refused.value) and "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("counts", "expected"),
    [([9600] * 4, "too few"), ([9600] * 6, "all about"), ([-9600, *COUNTS[1:]], "forwards")],
)
def test_bad_feeds_are_refused_in_one_line(counts: list[int], expected: str) -> None:
    read = [TRUE * abs(count) for count in counts]
    with pytest.raises(CalibrationError, match=expected):
        find_scale(DRIVE, counts, read, Gauge(), expected_mm_per_count=TRUE)


@pytest.mark.parametrize("values", [(0.0, 0.3, 0.2), (0.5, -1.0, 0.2), (0.5, 0.3, math.inf)])
def test_a_gauge_that_is_none(values: tuple[float, float, float]) -> None:
    with pytest.raises(CalibrationError, match="gauge"):
        Gauge(*values)
