"""Every guard is proved by the fault it is there for, injected into the plant of the twin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from plylane.head.errors import Refused
from plylane.head.registers import ALARMS, Command, FeedSource, State, Status, ZoneMode
from plylane_twin import Scenario, Twin
from plylane_twin._core import lib
from twin_client import TwinClient

NUMBER = {alarm.name: alarm.number for alarm in ALARMS}
REACTED = {
    "hold": {State.HOLDING, State.HELD},
    "stop": {State.STOPPING, State.STOPPED},
    "abort": {State.ABORTING, State.ABORTED},
}


def bench(*faults: str, plant: str = "") -> TwinClient:
    """A twin with these faults, each the body of a [[fault]] table."""
    tables = "".join(f"[[fault]]\n{fault}\n" for fault in faults)
    text = f'format = "plylane scenario 1"\nname = "guards"\n[plant]\n{plant}\n{tables}'
    return TwinClient(Twin(Scenario.parse(text), seed=11))


def heat(client: TwinClient, setpoints=(60.0, 55.0)) -> None:
    """Idle with the zones in automatic."""
    client.command(Command.RESET)
    client.run(1.0)
    for zone, degC in enumerate(setpoints):
        client.write("zone.setpoint_degC", degC, zone)
        client.write("zone.mode", ZoneMode.AUTOMATIC, zone)


def feed(client: TwinClient, length_mm: float = 5000.0, speed_mm_s: float = 14.0) -> None:
    """Heat up (low, to be quick) and feed."""
    for zone in range(2):
        client.write("zone_settings.band_degC", 5.0, zone)
    client.write("guards.settle_time_s", 0)
    client.write("feed.source", FeedSource.LENGTH)
    client.write("feed.length_mm", length_mm)
    client.write("feed.speed_mm_s", speed_mm_s)
    heat(client, (35.0, 32.0))
    client.command(Command.START)
    client.run_until(State.EXECUTE, 200.0)


@dataclass(frozen=True)
class Case:
    """A fault, what is going on when it strikes, and how soon the guard must answer."""

    alarm: str
    fault: str
    begin: Callable[[TwinClient], None]
    within_s: float
    instances: int = 1


CASES = [
    Case("sensor_open", 'kind = "sensor_open"\nzone = 2\nat_s = 20.0', heat, 21.0, 2),
    Case("sensor_shorted", 'kind = "sensor_shorted"\nzone = 1\nat_s = 20.0', heat, 21.0, 1),
    Case("sensor_stuck", 'kind = "sensor_stuck"\nzone = 1\nat_s = 20.0', heat, 90.0, 1),
    Case("sensor_detached", 'kind = "sensor_detached"\nzone = 1\nat_s = 120.0', heat, 130.0, 1),
    Case("heating_without_effect", 'kind = "heater_open"\nzone = 1\nat_s = 5.0', heat, 90.0, 1),
    Case(
        "feed_mismatch",
        'kind = "output_wheel_stuck"\nat_output_mm = 300.0',
        feed,
        400.0,
    ),
    Case("lane_stopped", 'kind = "lane_jam"\nlane = 4\nat_output_mm = 300.0', feed, 400.0, 8),
    Case("lane_stopped", 'kind = "strip_out"\nlane = 2\nat_output_mm = 300.0', feed, 400.0, 2),
    Case(
        "lane_stopped",
        'kind = "lane_wheel_stuck"\nlane = 5\nat_output_mm = 300.0',
        feed,
        400.0,
        16,
    ),
    Case("feed_mismatch", 'kind = "output_wheel_stuck"\nat_output_mm = 300.0', feed, 400.0),
    Case("stop_input", 'kind = "stop_tripped"\nat_s = 10.0', heat, 11.0),
    Case("permit_lost", 'kind = "permit_lost"\nat_output_mm = 100.0', feed, 300.0),
    Case("pulse_overrun", 'kind = "pulse_late"\nat_output_mm = 100.0', feed, 300.0, 7),
]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.alarm}-{c.fault.split(chr(34))[1]}")
def test_fault_raises_its_alarm_and_the_head_reacts(case: Case) -> None:
    client = bench(case.fault)
    case.begin(client)
    client.run_until_alarm(NUMBER[case.alarm], case.within_s)
    client.run(0.5)
    alarm = ALARMS[NUMBER[case.alarm]]
    assert client.instances(alarm.number) == case.instances
    assert client.telemetry().state in REACTED[alarm.reaction]
    if alarm.reaction != "hold":
        client.run(0.2)
        assert client.heaters() == 0


@pytest.mark.parametrize("begin", [heat, feed])
def test_without_a_fault_no_guard_speaks(begin: Callable[[TwinClient], None]) -> None:
    client = bench()
    begin(client)
    for _ in range(200):
        client.run(1.0)
        assert client.telemetry().alarms_active == 0, client.alarm_names()


def test_over_temperature_by_a_shorted_heater_while_others_are_quiet() -> None:
    client = bench('kind = "heater_shorted"\nzone = 2\nat_s = 1.0')
    client.write("zone_settings.over_temperature_degC", 60.0, 1)
    client.write("zone_settings.uncommanded_rise_degC", 50.0, 1)
    client.command(Command.RESET)
    client.run_until_alarm(NUMBER["over_temperature"], 300.0)
    client.run(0.5)
    assert client.telemetry().state == State.ABORTED


def test_heat_without_command() -> None:
    client = bench('kind = "heater_shorted"\nzone = 1\nat_s = 30.0')
    client.command(Command.RESET)
    client.run_until_alarm(NUMBER["heat_without_command"], 120.0)
    client.run(0.5)
    assert client.telemetry().state == State.ABORTED
    assert client.instances(NUMBER["heat_without_command"]) == 1


def test_a_cold_zone_beside_a_hot_one_is_not_taken_for_a_shorted_heater() -> None:
    """The nip warms through its 0.15 W/K to the guide; that is conduction, not a fault."""
    client = bench()
    client.command(Command.RESET)
    client.run(1.0)
    client.write("feed.strip_in", 0)
    client.write("zone.setpoint_degC", 120.0, 0)
    client.write("zone.mode", ZoneMode.AUTOMATIC, 0)
    client.run(900.0)
    assert client.telemetry().alarms_active == 0, client.alarm_names()
    assert client.telemetry().state == State.IDLE


def test_start_that_never_gets_warm() -> None:
    client = bench(plant="heater_W = [8.0, 40.0, 40.0]")
    client.write("guards.start_timeout_s", 30)
    client.write("zone_settings.effect_time_s", 600, 0)
    heat(client)
    client.command(Command.START)
    client.run_until_alarm(NUMBER["start_timeout"], 60.0)
    client.run(0.5)
    assert client.telemetry().state == State.STOPPED


def test_under_temperature_while_feeding() -> None:
    client = bench('kind = "heater_open"\nzone = 1\nat_output_mm = 50.0')
    feed(client)
    client.write("zone.setpoint_degC", 36.0, 0)
    client.run_until_alarm(NUMBER["under_temperature"], 400.0)
    client.run(1.0)
    assert client.telemetry().state in REACTED["hold"]


def test_link_silent_holds_only_while_feeding() -> None:
    client = bench()
    feed(client)
    client.twin.advance(2_600)
    assert client.telemetry().state in REACTED["hold"]
    names = [text for text in client.event_texts() if "link silent" in text]
    assert names[:2] == ["Alarm link silent", "Alarm over: link silent"]
    client.twin.advance(60_000)
    assert client.telemetry().state == State.HELD
    assert client.telemetry().alarms_active == 0


def creep(client: TwinClient) -> None:
    """Feed so slowly that a strip of the guide's length takes for ever."""
    client.write("feed.speed_mm_s", 0.02)


