"""The window: bounds, map, fastest safe point, remedies."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plan.heat_cases import demo_case, random_stack, random_way
from plylane.plan.bounds import bounds
from plylane.plan.conduction import Floats, passage
from plylane.plan.heat_case import Block, HeatCase, Limit, Limits
from plylane.plan.remedies import remedies
from plylane.plan.window import fastest_safe, heat_map, point, room_K

STRONG = (Block(1e4), Block(1e4))


def random_case(seed: int) -> HeatCase:
    draw = np.random.default_rng(seed)
    limits = Limits(
        draw.uniform(50.0, 80.0),
        draw.uniform(90.0, 150.0),
        hold_s=draw.choice([0.0, 1.0]),
        tolerance_K=draw.uniform(0.0, 3.0),
    )
    power = draw.uniform(20.0, 200.0, 2)
    blocks = (Block(power[0], 0.35, 0.15), Block(power[1], 0.25))
    return HeatCase(random_stack(seed), random_way(seed), limits, (110.0, 90.0), blocks)


def kept(case: HeatCase, speed: float, block_degC: float) -> bool:
    """All limits at one point, judged from temperatures and powers, not from bounds."""
    found = point(case, speed, block_degC)
    nip = found.course.stretch == 2
    assert found.glue_degC == pytest.approx(found.course.glue_degC[nip].max(axis=0).min())
    limits = case.limits
    return bool(
        found.glue_degC >= limits.glue_degC
        and found.above_s >= limits.hold_s
        and found.course.face_degC.max() <= limits.face_degC
        and found.course.glue_degC.max() <= limits.glue_top_degC
        and all(
            0.0 <= power <= block.heater_W
            for power, block in zip(found.heater_W, case.blocks, strict=True)
        )
        and limits.block_degC[0] <= block_degC <= limits.block_degC[1]
    )


@given(st.integers(0, 10_000), st.floats(2.0, 30.0))
@settings(max_examples=20)
def test_bounds_are_where_limits_are_met(seed: int, speed: float) -> None:
    """Inside the range everything is kept, outside something is not."""
    case = random_case(seed)
    found = bounds(case, passage(case.stack, case.way, [speed]))
    low, high = float(found.lowest_degC[0]), float(found.highest_degC[0])
    if low + 0.02 < high:
        assert kept(case, speed, low + 0.01) and kept(case, speed, high - 0.01)
    for outside in (low - 0.01, high + 0.01, 0.5 * (low + high)):
        if np.isfinite(outside) and not low <= outside <= high:
            assert not kept(case, speed, outside)


@given(st.integers(0, 10_000))
@settings(max_examples=8)
def test_fastest_safe_is_safe_and_the_fastest(seed: int) -> None:
    case = random_case(seed)
    found = fastest_safe(case, 1.0, 60.0)
    if found is None:
        assert all(room_K(case, speed) < 0.0 for speed in np.geomspace(1.0, 60.0, 25))
        return
    assert found.safe
    tolerance = case.limits.tolerance_K - 1e-6
    assert kept(case, found.speed_mm_s, found.block_degC - tolerance)
    assert kept(case, found.speed_mm_s, found.block_degC + tolerance)
    for faster in np.linspace(found.speed_mm_s * 1.001, 60.0, 15):
        if faster < 60.0:
            assert room_K(case, faster) < 0.0


@given(st.integers(0, 10_000), st.floats(0.0, 30.0))
@settings(max_examples=8)
def test_a_looser_limit_never_slows(seed: int, looser: float) -> None:
    case = random_case(seed)
    loose = replace(case, limits=replace(case.limits, face_degC=case.limits.face_degC + looser))
    before, after = (fastest_safe(c, 1.0, 60.0) for c in (case, loose))
    if before is not None:
        assert after is not None and after.speed_mm_s >= before.speed_mm_s * (1.0 - 2e-4)


def test_map_agrees_with_its_points() -> None:
    case = replace(demo_case(), limits=Limits(72.0, 120.0, hold_s=0.5))
    speeds, blocks = np.linspace(4.0, 24.0, 7), np.linspace(80.0, 150.0, 6)
    found = heat_map(case, speeds, blocks)
    for row, block in enumerate(blocks):
        for column, speed in enumerate(speeds):
            one = point(case, float(speed), float(block))
            assert found.glue_degC[row, column] == pytest.approx(one.glue_degC)
            assert found.face_degC[row, column] == pytest.approx(one.face_degC)
            assert found.above_s[row, column] == pytest.approx(one.above_s)
            assert tuple(found.heater_W[:, row, column]) == pytest.approx(one.heater_W)
            assert found.safe[row, column] == kept(case, float(speed), float(block))
    assert 0 < found.safe.sum() < found.safe.size


def test_heater_gives_what_strips_air_and_neighbour_take() -> None:
    found = point(demo_case(), 14.0, 110.0)
    carried = found.course.zone_carried_W
    assert found.heater_W[0] == pytest.approx(carried[0] + 0.35 * 88.0 + 0.15 * 15.0)
    assert found.heater_W[1] == pytest.approx(carried[1] + 0.25 * 73.0 - 0.15 * 15.0)


def test_time_above_is_measured_between_its_crossings() -> None:
    """Against a count of fine steps."""
    found = point(demo_case(), 12.0, 115.0)
    fine = passage(demo_case().stack, demo_case().way, [12.0], places=4001).course((115.0, 95.0))
    hot: Floats = (fine.glue_degC > 72.0).all(axis=1)
    step_s = np.diff(fine.position_mm, append=fine.position_mm[-1]) / 12.0
    assert found.above_s == pytest.approx(step_s[hot].sum(), abs=0.02)


def test_demo_head_at_its_nominal_speed() -> None:
    """The design's head does what it is said to do, and not with much to spare."""
    found = point(demo_case(), 14.0, 110.0)
    assert 72.0 < found.glue_degC < 75.0
    best = fastest_safe(demo_case(), 2.0, 40.0)
    assert best is not None and 14.0 < best.speed_mm_s < 20.0
    assert (best.lower_by, best.upper_by) == (Limit.GLUE_COLD, Limit.HEATER)


