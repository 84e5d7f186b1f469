"""Conduction along the way: what must hold for any stack."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plan.heat_cases import ASH, demo_case, demo_way, random_stack, random_way
from plylane.plan.conduction import Stretch, Way, passage
from plylane.plan.stack import Stack
from plylane.plan.wood import Wood, species
from plylane_twin.plant_parameters import PlantParameters
from plylane_twin.wood import carried_W

ROUNDING_K = 1e-4  # of the modes: with cells of 0.1 um at the faces some are very fast
seeds = st.integers(0, 10_000)


@given(seeds, st.floats(4.0, 60.0))
@settings(max_examples=15)
def test_energy_is_conserved(seed: int, speed: float) -> None:
    """Flux through both faces, added up over the time, is what each stretch gives, to 0.1 %."""
    stack, way = random_stack(seed), random_way(seed)
    course = passage(stack, way, [speed], places=6001).course((120.0, 90.0))
    for index, stretch in enumerate(way.stretches):
        here = course.stretch == index
        around = way.air_degC if stretch.zone is None else course.zone_degC[stretch.zone]
        flux_W_m2 = stretch.contact_W_m2K * (around - course.face_degC[here]).sum(axis=1)
        power_W = np.trapezoid(flux_W_m2, course.position_mm[here]) * stack.width_mm * 1e-6
        scale_W = abs(course.carried_W).max()
        assert course.carried_W[index] == pytest.approx(power_W, abs=0.001 * scale_W)


@given(seeds, st.floats(1.0, 60.0), st.floats(60.0, 150.0), st.floats(60.0, 150.0))
@settings(max_examples=15)
def test_nothing_is_hotter_than_what_heats_it(
    seed: int, speed: float, guide: float, nip: float
) -> None:
    way = random_way(seed)
    course = passage(random_stack(seed), way, [speed]).course((guide, nip))
    for temperatures in (course.glue_degC, course.face_degC):
        assert temperatures.min() > min(way.entry_degC, way.air_degC) - 1e-6
        assert temperatures.max() < max(guide, nip) + 1e-6


@given(seeds)
@settings(max_examples=15)
def test_a_stack_turned_over_is_the_same_turned_over(seed: int) -> None:
    stack, way = random_stack(seed), random_way(seed)
    over = Stack(stack.strip_mm[::-1], stack.width_mm, stack.wood, stack.film)
    one, other = (passage(s, way, [10.0]).course((110.0, 95.0)) for s in (stack, over))
    assert other.glue_degC[:, ::-1] == pytest.approx(one.glue_degC, abs=ROUNDING_K)
    assert other.face_degC[:, ::-1] == pytest.approx(one.face_degC, abs=ROUNDING_K)


@given(seeds, st.floats(2.0, 30.0), st.floats(1.05, 3.0))
@settings(max_examples=15)
def test_slower_is_hotter_at_the_end_of_the_first_block(
    seed: int, speed: float, faster: float
) -> None:
    way = random_way(seed)
    run = passage(random_stack(seed), way, [speed, speed * faster])
    end = np.flatnonzero(run.stretch == 0)[-1]
    slow, fast = (run.course((110.0, 95.0), index).glue_degC[end] for index in (0, 1))
    assert (slow >= fast - 1e-6).all()


def test_many_speeds_at_once_are_each_alone() -> None:
    case, speeds = demo_case(), [3.0, 14.0, 40.0]
    run = passage(case.stack, case.way, speeds)
    for index, speed in enumerate(speeds):
        alone = passage(case.stack, case.way, [speed]).course((110.0, 95.0))
        together = run.course((110.0, 95.0), index)
        assert together.glue_degC == pytest.approx(alone.glue_degC, rel=1e-9)
        assert together.carried_W == pytest.approx(alone.carried_W, rel=1e-9)


def test_demo_head_carries_off_what_its_plant_says() -> None:
    """The design's 13 W (13.3 in plug flow). The plan counts the adhesive's heat too and knows the
    profile, the plant has one mean temperature a section: within 10 %."""
    plant = PlantParameters.load()
    stack = plant.stack
    expected_W = carried_W(
        stack.heat_J_mm_K, stack.contact_W_mm_K(plant.contact_W_m2K), 80.0, 14.0, 88.0
    )
    assert expected_W == pytest.approx(13.0, abs=0.4)
    case = demo_case()
    course = passage(case.stack, demo_way(plant.contact_W_m2K), [14.0]).course((110.0, 95.0))
    assert course.zone_carried_W[0] == pytest.approx(expected_W, rel=0.1)


@pytest.mark.parametrize(
    ("build", "says"),
    [
        (lambda: Stack((0.5, -0.5), 6.0, ASH), "strip_mm of lane 2"),
        (lambda: Stack((), 6.0, ASH), "at least one strip"),
        (lambda: Stack((0.5,), 0.0, ASH), "width_mm is 0"),
        (lambda: Stretch("guide", 80.0, float("nan"), zone=0), "contact_W_m2K"),
        (lambda: Stretch("guide", 80.0, 1e13, zone=0), "contact_W_m2K is 1e.13; 1e.09 is perfect"),
        (lambda: Way((Stretch("guide", 80.0, 650.0, zone=0),)), "pressed"),
        (lambda: passage(Stack((0.5,), 6.0, ASH), demo_way(), [0.0]), "speed_mm_s"),
        (lambda: Wood(species("white ash"), 31.0), "moisture 31 %"),
    ],
)
def test_bad_values_are_named(build: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        build()  # type: ignore[operator]
