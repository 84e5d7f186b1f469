"""Heat in the plant against closed forms, and the sensor chain against its own statistics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plant_rig import QUIET, STILL_AIR, Rig, hold_hot
from plylane_twin._core import lib
from plylane_twin.wood import carried_W

NO_STACK = STILL_AIR | {"contact_W_m2K": 1e-6}
AIR = 22.0


def stored_J(rig: Rig) -> float:
    return sum(
        rig.set.block_heat_J_K[z] * (rig.p.block[z].degC - AIR) for z in range(rig.set.zones)
    )


def in_stack_J(rig: Rig) -> float:
    guide, nip = rig.p.stack_degC[0:16], rig.p.stack_degC[16:20]
    mm_degC = sum(t - AIR for t in guide) * rig.set.guide_length_mm / 16
    mm_degC += sum(t - AIR for t in nip) * rig.set.nip_length_mm / 4
    return float(mm_degC * rig.set.stack_heat_J_mm_K)


@settings(max_examples=12, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(100, 6000), st.sampled_from([0.0, 7.0, 14.0, 40.0]), st.integers(0, 3)
        ),
        min_size=1,
        max_size=5,
    )
)
def test_no_joule_is_lost(legs: list[tuple[int, float, int]]) -> None:
    """Heater = air + blocks + stack, and stack = carried off + still in it; rounding only."""
    rig = Rig(**QUIET)
    for ms, speed, heaters in legs:
        rig.run(ms, speed, heaters)
    rig.run(-rig.p.ms % 10)  # to the end of a thermal step
    p = rig.p
    heater, air, stack = sum(p.heater_J), sum(p.air_J), sum(p.stack_J)
    assert heater - air - stack == pytest.approx(stored_J(rig), abs=1e-6)
    assert stack - p.carried_J == pytest.approx(in_stack_J(rig), abs=1e-6)


def test_a_block_alone_warms_by_its_time_constant() -> None:
    """T = air + P/G (1 - exp(-t G/C)): within 0.05 K, the Euler step of 10 ms being 2e-5 of C/G."""
    rig = Rig(zones=1, **NO_STACK)
    loss, heat = rig.set.loss_W_K[0], rig.set.block_heat_J_K[0]
    assert heat == pytest.approx(0.180 * 897.0)
    for minute in range(1, 11):
        rig.run(60_000, heaters=1)
        expected = AIR + 60.0 / loss * (1.0 - math.exp(-minute * 60.0 * loss / heat))
        assert rig.p.block[0].degC == pytest.approx(expected, abs=0.05)


def test_steady_state_of_both_blocks() -> None:
    """Heaters at 60 % and 30 %: blocks put where the linear balance says stay there (0.02 K); put
    5 K above they come down towards it."""
    balance = np.array([[0.35 + 0.15, -0.15], [-0.15, 0.25 + 0.15]])
    rise = np.linalg.solve(balance, [60.0 * 0.6, 40.0 * 0.3])
    for off, within in ((0.0, 0.02), (5.0, 4.0)):
        rig = Rig(**NO_STACK)
        for zone in (0, 1):
            rig.p.block[zone].degC = AIR + rise[zone] + off
        for _ in range(200 * 100):
            rig.run(3, heaters=3)
            rig.run(3, heaters=1)
            rig.run(4)
        for zone in (0, 1):
            left = rig.p.block[zone].degC - AIR - rise[zone]
            assert abs(left) < within
            assert off == 0.0 or left > 0.0


def test_the_moving_stack_carries_off_about_13_W() -> None:
    """Design: about 13 W from the guide at 14 mm/s; here with guide 110 degC and air 22 degC."""
    rig = Rig(**QUIET)
    rig.run(60_000, 14.0, each=hold_hot())
    assert rig.p.carried_W[0] == pytest.approx(13.0, abs=0.5)


@pytest.mark.parametrize("speed", [5.0, 14.0, 40.0])
def test_carried_heat_follows_plug_flow(speed: float) -> None:
    """Sixteen cells mix a little, which costs up to 4 % at the slowest."""
    rig = Rig(**QUIET)
    rig.run(40_000, speed, each=hold_hot())
    moving = rig.p.cord_mm
    rig.run(5_000, speed, each=hold_hot())
    moving = (rig.p.cord_mm - moving) / 5.0
    flow = carried_W(
        rig.set.stack_heat_J_mm_K, rig.set.stack_contact_W_mm_K, 80.0, moving, 110.0 - AIR
    )
    assert rig.p.carried_W[0] == pytest.approx(flow, rel=0.04)
    assert rig.p.carried_W[0] < flow


def test_standing_stack_comes_to_the_block_and_takes_nothing_more() -> None:
    rig = Rig(**QUIET)
    rig.run(20_000, 14.0, each=hold_hot())
    assert rig.p.stack_degC[15] < 80.0
    rig.run(60_000, each=hold_hot())
    assert rig.p.stack_degC[15] == pytest.approx(110.0, abs=0.1)
    assert rig.p.carried_W[0] == pytest.approx(0.0, abs=0.05)
    rig.run(1_000, 14.0, each=hold_hot())  # the hot piece leaves, cold strip comes in
    assert rig.p.stack_degC[0] < 40.0


def test_heater_duty_is_taken_to_the_millisecond() -> None:
    rig = Rig(**NO_STACK)
    for _ in range(100):
        rig.run(3, heaters=1)
        rig.run(7, heaters=2)
    assert rig.p.heater_J[0] == pytest.approx(60.0 * 0.3)
    assert rig.p.heater_J[1] == pytest.approx(40.0 * 0.7)


def test_sensor_lags_by_four_seconds() -> None:
    """63.2 % of a step after 4 s; within the 0.1 % that a step of 10 ms costs."""
    rig = Rig(**QUIET)
    rig.run(4_000, each=hold_hot(100.0))
    share = (rig.p.block[0].sensor_degC - AIR) / (100.0 - AIR)
    assert share == pytest.approx(1.0 - math.exp(-1.0), abs=0.002)


def converter_share(rig: Rig, degC: float) -> float:
    ohm = lib.plant_ntc_ohm(rig.set, degC)
    return float(ohm / (ohm + rig.set.divider_ohm))


def readings(rig: Rig, count: int, degC: float) -> np.ndarray:
    """Readings 40 ms apart share no sample."""
    taken = []
    for _ in range(count):
        for _ in range(4):
            rig.p.block[0].sensor_degC = rig.p.block[0].degC = degC
            rig.run(10)
        taken.append(rig.p.converter[0])
    return np.array(taken[2:])


def test_noise_reaches_the_reading_as_its_size_says() -> None:
    """With 1 K of noise the quantiser is linear: mean exact, spread sigma / sqrt(64), +- 5 %."""
    rig = Rig(**(QUIET | {"sensor_noise_K": 1.0}))
    taken = readings(rig, 3000, 100.0)
    slope = (converter_share(rig, 100.05) - converter_share(rig, 99.95)) / 0.1 * 1024.0
    one = math.sqrt(slope**2 + 1.0 / 12.0)  # noise and quantiser, in codes
    # the quantiser rounds down: half a code below
    assert taken.mean() / 64.0 == pytest.approx(
        converter_share(rig, 100.0) * 1024.0 - 0.5, abs=0.03
    )
    assert taken.std() / 64.0 == pytest.approx(one / 8.0, rel=0.05)


def test_quiet_sensor_shows_the_stairs_of_the_converter() -> None:
    """With 4.7 kohm 0.05 K is a sixth of a code at 100 degC: amid a code the reading stands."""
    rig = Rig(**(QUIET | {"divider_ohm": 4700.0}))
    code = math.floor(converter_share(rig, 100.0) * 1024.0) + 0.5
    low, high = 90.0, 110.0
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if converter_share(rig, middle) * 1024.0 > code:
            low = middle
        else:
            high = middle
    taken = readings(rig, 200, low)
    # half a code is more than three sigma: one sample in a thousand falls beside it
    assert np.abs(taken - 64 * math.floor(code)).max() <= 2
    assert np.median(taken) == 64 * math.floor(code)


def test_seating_makes_a_reading_low_by_up_to_one_kelvin() -> None:
    errors = []
    for seed in range(60):
        rig = Rig(seed, supply_drift_percent=0.0, air_swing_K=0.0)
        rig.p.block[0].sensor_degC = 109.5
        rig.run(30_000 if seed < 3 else 10, each=hold_hot() if seed < 3 else None)
        errors.append(rig.p.block[0].seating_K)
        if seed < 3:
            assert 110.0 - rig.p.block[0].sensor_degC == pytest.approx(errors[-1], abs=0.01)
    assert 0.0 <= min(errors) < 0.15 and 0.85 < max(errors) <= 1.0


def test_supply_stays_within_five_percent_and_uses_the_room() -> None:
    shares = np.array([Rig(seed).p.supply_fraction for seed in range(600)])
    assert np.abs(shares - 1.0).max() <= 0.05 + 1e-12
    # normal with sigma 2.5 %, cut at two sigma: sigma 0.0241 by the truncated part at its edges
    assert shares.std() == pytest.approx(0.0239, rel=0.1)


def test_supply_drifts_slowly() -> None:
    rig = Rig()
    seen = []
    for _ in range(120):
        rig.run(1_000)
        seen.append(rig.p.supply_fraction)
    steps = np.abs(np.diff(seen))
    assert 0.0 < steps.max() < 0.01  # ten minutes of correlation: 0.14 % a second r.m.s.


@pytest.mark.parametrize(("hour", "degC"), [(0, 22.0), (6, 25.0), (12, 22.0), (18, 19.0)])
def test_air_over_a_day(hour: int, degC: float) -> None:
    rig = Rig()
    rig.p.ms = hour * 3_600_000
    rig.run(1_000)
    assert rig.p.air_degC == pytest.approx(degC, abs=0.01)


def test_power_goes_with_the_square_of_the_supply() -> None:
    rig = Rig(**NO_STACK)
    rig.fault("supply_low", size=20.0)
    rig.run(1_000)
    before = rig.p.heater_J[0]
    rig.run(1_000, heaters=1)
    assert rig.p.heater_J[0] - before == pytest.approx(60.0 * 0.8**2)


def test_a_zone_that_is_not_there_reads_as_open() -> None:
    rig = Rig(zones=1)
    rig.run(100)
    assert rig.p.converter[1] == rig.p.converter[2] == 64 * 1023


def test_heat_up_and_duty_are_within_reach() -> None:
    """Guide from 22 to 110 degC at full power: between C dT / P and twice that."""
    rig = Rig(**QUIET)
    while rig.p.block[0].degC < 110.0:
        rig.run(1_000, heaters=3)
    least_s = rig.set.block_heat_J_K[0] * 88.0 / 60.0
    assert least_s < rig.p.ms / 1000.0 < 2.0 * least_s
