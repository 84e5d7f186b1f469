"""What the study runs: normal hours and faults, each drawn from the study's seed and its number.

Every draw comes from a generator seeded by (seed, what, number), so a case is the same however the
work is cut and whatever else is run.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import tomli_w

from plylane.jam import StripEnds

LANES = 5
STRIP_MM = 2400.0
NOMINAL_MM_S = 14.0
SETPOINTS_DEGC = (110.0, 95.0)
AIR_DEGC = 22.0
LATEST_START_S = 60.0
"""By then a hot head feeds; faults begin later."""
CURVE_SPACE_MM = 3000.0
_STAGGER_MM = STRIP_MM / LANES  # of the joints in the twin
_STRIPS = 6  # that a book knows of each lane: more than a fault's run takes
_MEASURING_MM, _WHEEL_ERROR = 3.0, 0.002  # standard deviations of a book's errors

# Gains as `plylane tune` finds them for this head; the rest are the head's defaults.
SETTINGS: Mapping[str, float | list[float]] = {
    "zone_settings.kp_percent_per_degC": [36.0, 34.0],
    "zone_settings.ti_s": [31.0, 27.0],
    "zone_settings.td_s": [0.0, 0.0],
    "zone_settings.feed_forward_first_percent_per_mm_s": [0.45, -0.11],
    "zone_settings.feed_forward_after_mm": [50.0, 88.0],
    "zone_settings.feed_forward_percent_per_mm_s": [1.48, 0.16],
}


@dataclass(frozen=True)
class Case:
    """One twin run. `truth` is the kind of finding that would be right, "" in a normal hour.

    `fault` is what the study calls the case, `lane` the lane concerned (from 1), `onset_s` when
    the fault begins, `watch_s` how long it is watched from then on. A strip that is to run out does
    so at `strip_end_mm` of its lane, and when that is shows only when it is played
    (`plylane.study.drive.placed`). `strip_ends` is what the lanes' book says, with its errors.
    """

    number: int
    fault: str
    truth: str
    twin_seed: int
    speed_mm_s: float
    scenario: str
    lane: int | None = None
    abrupt: bool = False
    onset_s: float = math.inf
    watch_s: float = 0.0
    strip_end_mm: float | None = None
    strip_ends: tuple[StripEnds, ...] = ()
    settings: Mapping[str, float | list[float]] = field(default_factory=lambda: SETTINGS)


@dataclass(frozen=True)
class _Kind:
    """A kind of fault: what the plant is told, how it is drawn, and what would be right to say."""

    name: str
    truth: str
    plant: str
    abrupt: bool = False
    of_lane: bool = False
    watch_s: float = 60.0
    unguarded: bool = False
    draw: Callable[[random.Random], dict[str, Any]] = field(default=lambda rng: {})


def _over(low_mm: float, high_mm: float) -> Callable[[random.Random], dict[str, Any]]:
    return lambda rng: {"over_mm": rng.uniform(low_mm, high_mm)}


def _lost(rng: random.Random) -> dict[str, Any]:
    steps = 4.0 * rng.randint(4, 20)  # a cycle of four is 1.3 mm of roller
    return {"drive": 1, "full_steps": steps, "over_mm": rng.uniform(0.0, 40.0)}


SLIP = "slip of 10 %"
SLIP_SHARE = 0.1
_UNGUARDED = {"guards.mismatch_limit_mm": 300.0}
FAULTS = (
    _Kind("lane jam", "strip_stuck", "lane_jam", abrupt=True, of_lane=True),
    _Kind("head jam", "head_jam", "head_jam", abrupt=True),
    _Kind("strip out", "strip_out", "strip_out", abrupt=True, of_lane=True),
    _Kind("output wheel stuck", "output_wheel_stuck", "output_wheel_stuck", abrupt=True),
    _Kind("lane wheel stuck", "lane_wheel_stuck", "lane_wheel_stuck", abrupt=True, of_lane=True),
    # the head's own guard would cut the delay short that is to be compared
    _Kind(
        SLIP, "slip_growing", "film", watch_s=120.0, unguarded=True,
        draw=lambda rng: {"slip_percent": 100.0 * SLIP_SHARE},
    ),
    _Kind(
        "lane jam, creeping", "strip_stuck", "lane_jam", of_lane=True, watch_s=150.0,
        draw=_over(50.0, 800.0),
    ),
    _Kind("head jam, creeping", "head_jam", "head_jam", watch_s=150.0, draw=_over(50.0, 800.0)),
    _Kind(
        "slip growing", "slip_growing", "film", watch_s=300.0,
        draw=lambda rng: {"slip_percent": rng.uniform(6.0, 15.0)} | _over(200.0, 2000.0)(rng),
    ),
    _Kind("lost steps", "lost_steps", "lost_steps", draw=_lost),
    _Kind(
        "output wheel dirty", "output_wheel_dirty", "output_wheel_dirty", watch_s=300.0,
        draw=lambda rng: {"diameter_percent": rng.uniform(4.0, 12.0)} | _over(0.0, 1000.0)(rng),
    ),
    _Kind(
        "output wheel slips", "output_wheel_dirty", "output_wheel_slip", watch_s=120.0,
        draw=lambda rng: {"slip_percent": rng.uniform(10.0, 40.0)},
    ),
    _Kind("permit lost", "cord_not_laid", "permit_lost"),
    _Kind(
        "heater open", "zone_too_cold", "heater_open", watch_s=200.0,
        draw=lambda rng: {"zone": 1},
    ),
)  # fmt: skip
"""Each kind in turn; the abrupt ones come twice as often."""
_TURN = tuple(kind for kind in FAULTS for _ in range(2 if kind.abrupt else 1))


def normal_hour(seed: int, number: int) -> Case:
    """Normal running: joints, bends, drift and dirt come with the plant."""
    rng = random.Random(f"{seed} normal {number}")
    speed_mm_s = draw_speed(rng)
    first_mm = rng.uniform(0.0, STRIP_MM)
    scenario = _scenario(rng, first_mm, [])
    return Case(number, "", "", rng.getrandbits(63), speed_mm_s, scenario)


def fault_case(seed: int, number: int) -> Case:
    """A fault in an otherwise normal run: of which kind by `number`, the rest drawn."""
    rng = random.Random(f"{seed} fault {number}")
    kind = _TURN[number % len(_TURN)]
    lane = rng.randint(1, LANES) if kind.of_lane else None
    onset_s = LATEST_START_S + rng.uniform(0.0, 90.0)
    fault = {"kind": kind.plant, "at_s": onset_s, **kind.draw(rng)}
    if lane is not None:
        fault["lane"] = lane
    # half of them at nominal speed, for which the delay is promised
    speed_mm_s = NOMINAL_MM_S if rng.random() < 0.5 else draw_speed(rng)
    first_mm, end_mm = rng.uniform(0.0, STRIP_MM), None
    if lane is not None and kind.truth == "strip_out":
        end_mm = onset_s * speed_mm_s
        first_mm = (end_mm - (lane - 1) * _STAGGER_MM) % STRIP_MM
    scenario = _scenario(rng, first_mm, [fault] if end_mm is None else [])
    twin_seed = rng.getrandbits(63)
    settings = {**SETTINGS, **_UNGUARDED} if kind.unguarded else SETTINGS
    return Case(
        number, kind.name, kind.truth, twin_seed, speed_mm_s, scenario,
        lane, kind.abrupt, onset_s if end_mm is None else math.inf, kind.watch_s,
        end_mm, _book(rng, first_mm), settings,
    )  # fmt: skip


def runs_out(case: Case, onset_s: float) -> Case:
    """The case with its strip running out at that time."""
    fault = f'[[fault]]\nkind = "strip_out"\nlane = {case.lane}\nat_s = {onset_s!r}\n'
    return replace(case, scenario=f"{case.scenario}\n{fault}", onset_s=onset_s)


def _book(rng: random.Random, first_mm: float) -> tuple[StripEnds, ...]:
    """Where strips end as a book has it: every strip is measured, the lane wheel is calibrated."""
    told = []
    for lane in range(LANES):
        scale = 1.0 + rng.gauss(0.0, _WHEEL_ERROR)
        end_mm = (first_mm + lane * _STAGGER_MM) % STRIP_MM + rng.gauss(0.0, _MEASURING_MM)
        ends = [end_mm]
        while len(ends) < _STRIPS:
            end_mm += STRIP_MM + rng.gauss(0.0, _MEASURING_MM)
            ends.append(end_mm)
        told.append(StripEnds(0.0, lane + 1, tuple(scale * mm for mm in ends)))
    return tuple(told)


def draw_speed(rng: random.Random) -> float:
    """A speed the head is run at, mm/s."""
    return round(rng.uniform(6.0, 20.0), 2)


def _scenario(rng: random.Random, first_mm: float, faults: list[dict[str, Any]]) -> str:
    """Text of a scenario file: a head that was left hot, with bends and a drift of its own."""
    zones = [*(setpoint - AIR_DEGC for setpoint in SETPOINTS_DEGC), 0.0]
    plant = {
        "block_start_K": zones,
        "air_start_h": rng.uniform(0.0, 24.0),
        "strip_length_mm": STRIP_MM,
        "first_joint_mm": first_mm,
        # slip drifts by 3 %: by 0.5 % over metres, and by film while an hour's 50 m are fed
        "film_slip_max_percent": 2.5,
        "film_slip_percent_per_m": rng.uniform(0.0, 0.12),
        "curve_period_mm": CURVE_SPACE_MM,
        "curve": _curves(rng),
    }
    form: dict[str, Any] = {"format": "plylane scenario 1", "name": "study", "plant": plant}
    if faults:
        form["fault"] = faults
    return tomli_w.dumps(form)


def _curves(rng: random.Random) -> list[dict[str, float]]:
    """Bends down to 45 mm radius either way, straights between, within CURVE_SPACE_MM."""
    curves: list[dict[str, float]] = []
    at_mm = rng.uniform(20.0, 300.0)
    while len(curves) < 12:
        radius_mm = rng.choice([45.0, rng.uniform(45.0, 150.0)])
        turn_deg = rng.choice([-1.0, 1.0]) * rng.uniform(20.0, 180.0)
        end_mm = at_mm + radius_mm * math.radians(abs(turn_deg))
        if end_mm > CURVE_SPACE_MM:
            break
        curves.append({"start_mm": at_mm, "radius_mm": radius_mm, "turn_deg": turn_deg})
        at_mm = end_mm + rng.uniform(10.0, 300.0)
    return curves