@pytest.mark.parametrize(
    ("change", "limit"),
    [
        ({"limits": Limits(72.0, 100.0)}, Limit.FACE_HOT),
        ({"limits": Limits(72.0, 300.0, glue_top_degC=90.0)}, Limit.GLUE_HOT),
        ({"limits": Limits(72.0, 300.0, block_degC=(30.0, 115.0))}, Limit.BLOCK_HIGH),
        ({"limits": Limits(72.0, 300.0), "blocks": (Block(55.0, 0.35, 0.15), Block(40.0, 0.25))},
         Limit.HEATER),
    ],
)  # fmt: skip
def test_what_limits_is_named(change: dict[str, Any], limit: Limit) -> None:
    best = fastest_safe(replace(demo_case(), **({"blocks": STRONG} | change)), 2.0, 80.0)
    assert best is not None and best.upper_by is limit


def test_a_block_that_hot_cord_warms_cannot_be_held() -> None:
    """A nip set to 40 degC would have to take heat out of the strips."""
    cold = replace(demo_case(), blocks=STRONG, zone_degC=(110.0, 40.0))
    assert fastest_safe(cold, 2.0, 80.0) is None
    assert point(cold, 14.0).upper_by is Limit.COOLING


def test_a_shut_window_names_changes_that_open_it() -> None:
    """Each by its own field, just so far that it does."""
    case = replace(demo_case(), limits=Limits(72.0, 95.0, hold_s=1.0))
    assert room_K(case, 14.0) < 0.0
    found = {remedy.what: remedy for remedy in remedies(case, 14.0)}
    assert room_K(case, found["go slower"].needed) >= 0.0
    assert room_K(case, found["go slower"].needed * 1.01) < 0.0
    hotter = found["hotter surface allowed"].needed
    for face, opens in ((hotter, True), (hotter - 0.5, False)):
        changed = replace(case, limits=replace(case.limits, face_degC=face))
        assert (room_K(changed, 14.0) >= 0.0) == opens
    thin = found["thinner strips"].needed
    for strip, opens in ((thin, True), (thin * 1.01, False)):
        changed = replace(case, stack=replace(case.stack, strip_mm=(strip,) * 5))
        assert (room_K(changed, 14.0) >= 0.0) == opens
    assert str(found["hotter surface allowed"]).endswith("instead of 95 °C")


@pytest.mark.parametrize(
    ("build", "says"),
    [
        (lambda: Limits(72.0, 120.0, glue_top_degC=70.0), "glue_top_degC"),
        (lambda: Limits(72.0, 120.0, hold_s=-1.0), "hold_s"),
        (lambda: Limits(72.0, 120.0, block_degC=(100.0, 90.0)), "block_degC"),
        (lambda: replace(demo_case(), zone_degC=(110.0,)), "2 zones"),
        (lambda: replace(demo_case(), chosen=2), "zone 3"),
        (lambda: demo_case(lanes=1), "no glue line"),
    ],
)
def test_bad_cases_are_named(build: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        build()  # type: ignore[operator]