def jog_to_and_fro(client: TwinClient) -> None:
    """Keep moving without bringing fresh strip."""
    client.command(Command.HOLD)
    client.run(5.0)
    for zone in range(2):
        client.write("zone_settings.standby_degC", 60.0, zone)
    for turn in range(8):
        if client.telemetry().state == State.HELD:
            client.write("feed.jog_length_mm", 0.2 if turn % 2 else -0.2)
        client.run(2.5)


def stay_complete(client: TwinClient) -> None:
    client.command(Command.COMPLETE)


def lose_the_program(client: TwinClient) -> None:
    """A reset forgets what was fed; strip may be in the guide all the same."""
    client.twin.reset()
    client.twin.restore_power(lib.RESET_CAUSE_WATCHDOG)
    client.run(0.5)
    client.write("guards.dwell_temperature_degC", 31.0)
    client.write("guards.dwell_time_s", 20)
    heat(client, (45.0, 32.0))


@pytest.mark.parametrize("stay", [creep, jog_to_and_fro, stay_complete, lose_the_program])
def test_strip_that_stays_in_a_hot_guide(stay: Callable[[TwinClient], None]) -> None:
    client = bench()
    client.write("guards.dwell_temperature_degC", 31.0)
    client.write("guards.dwell_time_s", 20)
    feed(client)
    client.run(20.0)
    assert "strip_dwell" not in client.alarm_names()
    stay(client)
    client.run_until_alarm(NUMBER["strip_dwell"], 120.0)
    client.run(1.0)
    assert client.telemetry().state == State.STOPPED
    assert client.heaters() == 0


