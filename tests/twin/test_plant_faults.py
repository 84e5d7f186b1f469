"""Every fault of the plant: what it does, and that it leaves the rest alone."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from plant_rig import QUIET, Rig, hold_hot
from plylane_twin._core import ffi, lib
from plylane_twin.fault_kinds import FAULT_KINDS
from plylane_twin.plant_parameters import ParameterError, PlantParameters, fill

STOP, PERMIT = 0x100, 0x200


def travels(rig: Rig, length_mm: float, speed: float = 14.0, **more: Any) -> dict[str, Any]:
    """What everything travels while that much is fed."""
    p = rig.p
    before = (p.feed_mm, p.cord_mm, p.output_counts, [lane.fed_mm for lane in rig.lanes],
              [lane.wheel_pulses for lane in rig.lanes])  # fmt: skip
    rig.feed(length_mm, speed, **more)
    return {
        "feed": p.feed_mm - before[0],
        "cord": p.cord_mm - before[1],
        "wheel": (p.output_counts - before[2]) * 0.05,
        "fed": [lane.fed_mm - b for lane, b in zip(rig.lanes, before[3], strict=True)],
        "pulses": [lane.wheel_pulses - b for lane, b in zip(rig.lanes, before[4], strict=True)],
    }


# ---- the table ----


def test_the_table_names_the_kinds_of_the_plant() -> None:
    """Name and number as in `enum plant_fault_kind`, none missing."""
    assert sorted(kind.code for kind in FAULT_KINDS.values()) == list(range(lib.PLANT_FAULT_KINDS))
    for name, kind in FAULT_KINDS.items():
        assert getattr(lib, f"PLANT_{name.upper()}") == kind.code
        assert kind.name == name


@pytest.mark.parametrize("name", FAULT_KINDS)
def test_each_fault_can_be_switched_on_and_off(name: str) -> None:
    kind = FAULT_KINDS[name]
    rig = Rig()
    rig.feed(20.0)
    assert not lib.plant_fault_on(rig.p, kind.code, 0)
    rig.fault(name)
    assert lib.plant_fault_on(rig.p, kind.code, 0)
    rig.feed(5.0)
    rig.fault(name, on=0)
    assert not lib.plant_fault_on(rig.p, kind.code, 0)
    rig.feed(50.0)
    assert rig.p.cord_mm > 50.0


@pytest.mark.parametrize("index", [-1, 5, 100])
def test_a_part_that_is_not_there_is_refused(index: int) -> None:
    rig = Rig()
    before = rig.bytes()
    for kind in FAULT_KINDS.values():
        if kind.part is not None:
            assert lib.plant_fault(rig.p, kind.code, index, 1.0, 0.0, 1) == -1
    for code in (-1, lib.PLANT_FAULT_KINDS):
        assert lib.plant_fault(rig.p, code, 0, 1.0, 0.0, 1) == -1
    assert rig.bytes() == before


# ---- jams ----


def jammed(seed: int = 7, lane: int = 2, size: float = 150.0, **more: Any) -> Rig:
    rig = Rig(seed, **more)
    rig.feed(150.0)
    rig.fault("lane_jam", lane, size=size)
    return rig


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("lane", [0, 2, 4])
def test_a_jam_stops_its_lane_and_the_output_falls_behind(seed: int, lane: int) -> None:
    rig = jammed(seed, lane)
    rig.feed(3.0)  # the strip buckles into its room and the roller begins to slip
    moved = travels(rig, 30.0)
    assert rig.lanes[lane].stuck
    assert moved["pulses"][lane] <= 1  # the strip may stand just before an edge
    assert moved["fed"][lane] < 0.2
    others = [fed for k, fed in enumerate(moved["fed"]) if k != lane]
    assert min(others) > 0.35 * moved["feed"]
    assert 0.3 * moved["feed"] < moved["cord"] < 0.65 * moved["feed"]
    assert moved["wheel"] == pytest.approx(moved["cord"], abs=1.5)


def test_forces_of_a_jam_balance() -> None:
    """The closed form: grip of press and outfeed + push of four lanes = what the stuck ply and the
    drags take. v = (grip + 4 push - yield - laying - 4 drag) / (glue + 4 viscous)."""
    rig = jammed(**QUIET)
    rig.feed(20.0)
    push, drag = 8.0 - 0.5, 3.5
    given = 30.0 + 20.0 + 4.0 * push
    taken = 30.0 + 2.0 + 4.0 * drag
    speed = (given - taken) / (5.0 + 4.0 * 0.036)
    assert rig.p.cord_speed_mm_s == pytest.approx(speed, rel=0.02)
    assert sum(r.force_N for r in list(rig.p.roller)[1:3]) == pytest.approx(50.0)


def test_a_light_jam_only_slows() -> None:
    """20 N is less than glue line and infeed can pull: the lane goes on, the slip grows."""
    rig, free = jammed(size=20.0, **QUIET), jammed(size=0.0, **QUIET)
    slow, usual = travels(rig, 60.0), travels(free, 60.0)
    assert slow["pulses"][2] >= usual["pulses"][2] - 8
    assert 0.5 < usual["cord"] - slow["cord"] < 4.0
    assert not rig.lanes[2].stuck


def test_a_creeping_jam_grows_with_feed() -> None:
    rig = Rig(**QUIET)
    rig.feed(100.0)
    rig.fault("lane_jam", 1, size=100.0, over=200.0)
    rig.feed(50.0)
    assert lib.plant_jam_N(rig.p, 1) == pytest.approx(25.0, abs=0.5)
    rig.run(5_000)  # it does not grow while nothing is fed
    assert lib.plant_jam_N(rig.p, 1) == pytest.approx(25.0, abs=0.5)
    early = travels(rig, 20.0)["cord"]
    rig.feed(130.0)
    late = travels(rig, 20.0)["cord"]
    assert lib.plant_jam_N(rig.p, 1) == 100.0
    assert late < 0.7 * early


def test_a_jam_that_is_cleared_lets_the_head_go_on() -> None:
    rig = jammed(**QUIET)
    rig.feed(20.0)
    rig.run(8_000)
    rig.fault("lane_jam", 2, on=0)
    rig.feed(60.0)
    moved = travels(rig, 100.0)
    assert moved["cord"] == pytest.approx(0.985 * moved["feed"], abs=0.3)
    assert min(moved["pulses"]) > 190


def test_a_head_jam_stops_the_output() -> None:
    rig = Rig(**QUIET)
    rig.feed(150.0)
    rig.fault("head_jam")
    rig.feed(3.0)
    moved = travels(rig, 30.0)
    assert moved["cord"] < 0.3
    assert max(moved["pulses"]) <= 1
    assert all(lane.stuck for lane in rig.lanes)


def test_a_strip_that_runs_out_stops_its_wheel_only() -> None:
    rig = Rig(**QUIET)
    rig.feed(150.0)
    rig.fault("strip_out", 3)
    moved = travels(rig, 200.0)
    assert moved["pulses"][3] == 0
    assert moved["cord"] == pytest.approx(0.985 * moved["feed"], abs=1.0)
    assert rig.lanes[3].shear_N == 0.0  # its end has left the press
    rig.fault("strip_out", 3, on=0)
    assert travels(rig, 100.0)["pulses"][3] > 190


# ---- wheels and drives ----


def test_wheel_faults() -> None:
    rig = Rig(**QUIET)
    rig.feed(100.0)
    rig.fault("lane_wheel_stuck", 1)
    rig.fault("output_wheel_stuck")
    moved = travels(rig, 100.0)
    assert moved["pulses"][1] == 0 and moved["fed"][1] > 97.0
    assert moved["wheel"] == 0.0 and moved["cord"] > 97.0
    assert moved["pulses"][0] > 190


@pytest.mark.parametrize(
    ("name", "size", "share"),
    [("output_wheel_slip", 20.0, 0.8), ("output_wheel_dirty", 5.0, 1.0 / 1.05)],
)
def test_output_wheel_reads_short(name: str, size: float, share: float) -> None:
    rig = Rig(**QUIET)
    rig.feed(100.0)
    rig.fault(name, size=size)
    moved = travels(rig, 200.0)
    assert moved["wheel"] / moved["cord"] == pytest.approx(share, abs=0.002)


def test_film_adds_slip_as_it_grows() -> None:
    rig = Rig(**QUIET)
    rig.feed(300.0)
    usual = travels(rig, 200.0)
    rig.fault("film", size=3.0, over=100.0)
    rig.feed(50.0)
    halfway = travels(rig, 10.0)
    rig.feed(240.0)
    filmed = travels(rig, 200.0)
    assert 100.0 * (usual["cord"] - filmed["cord"]) / usual["feed"] == pytest.approx(3.0, abs=0.2)
    assert 1.0 < 100.0 * (1.0 - halfway["cord"] / halfway["feed"]) - 1.5 < 2.5


@pytest.mark.parametrize(("steps", "pulses"), [(1.0, 64), (4.0, 64), (6.0, 128), (40.0, 640)])
@pytest.mark.parametrize("over", [0.0, 60.0])
def test_lost_steps_fault(steps: float, pulses: int, over: float) -> None:
    rig = Rig(**QUIET)
    rig.feed(50.0)
    rig.fault("lost_steps", 1, size=steps, over=over)
    rig.feed(100.0)
    assert [roller.lost for roller in rig.p.roller] == [0, pulses, 0]
    missing = rig.p.roller[0].travel_mm - rig.p.roller[1].travel_mm
    assert missing == pytest.approx(pulses / rig.set.pulses_per_mm, abs=0.05)


def test_shear_counts_cuts_and_holds_the_cord() -> None:
    rig = Rig(**QUIET)
    rig.feed(100.0)
    at = rig.p.cord_mm
    rig.run(200, 14.0, shear=1)
    rig.run(100, 14.0)
    rig.run(50, 14.0, shear=1)
    assert rig.p.cuts == 2
    assert at < rig.p.cut_at_mm < rig.p.cord_mm


# ---- heat and switches ----


def held(name: str | None = None, seconds: int = 40, **fault: Any) -> Rig:
    rig = Rig(**QUIET)
    rig.run(30_000, each=hold_hot(100.0))
    if name:
        rig.fault(name, 0, **fault)
    rig.run(seconds * 1000, each=hold_hot(100.0))
    return rig


def test_open_and_shorted_sensor() -> None:
    assert held("sensor_open", 1).p.converter[0] == 64 * 1023
    assert held("sensor_shorted", 1).p.converter[0] == 0


def test_stuck_sensor_repeats_itself() -> None:
    rig = held("sensor_stuck", 1)
    before = rig.p.converter[0]
    rig.run(5_000, each=hold_hot(150.0))
    assert rig.p.converter[0] == before
    rig.fault("sensor_stuck", on=0)
    rig.run(1_000, each=hold_hot(150.0))
    assert rig.p.converter[0] < before


def test_detached_sensor_falls_to_air() -> None:
    """15 s of lag in air: after one lag 36.8 % of the rise is left, after five it is air."""
    rig = held("sensor_detached", 15)
    assert rig.p.block[0].sensor_degC - 22.0 == pytest.approx(78.0 * np.exp(-1.0), abs=0.1)
    assert held("sensor_detached", 75).p.block[0].sensor_degC == pytest.approx(22.0, abs=1.0)
    assert held("sensor_detached", 75, size=50.0).p.block[0].sensor_degC == pytest.approx(61, abs=1)


def test_heater_faults() -> None:
    rig = Rig(**QUIET)
    rig.fault("heater_open", 0)
    rig.fault("heater_shorted", 1)
    rig.run(10_000, heaters=1)
    assert rig.p.heater_J[0] == 0.0
    assert rig.p.heater_J[1] == pytest.approx(400.0)


def test_stop_and_permit() -> None:
    rig = Rig()
    rig.run(1)
    assert rig.p.inputs & (STOP | PERMIT) == PERMIT
    rig.fault("stop_tripped")
    rig.fault("permit_lost")
    rig.run(1)
    assert rig.p.inputs & (STOP | PERMIT) == STOP


def test_low_supply_weakens_motors_too() -> None:
    lost = []
    for size in (0.0, 60.0):
        rig = Rig(**(QUIET | {"pull_out_torque_Nm": 0.22}))
        rig.fault("supply_low", size=size)
        rig.run(2_000)
        rig.feed(150.0, 30.0)
        lost.append(sum(abs(roller.lost) for roller in rig.p.roller))
    assert lost[0] == 0 < lost[1]


# ---- independence ----


def test_a_fault_leaves_the_noise_elsewhere_as_it_was() -> None:
    """Sensor noise of the other zone, drag along the strips and the supply: bit for bit."""
    names = ("sensor_open", "lane_jam", "output_wheel_stuck", "lane_wheel_stuck", "sensor_stuck")
    tracks = []
    for name in (None, *names):
        rig, track = Rig(11), []
        rig.feed(50.0)
        if name:
            rig.fault(name, 0)

        def note(plant: Any, track: list[Any] = track) -> None:
            track.append((plant.converter[1], plant.supply_fraction))

        rig.run(6_000, 14.0, each=note)
        rig.fault(name or "lane_jam", 0, on=0)
        while rig.lanes[3].varied_mm < 200.0:
            rig.run(1, 14.0)
        tracks.append((track, rig.lanes[3].variation))
    assert all(track == tracks[0] for track in tracks)


# ---- parameters ----


def test_parameters_carry_the_values_of_the_design() -> None:
    """The table of the demo scenario, row by row."""
    p = PlantParameters.load()
    assert (p.lanes, p.zones) == (5, 2)
    assert p.block_mass_g[:2] == (180.0, 90.0)
    assert p.heater_W[:2] == (60.0, 40.0) and p.supply_V == 24.0
    assert p.guide_length_mm == 80.0
    assert p.loss_W_K[:2] == (0.35, 0.25) and p.link_W_K[0] == 0.15
    assert (p.supply_drift_percent, p.air_mean_degC, p.air_swing_K) == (5.0, 22.0, 3.0)
    assert (p.sensor_lag_s, p.sensor_noise_K, p.seating_error_K) == (4.0, 0.05, 1.0)
    assert (p.strip_width_mm, p.strip_thickness_mm, p.strip_length_mm) == (6.0, 0.5, 2400.0)
    assert (p.strip_moisture_percent, p.nominal_speed_mm_s) == (9.0, 14.0)
    assert (p.nominal_slip_percent, p.slip_drift_percent) == (1.5, 0.5)
    assert p.film_slip_percent_per_m > 0.0
    assert (p.drag_variation_percent, p.drag_correlation_mm) == (20.0, 150.0)
    assert p.strip_mean_variation_percent == 15.0
    assert (p.slack_min_mm, p.slack_max_mm) == (0.3, 0.8)
    assert (p.output_mm_per_count, p.output_run_out_percent, p.output_turn_mm) == (0.05, 1.0, 62.8)
    assert p.output_burst_slip_percent > 0.0 and p.output_dirt_percent_per_m > 0.0
    assert (p.lane_mm_per_pulse, p.lane_scatter_percent) == (0.5, 10.0)
    assert min(curve.radius_mm for curve in p.curve) == 45.0
    assert p.joint_gap_max_mm == 2.0 and p.joint_step_percent > 0.0
    assert p.pulses_per_turn == 360 / 1.8 * 16 and p.pulses_per_cycle == 4 * 16


def test_pulses_match_the_default_of_the_head() -> None:
    """registers.toml: drive_settings.pulses_per_m defaults to 50929.58."""
    assert PlantParameters.load().pulses_per_mm * 1000.0 == pytest.approx(50929.58, abs=0.01)


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        ({"drag_n": 3.0}, "plant.drag_n is not a plant parameter"),
        ({"drag_N": -1.0}, "plant.drag_N: "),
        ({"drag_N": float("nan")}, "plant.drag_N: "),
        ({"drag_N": "much"}, "plant.drag_N: "),
        ({"drag_N": "3.5"}, "plant.drag_N: "),
        ({"lanes": 9}, "plant.lanes: "),
        ({"lanes": True}, "plant.lanes: "),
        ({"curve": 3}, "plant.curve: "),
        ({"slack_min_mm": 0.9}, "slack_min_mm must not be above slack_max_mm"),
        ({"block_mass_g": [180.0]}, "plant.block_mass_g: "),
        ({"curve": [{"start_mm": 0.0, "radius_mm": 45.0}]}, "plant.curve.1.turn_deg: "),
        ({"curve_period_mm": 100.0}, "curve_period_mm must be 0 or at least"),
        ({"slip_drift_percent": 2.0}, "slip_drift_percent must stay below"),
    ],
)
def test_bad_parameters_are_named(overrides: dict[str, Any], words: str) -> None:
    with pytest.raises(ParameterError) as refused:
        PlantParameters.load(overrides)
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


def test_every_field_of_the_struct_is_filled() -> None:
    """Poisoned before: a field that fill() forgets keeps the poison."""
    parameters = ffi.new("struct plant_parameters *")
    ffi.buffer(parameters)[:] = b"\x5a" * ffi.sizeof("struct plant_parameters")
    poison = np.frombuffer(b"\x5a" * 8, dtype=np.float64)[0]
    fill(parameters, {"lanes": 8})
    for name, field in ffi.typeof("struct plant_parameters").fields:
        value = getattr(parameters, name)
        if field.type.kind == "array":
            value = value[0]
        assert value not in (poison, 0x5A5A5A5A), name


# ---- the document ----


def test_the_document_names_every_parameter_and_fault() -> None:
    text = (Path(__file__).parents[2] / "docs" / "twin.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(\w+)`", text))
    assert set(PlantParameters.model_fields) <= named
    assert set(FAULT_KINDS) <= named
    assert {kind.size.name for kind in FAULT_KINDS.values() if kind.size} <= named
