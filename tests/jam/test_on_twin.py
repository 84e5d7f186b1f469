"""The detector on the twin, whose plant has forces: a jammed strip there holds up the others."""

from __future__ import annotations

import numpy as np
import pytest

from plylane.head.registers import Command, State
from plylane.jam import FeedWatch, Finding, columns_needed
from plylane_twin import Scenario, Twin
from twin_client import TwinClient

LANES = 5
# barely warm and in wide bands, so that feeding begins within seconds: only the feed is looked at
QUICK = {
    "zone.mode": 2,
    "zone.setpoint_degC": 32.0,
    "zone_settings.band_degC": 20.0,
    "zone_settings.under_temperature_degC": 60.0,
    "zone_settings.stuck_time_s": 3600,
    "zone_settings.effect_time_s": 600,
}


def feed(fault: str, seed: int, length_mm: float) -> tuple[dict[str, np.ndarray], list[str]]:
    """Columns from entering Execute to leaving it, and the alarms that stand then."""
    text = f'format = "plylane scenario 1"\nname = "jams"\n{fault}'
    head = TwinClient(Twin(Scenario.parse(text), seed=seed))
    for name, value in QUICK.items():
        for zone in range(2):
            head.write(name, value, zone)
    for name, value in {"source": 1, "speed_mm_s": 14.0, "length_mm": length_mm}.items():
        head.write(f"feed.{name}", value)
    head.command(Command.RESET)
    head.run_until(State.IDLE, 30.0)
    head.command(Command.START)
    head.run_until(State.EXECUTE, 60.0)
    rows = []
    while not rows or rows[-1][1] == State.EXECUTE:
        head.twin.advance(20)
        now = head.client.snapshot()
        told = now.telemetry
        row = (now.time_s, told.state, told.feed_position_mm, told.output_position_mm)
        rows.append((*row, *(lane.position_mm for lane in now.lanes)))
    columns = np.array(rows, dtype=float).T
    return dict(zip(columns_needed(LANES), columns, strict=True)), head.alarm_names()


def told(columns: dict[str, np.ndarray]) -> Finding:
    """The last word, for a warning may come before it; and that it came while the head fed."""
    found = FeedWatch().judge(columns)[-1]
    assert found.time_s < columns["time_s"][-1]
    return found


def fed_mm(columns: dict[str, np.ndarray], time_s: float) -> float:
    return float(np.interp(time_s, columns["time_s"], columns["feed_position_mm"]))


def test_a_healthy_twin_is_quiet() -> None:
    for seed in (1, 2):
        columns, alarms = feed("", seed, 15_000.0)
        assert columns["output_position_mm"][-1] > 14_500.0
        assert (FeedWatch().judge(columns), alarms) == ([], [])


@pytest.mark.parametrize("lane", range(1, LANES + 1))
@pytest.mark.parametrize("more", ["", "over_mm = 100.0", "over_mm = 400.0"])
def test_a_jam_is_found_in_its_lane_before_the_head_holds(lane: int, more: str) -> None:
    at_mm = 300.0 + 37.0 * lane
    fault = f'[[fault]]\nkind = "lane_jam"\nlane = {lane}\nat_output_mm = {at_mm}\n{more}\n'
    columns, alarms = feed(fault, 20 + lane, 1100.0)
    assert alarms and set(alarms) <= {"lane_stopped", "feed_mismatch"}
    found = told(columns)
    assert found.lane == lane
    if not more:
        assert found.kind == "strip_stuck"
        assert fed_mm(columns, found.time_s) - at_mm / 0.985 < 8.0


@pytest.mark.parametrize("seed", range(4))
def test_a_jam_of_the_head_is_found_before_the_head_holds(seed: int) -> None:
    fault = '[[fault]]\nkind = "head_jam"\nat_output_mm = 420.0\n'
    columns, alarms = feed(fault, seed, 1100.0)
    assert alarms == ["lane_stopped"]  # every lane's wheel stands: sooner than 15 mm of mismatch
    found = told(columns)
    assert (found.kind, found.lane) == ("head_jam", None)


CASES = {
    'kind = "strip_out"\nlane = 2': ("unknown", 2),
    'kind = "lane_wheel_stuck"\nlane = 4': ("unknown", 4),
    'kind = "output_wheel_stuck"': ("output_wheel_stuck", None),
    'kind = "lost_steps"\ndrive = 1\nfull_steps = 40.0': ("lost_steps", None),
    'kind = "film"\nslip_percent = 10.0': ("slip_growing", None),
    'kind = "output_wheel_dirty"\ndiameter_percent = 4.0': ("output_wheel_dirty", None),
}


@pytest.mark.parametrize("fault", CASES)
def test_each_cause_is_named_or_what_it_may_be(fault: str) -> None:
    columns, _ = feed(f"[[fault]]\n{fault}\nat_output_mm = 420.0\n", 5, 1100.0)
    found = FeedWatch().judge(columns)[0]
    assert (found.kind, found.lane) == CASES[fault]
