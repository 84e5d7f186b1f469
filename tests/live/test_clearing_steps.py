"""The steps of a clearing: what they want, what they are judged by, when none is open."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.clearing import BLOCKING, TURNED_MM, Cause, Clearing, Stand, Step, ready
from plylane.head.registers import (
    ALARMS,
    Inputs,
    LaneTelemetryRegs,
    State,
    Status,
    TelemetryRegs,
    ZoneMode,
    ZoneTelemetryRegs,
)
from plylane.head.snapshot import Snapshot

KINDS = [
    "strip_stuck", "strip_out", "head_jam", "cord_not_laid", "zone_too_cold", "lost_steps",
    "lane_wheel_stuck", "output_wheel_stuck", "output_wheel_dirty", "slip_growing", "unknown",
    "lane_stopped", "feed_mismatch",
]  # fmt: skip
OUTPUT_MM, LANE_MM = 500.0, 510.0
YOURS = {"isolate", "heat", "pull", "look", "wheel", "cord", "strips", "hands_out"}


def held(
    *,
    speed_mm_s: float = 0.0,
    status: Status = Status.HEATERS_ENABLED,
    active: int = 0,
    waiting: int = 0,
    inputs: Inputs = Inputs.PERMIT_GIVEN,
    pv_degC: float = 96.0,
    mode: ZoneMode = ZoneMode.AUTOMATIC,
    turned_mm: float = 0.0,
) -> Snapshot:
    """A held head of five lanes and two zones; `turned_mm` is how far lane 3's wheel went on."""
    values = {register.name: 0 for register in TelemetryRegs.BLOCK.registers}
    values |= {"state": State.HELD, "inputs": inputs, "status": status}
    values |= {"alarms_active": active, "alarms_unacknowledged": waiting}
    now = replace(TelemetryRegs(**values), feed_speed_mm_s=speed_mm_s, output_position_mm=OUTPUT_MM)
    zones = (ZoneTelemetryRegs(pv_degC, 60.0, 0.0, mode), ZoneTelemetryRegs(80.0, 60.0, 0.0, mode))
    lanes = tuple(LaneTelemetryRegs(LANE_MM + turned_mm * (k == 2)) for k in range(5))
    return Snapshot(130.0, now, (), zones, lanes)


def clearing(kind: str = "strip_stuck", lane: int | None = 3, confirmed: set[str] | None = None):
    cause = Cause(kind, lane, 6.5, f"{kind} it is", 98.0)
    stand = Stand(cause, 100.0, 491.0, OUTPUT_MM, (LANE_MM,) * 5)
    return Clearing(stand, frozenset(confirmed or ()))


def by_name(steps: tuple[Step, ...]) -> dict[str, Step]:
    return {step.name: step for step in steps}


@pytest.mark.parametrize("lane", [None, 3])
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_led_through_from_making_safe_to_hands_out(
    kind: str, lane: int | None
) -> None:
    steps = clearing(kind, lane).steps(held())
    names = [step.name for step in steps]
    assert names[0] == "isolate"
    assert names.index("rollers") < names.index("pull") < names.index("look")
    assert names.index("look") < names.index("cord") < names.index("hands_out")
    assert {"alarms", "inputs", "zones", "heat", "strips"} < set(names)
    assert len(set(names)) == len(names)
    for step in steps:
        assert not set("{}") & set(step.what)
        assert "None" not in step.what + step.label
        assert len(step.label) <= 46


def test_the_steps_name_lane_lengths_and_temperatures() -> None:
    steps = by_name(clearing().steps(held(turned_mm=0.5)))
    assert "strip of lane 3" in steps["pull"].what
    assert steps["pull"].reading == "6.5 mm not passed"
    assert "from 491 to 500 mm" in steps["cord"].what
    assert steps["cord"].reading == "at least 9 mm"
    assert steps["heat"].reading == "guide 96 °C, nip 80 °C"
    assert steps["wheel"].reading == f"moved 0.5 of {TURNED_MM:g} mm"
    assert steps["strips"].reading == "stood 30 s"
    assert "Cut out" not in by_name(clearing("lane_wheel_stuck").steps(held()))["cord"].what


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"speed_mm_s": 0.4}, "rollers"),
        ({"status": Status.HEATERS_ENABLED | Status.MOVING}, "rollers"),
        ({"active": 1 << 11}, "alarms"),
        ({"waiting": 1 << 19}, "alarms"),
        ({"inputs": Inputs(0)}, "inputs"),
        ({"inputs": Inputs.PERMIT_GIVEN | Inputs.STOP_TRIPPED}, "inputs"),
        ({"pv_degC": -300.0}, "zones"),
        ({"mode": ZoneMode.OFF}, "zones"),
    ],
)
def test_each_condition_keeps_its_own_step_open(change: dict[str, object], name: str) -> None:
    steps = clearing(confirmed=YOURS).steps(held(**change))  # type: ignore[arg-type]
    assert [step.name for step in steps if not step.done] == [name]


def test_what_the_head_only_reports_does_not_hold_it_back_once_acknowledged() -> None:
    """The map's reactions are the reference: the head refuses to unhold for the others only."""
    reports = [alarm.number for alarm in ALARMS if alarm.reaction == "report"]
    assert reports
    for alarm in ALARMS:
        steps = clearing(confirmed=YOURS).steps(held(active=1 << alarm.number))
        assert ready(steps) == (alarm.number in reports) == (not BLOCKING >> alarm.number & 1)


@given(st.sets(st.sampled_from(sorted(YOURS))), st.floats(-9.0, 9.0), st.booleans())
def test_ready_only_when_every_word_is_given_and_the_wheel_turned_or_vouched_for(
    confirmed: set[str], turned_mm: float, fresh: bool
) -> None:
    steps = clearing(confirmed=confirmed).steps(held(turned_mm=turned_mm), fresh=fresh)
    turned = abs(turned_mm) >= TURNED_MM or "wheel" in confirmed
    assert ready(steps) == (fresh and turned and confirmed >= YOURS - {"wheel"})


def test_an_old_snapshot_judges_nothing_done() -> None:
    steps = clearing(confirmed=YOURS).steps(held(turned_mm=9.0), fresh=False)
    assert {step.name for step in steps if not step.done} == {s.name for s in steps if s.judged}


def test_the_output_wheel_is_judged_by_the_cord_s_count() -> None:
    at_rest = clearing("output_wheel_stuck", None)
    assert not by_name(at_rest.steps(held()))["wheel"].done
    stand = replace(at_rest.stand, cord_to_mm=OUTPUT_MM - 6.0)
    assert by_name(Clearing(stand).steps(held()))["wheel"].done
