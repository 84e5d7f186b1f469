"""How much further an outer lane travels, against published closed forms.

Two curves at a constant distance d differ in length by d times the angle turned (geometry of
parallel curves); round a closed convex curve by 2 pi d whatever its shape (J. Steiner, 1840; the
attribution is *memory*).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.feed.lane_map import LaneMap
from plylane.feed.strip_plan import Curve, StripPlan


def excess_mm(bends: list[Curve], offset_mm: float, length_mm: float = 1e5) -> float:
    """How much further than the middle the lane goes in all."""
    return float(LaneMap.of_bends(bends, offset_mm).to_lane(length_mm)) - length_mm


@pytest.mark.parametrize(
    ("turn_deg", "wanted_mm"),
    [(90.0, 1.570796327), (180.0, 3.141592654), (360.0, 6.283185307)],
)
@pytest.mark.parametrize("radius_mm", [45.0, 60.0, 120.0])
def test_one_millimetre_off_the_middle(radius_mm: float, turn_deg: float, wanted_mm: float) -> None:
    """Angle times offset, for 1 mm: pi/2, pi, 2 pi (recomputed)."""
    bend = [Curve(start_mm=10.0, radius_mm=radius_mm, turn_deg=turn_deg)]
    assert excess_mm(bend, 1.0) == pytest.approx(wanted_mm, abs=1e-9)
    assert excess_mm(bend, -1.0) == pytest.approx(-wanted_mm, abs=1e-9)


def test_four_strips_of_one_millimetre_round_a_closed_loop() -> None:
    """Over the innermost: 0, 6.283, 12.566, 18.850 mm (recomputed)."""
    loop = [Curve(start_mm=0.0, radius_mm=50.0, turn_deg=360.0)]
    plan = StripPlan(loaded_mm=[1.0] * 4, next_mm=1.0, wheel_to_nozzle_mm=0.0, pitch_mm=1.0)
    excess = sorted(excess_mm(loop, offset_mm) for offset_mm in plan.offsets_mm)
    over = [mm - excess[0] for mm in excess]
    assert over == pytest.approx([0.0, 6.283185307, 12.56637061, 18.84955592], abs=1e-8)


@given(st.lists(st.tuples(st.floats(20.0, 300.0), st.floats(1.0, 90.0)), min_size=1, max_size=6))
def test_round_any_closed_convex_curve_the_excess_is_the_same(
    parts: list[tuple[float, float]],
) -> None:
    """Steiner: 2 pi times the offset, whatever the shape. Angles are scaled to a whole turn."""
    whole = sum(angle for _, angle in parts)
    bends, at_mm = [], 0.0
    for radius_mm, angle in parts:
        turn_deg = 360.0 * angle / whole
        bends.append(Curve(start_mm=at_mm, radius_mm=radius_mm, turn_deg=turn_deg))
        at_mm += radius_mm * math.radians(turn_deg)
    assert excess_mm(bends, 1.5) == pytest.approx(2.0 * math.pi * 1.5, abs=1e-6)


def test_four_strips_of_0p6_mm_laid_round_a_radius_of_20_mm() -> None:
    """A stack as it is laid round a tight former; *common practice, no source*: no more is checked
    than that the lanes take it. A quarter turn: outermost over innermost 3 x 0.6 mm x pi/2."""
    quarter = [Curve(start_mm=0.0, radius_mm=20.0, turn_deg=90.0)]
    plan = StripPlan(
        loaded_mm=[1.0] * 4, next_mm=1.0, wheel_to_nozzle_mm=0.0, pitch_mm=0.6, curve=quarter
    )
    excess = [excess_mm(quarter, offset_mm) for offset_mm in plan.offsets_mm]
    assert excess[0] - excess[-1] == pytest.approx(1.8 * math.pi / 2.0, abs=1e-9)
    assert sum(excess) == pytest.approx(0.0, abs=1e-9)
