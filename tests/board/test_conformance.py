"""One suite through both heads: the twin, and the board's binary in its simulator.

Requests reach both through their own framing; on the board character by character. The last part
compares the two: where the same script from the same seed must give the same telemetry, and where
it cannot.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from doors import PATIENCE_S, Door, InProcess, Port, open_port
from heads import Make
from plylane.head.errors import Refused
from plylane.head.registers import (
    ALARMS,
    MAP_HASH,
    Board,
    Command,
    DriveSettingsRegs,
    FeedSource,
    IdentityRegs,
    SettingsOrigin,
    State,
    StoreAction,
    ZoneMode,
    ZoneTelemetryRegs,
)
from plylane_twin import Board as BoardBench
from plylane_twin.stand import Stand
from test_doors import (  # noqa: F401  (run here too, through this module's `door`)
    test_a_broadcast_is_obeyed_without_an_answer,
    test_a_refused_write_changes_nothing_and_says_why,
    test_a_written_setpoint_reads_back,
    test_another_unit_is_not_answered,
    test_device_identification_is_served,
    test_events_wait_in_the_queue_until_taken,
    test_exceptions,
    test_garbage_is_not_answered_and_does_no_harm,
    test_telemetry_shows_a_clock_that_runs,
    test_the_longest_read_comes_whole,
)
from twin_client import TwinClient

NUMBER = {alarm.name: alarm.number for alarm in ALARMS}
PULSES_PER_MM = DriveSettingsRegs.BLOCK.register("pulses_per_m").default * 0.01 / 1000.0
LIGHT = "block_mass_g = [20.0, 20.0, 20.0]"  # heats in seconds: the loop is not what is tried here
CLEAN = 'format = "plylane scenario 1"\nname = "clean line"\n[line]\nbit_error_rate = 0.0\n'
COUNT_MM = 0.05  # of the output wheel


# ---- link: the suite of the twin's doors


@pytest.fixture(params=["twin in process", "board in process", "twin line", "board line"])
def door(request: pytest.FixtureRequest, elf: Path, tmp_path: Path) -> Iterator[Door]:
    path = tmp_path / "clean.toml"
    path.write_text(CLEAN, encoding="utf-8")
    kind, _, way = request.param.partition(" ")
    board = f"&board={elf}" if kind == "board" else ""
    with open_port(f"twin://{path}?pace=virtual{board}") as port:
        port.clock.sleep(0.1)  # the board reads its settings first
        yield InProcess(port.twin) if way == "in process" else Port(port, PATIENCE_S)


def test_identity_names_the_board_and_this_project_s_map(make: Make) -> None:
    stand = make()
    stand.advance(50)
    identity = TwinClient(stand).client.read_block(IdentityRegs)
    assert identity.map_hash == MAP_HASH
    assert identity.board is (Board.ATMEGA328P if isinstance(stand, BoardBench) else Board.TWIN)
    assert identity.reset_cause == 1  # power-on


# ---- states

WALK = [
    (Command.RESET, State.IDLE),
    (Command.START, State.EXECUTE),
    (Command.HOLD, State.HELD),
    (Command.UNHOLD, State.EXECUTE),
    (Command.COMPLETE, State.COMPLETE),
    (Command.RESET, State.IDLE),
    (Command.ABORT, State.ABORTED),
    (Command.CLEAR, State.STOPPED),
]


def test_commands_lead_through_the_states(make: Make) -> None:
    client = TwinClient(make())
    client.run(0.2)
    barely_warm(client)
    for command, reached in WALK:
        client.command(command)
        client.run_until(reached, 3.0)
    assert client.telemetry().alarms_active == 0


def test_a_command_the_state_does_not_know_is_refused_in_words(make: Make) -> None:
    client = TwinClient(make())
    client.run(0.2)
    with pytest.raises(Refused, match=r"(?i)stopped"):
        client.command(Command.UNHOLD)
    assert client.telemetry().state == State.STOPPED


# ---- zones


def barely_warm(client: TwinClient) -> None:
    """Both zones in automatic, and content where they are: a start has nothing to wait for."""
    client.write("guards.settle_time_s", 0)
    for zone in range(2):
        client.write("zone_settings.band_degC", 5.0, zone)
        client.write("zone.setpoint_degC", 24.0, zone)
        client.write("zone.mode", ZoneMode.AUTOMATIC, zone)


def idle(stand: Stand) -> TwinClient:
    client = TwinClient(stand)
    client.run(0.3)
    client.command(Command.RESET)
    client.run_until(State.IDLE, 3.0)
    return client


def zones(client: TwinClient) -> tuple[ZoneTelemetryRegs, ...]:
    return client.client.snapshot().zones


def test_a_zone_reaches_its_setpoint_and_stays(make: Make) -> None:
    client = idle(make(plant=LIGHT))
    client.write("zone_settings.kp_percent_per_degC", 4.0, 0)
    client.write("zone_settings.ti_s", 40.0, 0)
    client.write("zone.setpoint_degC", 60.0, 0)
    client.write("zone.mode", ZoneMode.AUTOMATIC, 0)
    client.run(40.0)
    for _ in range(10):
        client.run(0.5)
        assert zones(client)[0].pv_degC == pytest.approx(60.0, abs=1.0)
    assert client.telemetry().alarms_active == 0
    true_degC = client.twin.plant.block[0].degC
    assert zones(client)[0].pv_degC == pytest.approx(
        true_degC, abs=1.5
    )  # seating: up to 1 K at 100


@pytest.mark.parametrize("percent", [7.0, 50.0, 93.0])
def test_heat_is_the_proportion_of_time_that_was_asked_for(make: Make, percent: float) -> None:
    stand = make(plant="supply_drift_percent = 0.0")
    client = idle(stand)
    client.write("zone.manual_op_percent", percent, 0)
    client.write("zone.mode", ZoneMode.MANUAL, 0)
    client.run(1.5)  # into the rhythm of whole windows
    before_J = stand.plant.heater_J[0]
    start_ms = stand.time_ms
    for _ in range(5):  # windows of a second, and the link must not fall silent
        client.telemetry()
        into_ms = stand.time_ms - start_ms
        stand.advance(1000 - into_ms % 1000)
    given_J = stand.plant.heater_J[0] - before_J
    share = given_J / (60.0 * (stand.time_ms - start_ms) / 1000.0)
    assert share * 100.0 == pytest.approx(percent, abs=0.25)  # heat goes in steps of 10 ms of 5 s


# ---- drives


def run_length(client: TwinClient, length_mm: float, speed_mm_s: float = 30.0) -> None:
    """Feed a length."""
    barely_warm(client)
    client.write("feed.source", FeedSource.LENGTH)
    client.write("feed.length_mm", length_mm)
    client.write("feed.speed_mm_s", speed_mm_s)
    client.command(Command.START)
    client.run_until(State.COMPLETE, 20.0 + length_mm / speed_mm_s)


def pulses(client: TwinClient) -> list[int]:
    return [drive.pulses for drive in client.client.snapshot().drives]


def test_a_length_is_its_number_of_pulses_on_every_drive(make: Make) -> None:
    client = idle(make())
    client.write("drive_settings.ratio_ppm", 12_345, 1)
    client.write("drive_settings.ratio_ppm", -20_000, 2)
    run_length(client, 150.0)
    for drive, ratio in enumerate((1.0, 1.012345, 0.98)):
        wanted = 150.0 * PULSES_PER_MM * ratio
        assert pulses(client)[drive] == pytest.approx(wanted, abs=1.0)
        assert client.twin.plant.roller[drive].pulses == pulses(client)[drive]
    assert client.telemetry().feed_position_mm == pytest.approx(150.0, abs=0.001)
    assert client.telemetry().pulse_overruns == 0


def test_a_jog_there_and_back_ends_where_it_began(make: Make) -> None:
    client = idle(make())
    for length_mm, where_mm in ((25.0, 25.0), (-40.0, -15.0), (15.0, 0.0)):
        client.write("feed.jog_drives", 0b101)
        client.write("feed.jog_speed_mm_s", 20.0)
        client.write("feed.jog_length_mm", length_mm)
        client.run(3.0)
        wanted = where_mm * PULSES_PER_MM
        assert pulses(client)[0] == pytest.approx(wanted, abs=1.0)
        assert pulses(client)[1] == 0
        assert pulses(client)[2] == pytest.approx(wanted, abs=1.0)
        assert client.twin.plant.roller[0].pulses == pulses(client)[0]


# ---- wheels


def test_wheels_count_what_they_turned(make: Make) -> None:
    stand = make()
    client = idle(stand)
    start = [lane.wheel_pulses for lane in stand.plant.lane]
    run_length(client, 120.0, 14.0)
    client.run(1.0)
    snapshot = client.client.snapshot()
    turned_mm = stand.plant.output_counts * COUNT_MM
    assert turned_mm > 90.0
    assert snapshot.telemetry.output_position_mm == pytest.approx(turned_mm, abs=COUNT_MM)
    for k in range(stand.plant.set.lanes):
        slots = stand.plant.lane[k].wheel_pulses - start[k]
        # one track tells no direction: a strip that gives its slack back over an edge counts on
        assert snapshot.lanes[k].position_mm == pytest.approx(slots * 0.5, abs=1.001)


# ---- guards


def feed(client: TwinClient) -> None:
    barely_warm(client)
    client.write("feed.source", FeedSource.LENGTH)
    client.write("feed.length_mm", 2000.0)
    client.write("feed.speed_mm_s", 20.0)
    client.command(Command.START)
    client.run_until(State.EXECUTE, 5.0)


GUARDS = {
    "sensor_open": ('kind = "sensor_open"\nzone = 2\nat_s = 2.0', None, 5.0, 2, "abort"),
    "sensor_shorted": ('kind = "sensor_shorted"\nzone = 1\nat_s = 2.0', None, 5.0, 1, "abort"),
    "stop_input": ('kind = "stop_tripped"\nat_s = 2.0', None, 3.0, 1, ""),
    "permit_lost": ('kind = "permit_lost"\nat_output_mm = 20.0', feed, 6.0, 1, ""),
    "feed_mismatch": ('kind = "output_wheel_stuck"\nat_output_mm = 20.0', feed, 20.0, 1, ""),
    "lane_stopped": ('kind = "lane_jam"\nlane = 4\nat_output_mm = 20.0', feed, 20.0, 8, ""),
    "pulse_overrun": ('kind = "pulse_late"\nat_output_mm = 20.0', feed, 6.0, 7, ""),
}
REACTED = {
    "hold": {State.HOLDING, State.HELD},
    "stop": {State.STOPPING, State.STOPPED},
    "abort": {State.ABORTING, State.ABORTED},
}


@pytest.mark.parametrize("alarm", GUARDS)
def test_a_fault_raises_its_alarm_and_the_head_reacts(make: Make, alarm: str) -> None:
    fault, begin, within_s, instances, _ = GUARDS[alarm]
    client = idle(make(fault))
    for zone in range(2):
        client.write("zone.manual_op_percent", 30.0, zone)
        client.write("zone.mode", ZoneMode.MANUAL, zone)
    if begin is not None:
        begin(client)
    client.run_until_alarm(NUMBER[alarm], within_s)
    client.run(0.6)
    reaction = ALARMS[NUMBER[alarm]].reaction
    assert client.instances(NUMBER[alarm]) == instances
    assert client.telemetry().state in REACTED[reaction]
    if reaction != "hold":
        client.run(0.2)
        assert client.heaters() == 0


def test_a_silent_link_holds_the_feed(make: Make) -> None:
    client = idle(make())
    feed(client)
    client.twin.advance(2_600)
    assert client.telemetry().state in REACTED["hold"]
    assert any("link silent" in text for text in client.event_texts())


@pytest.mark.parametrize("cause", ["watchdog_reset", "brown_out"])
def test_a_reset_is_reported_and_the_head_comes_up_stopped(make: Make, cause: str) -> None:
    lasting = "for_s = 0.5" if cause == "brown_out" else ""
    client = idle(make(f'kind = "{cause}"\nat_s = 3.0\n{lasting}'))
    client.write("zone.manual_op_percent", 100.0, 0)
    client.write("zone.mode", ZoneMode.MANUAL, 0)
    client.twin.advance(4_000)
    assert client.telemetry().state == State.STOPPED
    assert client.heaters() == 0
    assert client.alarm_names() == [{"brown_out": "brown_out_reset"}.get(cause, cause)]


# ---- settings


def saved(client: TwinClient, value: float) -> None:
    client.write("guards.mismatch_limit_mm", value)
    client.client.store(StoreAction.SAVE)


def origin(client: TwinClient) -> SettingsOrigin:
    return SettingsOrigin(client.client.read_block(IdentityRegs).settings_origin)


def restart(client: TwinClient) -> TwinClient:
    """Power goes and returns; a new client, as the head's clock began anew."""
    client.twin.cut_power()
    client.twin.advance(200)
    client.twin.restore_power()
    client.twin.advance(200)
    return TwinClient(client.twin)