def test_an_empty_guide_may_stay_hot() -> None:
    client = bench()
    client.write("guards.dwell_temperature_degC", 31.0)
    client.write("guards.dwell_time_s", 20)
    heat(client, (45.0, 32.0))
    client.write("feed.strip_in", 0)
    client.run(200.0)
    assert client.alarm_names() == []
    client.write("feed.jog_drives", 1)
    client.write("feed.jog_length_mm", 20.0)
    client.run_until_alarm(NUMBER["strip_dwell"], 60.0)


def test_unholding_that_never_gets_warm() -> None:
    client = bench('kind = "supply_low"\nbelow_percent = 90.0\nat_state = "held"')
    client.write("guards.start_timeout_s", 100)
    for zone in range(2):
        client.write("zone_settings.effect_time_s", 600, zone)
    feed(client)
    client.command(Command.HOLD)
    client.run(5.0)
    for zone in range(2):
        client.write("zone.setpoint_degC", 80.0, zone)
    client.command(Command.UNHOLD)
    client.run_until_alarm(NUMBER["start_timeout"], 120.0)
    client.run(1.0)
    assert client.telemetry().state == State.STOPPED


def test_no_feeding_before_the_motion_system_permits_it() -> None:
    client = bench('kind = "permit_lost"\nat_s = 0.0\nfor_s = 400.0')
    with pytest.raises(AssertionError, match="STARTING"):
        feed(client)
    assert client.telemetry().feed_position_mm == 0.0
    client.run_until(State.EXECUTE, 300.0)


def test_a_head_left_alone_goes_to_standby_and_manual_heat_goes_off() -> None:
    client = bench()
    heat(client, (100.0, 95.0))
    client.write("zone.manual_op_percent", 40.0, 1)
    client.write("zone.mode", ZoneMode.MANUAL, 1)
    client.run(300.0)
    client.twin.advance(600_000)
    client.run(0.1)
    zones = client.client.snapshot().zones
    assert zones[0].sp_degC == 100.0  # asked for again: somebody is there
    assert zones[0].pv_degC < 65.0  # meanwhile it stood by at 60
    client.run(1.0)
    assert client.client.snapshot().zones[1].op_percent == 40.0


def test_stop_and_abort_forget_that_zones_were_to_heat() -> None:
    for away in (Command.STOP, Command.ABORT):
        client = bench()
        heat(client)
        client.run(5.0)
        client.command(away)
        client.run(0.5)
        if away == Command.ABORT:
            client.command(Command.CLEAR)
            client.run(0.5)
        client.command(Command.RESET)
        client.run(5.0)
        assert client.telemetry().state == State.IDLE
        assert client.heaters() == 0


def test_start_with_every_zone_off_is_refused() -> None:
    client = bench()
    client.command(Command.RESET)
    client.run(0.5)
    with pytest.raises(Refused, match="zone"):
        client.command(Command.START)


