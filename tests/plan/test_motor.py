"""Motor check: closed forms, and the twin's motors lose steps where the check says they would."""

from __future__ import annotations

from math import inf, pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.plan.motor import Load, PullOutFall, PullOutTable, check_motor
from plylane_twin._core import lib
from plylane_twin.plant_parameters import PlantParameters
from twin.plant_rig import QUIET, Rig

FALL = PullOutFall(0.55, 2.0)


def test_torque_is_force_times_radius_and_the_rest() -> None:
    load = Load(20.0, 12.5, 0.1, 0.03, 2e-5, 500.0)
    assert load.needed_Nm(0.0) == pytest.approx(0.125 + 0.03 + 2e-5 * 0.5 / 0.01)
    assert load.needed_Nm(14.0) - load.needed_Nm(0.0) == pytest.approx(0.1 * 14.0 * 0.01)
    assert load.rev_s(62.8318531) == pytest.approx(1.0)


@given(st.floats(0.5, 40.0), st.floats(0.0, 0.2), st.floats(1.0, 3.0))
def test_fastest_speed_is_where_the_margin_is_used_up(
    force: float, viscous: float, least: float
) -> None:
    load = Load(20.0, force, viscous, 0.03)
    found = check_motor(load, FALL, 14.0, least)
    assert found.enough == (found.fastest_mm_s >= 14.0)
    if 0.0 < found.fastest_mm_s < inf:
        there = check_motor(load, FALL, found.fastest_mm_s, least)
        assert there.margin == pytest.approx(least, rel=1e-6)


def test_table_is_straight_between_its_points_and_ends() -> None:
    table = PullOutTable((0.0, 2.0, 6.0), (0.5, 0.4, 0.1))
    assert table.torque_Nm([0.0, 1.0, 4.0, 6.1]) == pytest.approx([0.5, 0.45, 0.25, 0.0])
    assert check_motor(Load(20.0, 0.0, bearing_Nm=0.2), table, 14.0, 2.0).fastest_mm_s == (
        pytest.approx(2.0 * 20.0 * pi)
    )


@pytest.mark.parametrize(
    ("speeds", "torques"), [((0.0,), (0.5,)), ((1.0, 0.5), (0.5, 0.4)), ((0.0, 1.0), (0.5, 0.0))]
)
def test_bad_tables_are_refused(speeds: tuple[float, ...], torques: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="pull-out table"):
        PullOutTable(speeds, torques)


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_the_twin_loses_steps_beyond_the_speed_it_says(share: float) -> None:
    """A blocked head: the infeed rollers pull with all they can and the motor has to bear it."""
    plant = PlantParameters.load()
    load = Load(
        plant.roller_diameter_mm,
        plant.infeed_limit_N * plant.lanes,
        bearing_Nm=plant.bearing_torque_Nm,
    )
    motor = PullOutFall(plant.pull_out_torque_Nm, plant.pull_out_half_rev_s)
    fastest = check_motor(load, motor, plant.nominal_speed_mm_s, least=1.0).fastest_mm_s
    rig = Rig(**QUIET)
    rig.fault("head_jam", size=400.0)
    rig.feed(60.0, share * fastest)
    assert (rig.p.roller[lib.PLANT_INFEED].lost > 0) == (share > 1.0)


def test_demo_drives_keep_their_margin_at_the_nominal_speed() -> None:
    plant = PlantParameters.load()
    motor = PullOutFall(plant.pull_out_torque_Nm, plant.pull_out_half_rev_s, supply=0.95)
    infeed = Load(20.0, plant.infeed_nominal_N * plant.lanes, bearing_Nm=0.03)
    found = check_motor(infeed, motor, plant.nominal_speed_mm_s)
    assert found.enough and 2.5 < found.margin < 4.0