def test_saved_settings_outlive_the_power(make: Make) -> None:
    client = TwinClient(make())
    client.run(0.3)
    assert origin(client) is SettingsOrigin.DEFAULTS
    for value in (7.25, 8.5, 6.0):
        saved(client, value)
        client.run(3.0)
        client = restart(client)
        assert client.client.read("guards.mismatch_limit_mm") == value
        assert origin(client) in (SettingsOrigin.FIRST_COPY, SettingsOrigin.SECOND_COPY)
    assert client.telemetry().alarms_active == 0


@pytest.mark.parametrize("after_ms", [3, 50, 400, 900, 1_150])
def test_power_cut_in_a_save_leaves_the_old_settings_or_the_new(make: Make, after_ms: int) -> None:
    client = TwinClient(make())
    client.run(0.3)
    saved(client, 7.25)
    client.run(3.0)
    saved(client, 8.5)
    client.twin.advance(after_ms)
    client = restart(client)
    assert client.client.read("guards.mismatch_limit_mm") in (7.25, 8.5)
    assert "settings_damaged" not in client.alarm_names()


def test_unsaved_settings_are_gone_after_a_restart(make: Make) -> None:
    client = TwinClient(make())
    client.run(0.3)
    before = client.client.read("guards.mismatch_limit_mm")
    client.write("guards.mismatch_limit_mm", before + 1.0)
    assert restart(client).client.read("guards.mismatch_limit_mm") == before