def test_the_shear_is_armed_for_one_run_and_not_for_a_length_already_laid() -> None:
    client = bench()
    client.write("feed.shear_at_mm", 900.0)
    feed(client, 300.0)
    client.run_until(State.COMPLETE, 100.0)
    assert client.client.read("feed.shear_at_mm", 0) == 0.0
    assert not client.telemetry().status & Status.SHEAR_ARMED
    client.command(Command.RESET)
    client.run(0.5)
    feed_again = ("feed.length_mm", 500.0)
    client.write(*feed_again)
    client.command(Command.START)
    client.run_until(State.EXECUTE, 200.0)
    client.run(10.0)
    with pytest.raises(Refused):
        client.write("feed.shear_at_mm", 50.0)


def test_an_alarm_is_not_dropped_while_the_feed_still_moves() -> None:
    client = bench('kind = "lane_jam"\nlane = 2\nat_output_mm = 100.0')
    client.write("machine.acceleration_mm_s2", 2)
    feed(client)
    client.run_until_alarm(NUMBER["lane_stopped"], 200.0)
    assert client.telemetry().feed_speed_mm_s > 1.0
    client.acknowledge_all()
    assert "lane_stopped" in client.alarm_names()
    client.run_until(State.HELD, 60.0)
    client.acknowledge_all()
    assert client.alarm_names() == []


def test_an_alarm_of_a_zone_taken_out_goes() -> None:
    client = bench()
    client.write("machine.zones_fitted", 3)  # there is no third sensor
    client.run(3.0)
    assert client.alarm_names() == ["sensor_open"]
    assert client.telemetry().state == State.ABORTED
    client.write("machine.zones_fitted", 2)
    client.run(1.0)
    client.acknowledge_all()
    assert client.alarm_names() == []
    client.command(Command.CLEAR)


def test_a_low_output_limit_does_not_blind_the_guard_of_a_dead_heater() -> None:
    client = bench('kind = "heater_open"\nzone = 1\nat_s = 5.0')
    client.write("zone_settings.op_max_percent", 55.0, 0)
    heat(client)
    client.run_until_alarm(NUMBER["heating_without_effect"], 90.0)


def test_a_window_shorter_than_its_limit_does_not_blind_the_mismatch_guard() -> None:
    client = bench('kind = "output_wheel_stuck"\nat_output_mm = 300.0')
    client.write("guards.mismatch_limit_mm", 300.0)
    client.write("guards.mismatch_window_mm", 100.0)
    feed(client)
    client.run_until_alarm(NUMBER["feed_mismatch"], 200.0)


@pytest.mark.parametrize("kind", ["watchdog_reset", "brown_out"])
def test_resets_are_reported_and_the_head_comes_up_stopped(kind: str) -> None:
    length = "for_s = 0.5" if kind == "brown_out" else ""
    client = bench(f'kind = "{kind}"\nat_s = 30.0\n{length}')
    heat(client)
    client.twin.advance(40_000)
    assert client.telemetry().state == State.STOPPED
    assert client.heaters() == 0
    name = "brown_out_reset" if kind == "brown_out" else kind
    assert client.alarm_names() == [name]
    client.command(Command.RESET)  # reported only: it does not bar the way


def test_a_run_goes_on_once_the_jam_is_cleared_and_acknowledged() -> None:
    client = bench(
        'kind = "lane_jam"\nlane = 2\nat_output_mm = 300.0\nuntil = {state="held", for_s=5.0}'
    )
    feed(client, 1000.0)
    client.run_until_alarm(NUMBER["lane_stopped"], 200.0)
    client.run(8.0)
    assert client.telemetry().state == State.HELD
    to_go_mm = client.telemetry().length_to_go_mm
    client.acknowledge_all()
    client.command(Command.UNHOLD)
    client.run_until(State.COMPLETE, 200.0)
    assert client.telemetry().length_to_go_mm == 0.0
    assert 0 < to_go_mm < 1000.0
    assert client.telemetry().feed_position_mm == pytest.approx(1000.0, abs=0.001)
