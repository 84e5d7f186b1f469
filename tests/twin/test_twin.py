"""The twin as a whole: the same every time, honest about power, time, line and missing parts."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st

from bare_head import frame, unwords, words
from doors import CLEAN, PATIENCE_S, open_port
from plylane.head.registers import (
    Command,
    CommandRegs,
    EventCode,
    FeedRegs,
    GuardsRegs,
    IdentityRegs,
    LinkCountersRegs,
    ResetCause,
    State,
    StoreAction,
    TelemetryRegs,
    ZoneMode,
    ZoneRegs,
    ZoneTelemetryRegs,
)
from plylane_twin import Scenario, ScenarioError, Twin
from plylane_twin._core import ffi, lib
from plylane_twin.line import BITS, CHARACTER_NS, BitErrors, at_head, at_host

SETPOINT = ZoneRegs.BLOCK.register("setpoint_degC").address
STORE = CommandRegs.BLOCK.register("store").address
DWELL = GuardsRegs.BLOCK.register("dwell_time_s")
SAVE_MS = 3000  # a copy has at most 512 bytes, 4 ms each


def bench(*lines: str) -> Scenario:
    return Scenario.parse(CLEAN + "\n".join(lines))


def fault(*lines: str) -> Scenario:
    return bench("[[fault]]", *lines)


def ask(twin: Twin, pdu: bytes) -> bytes:
    return twin.exchange(frame(1, pdu))[1:-2]


def write(twin: Twin, address: int, *values: int) -> None:
    pdu = b"\x10" + words([address, len(values)])
    assert ask(twin, pdu + bytes([2 * len(values)]) + words(list(values))) == pdu


def read(twin: Twin, block: object, function: int = 4) -> list[int]:
    where = block.BLOCK  # type: ignore[attr-defined]
    answer = ask(twin, bytes([function]) + words([where.address, where.words]))
    return unwords(answer[2:])


def telemetry(twin: Twin) -> TelemetryRegs:
    return TelemetryRegs.from_words(read(twin, TelemetryRegs))


def identity(twin: Twin) -> IdentityRegs:
    return IdentityRegs.from_words(read(twin, IdentityRegs))


def alarms(twin: Twin) -> int:
    return telemetry(twin).alarms_active


# ------------------------------------------------------------------------------ the same again


def heat(twin: Twin) -> None:
    for zone in range(2):
        write(twin, ZoneRegs.BLOCK.address_of(zone), ZoneMode.AUTOMATIC, 9500)
    write(twin, CommandRegs.BLOCK.address, Command.RESET)
    twin.advance(300)
    write(twin, CommandRegs.BLOCK.address, Command.START)


def story(twin: Twin, slices: Callable[[int], int]) -> bytes:
    """Heat up under faults for 30 s; everything measured and everything true on the way."""
    heat(twin)
    seen = b""
    for second in range(30):
        end = twin.time_ms + 1000
        while twin.time_ms < end:
            twin.advance(min(slices(second), end - twin.time_ms))
        twin.line.write(frame(1, b"\x04" + words([100, 63])))
        seen += twin.line.read(256)
        seen += ask(twin, b"\x04" + words([100, 63]))
    return seen + bytes(ffi.buffer(twin.plant))


FAULTS = fault(
    'kind = "sensor_stuck"',
    "zone = 2",
    "at_s = 3.3331",
    "for_s = 1.77",
    "[[fault]]",
    'kind = "line_noise"',
    "bit_error_rate = 0.001",
    "at_s = 5.0",
    "for_s = 12.0",
    "[[fault]]",
    'kind = "supply_low"',
    'at_state = "starting"',
    'until = { state = "starting", for_s = 4.0 }',
)


def test_the_same_seed_gives_the_same_run_to_the_bit() -> None:
    first, second = (story(Twin(FAULTS, seed=11), lambda _: 20) for _ in range(2))
    assert first == second


def test_another_seed_gives_another_run() -> None:
    assert story(Twin(FAULTS, seed=11), lambda _: 20) != story(Twin(FAULTS, seed=12), lambda _: 20)


def test_the_run_does_not_depend_on_how_time_is_sliced() -> None:
    whole = story(Twin(FAULTS, seed=3), lambda _: 1000)
    assert story(Twin(FAULTS, seed=3), lambda _: 1) == whole
    assert story(Twin(FAULTS, seed=3), lambda second: 7 + second) == whole


def test_many_twins_do_not_disturb_each_other() -> None:
    alone = story(Twin(FAULTS, seed=5), lambda _: 20)
    others = [Twin(FAULTS, seed=seed) for seed in range(3)]
    tangled = Twin(FAULTS, seed=5)

    def slices(_: int) -> int:
        for other in others:
            other.advance(13)
        return 20

    assert story(tangled, slices) == alone


# ------------------------------------------------------------------------------ faults in time


def standing(twin: Twin) -> list[str]:
    return [fault.kind for fault in twin.faults]


def test_a_fault_stands_from_its_start_for_its_time() -> None:
    twin = Twin(fault('kind = "stop_tripped"', "at_s = 0.5", "for_s = 0.25"))
    twin.advance(500)
    assert standing(twin) == ["stop_tripped"]
    twin.advance(249)
    assert standing(twin) == ["stop_tripped"]
    assert telemetry(twin).inputs & lib.INPUTS_STOP_TRIPPED
    twin.advance(1)
    assert standing(twin) == []
    twin.advance(2)
    assert not telemetry(twin).inputs & lib.INPUTS_STOP_TRIPPED


def test_a_fault_can_stand_from_the_beginning() -> None:
    assert standing(Twin(fault('kind = "heater_open"', "zone = 1", "at_s = 0.0"))) == [
        "heater_open"
    ]


def test_a_fault_begins_at_a_cord_length() -> None:
    twin = Twin(fault('kind = "permit_lost"', "at_output_mm = 5.0"))
    twin.advance(100)
    assert standing(twin) == []
    twin.plant.cord_mm = 5.0
    twin.advance(20)
    assert standing(twin) == ["permit_lost"]


def test_a_fault_comes_and_goes_with_the_machine_state() -> None:
    twin = Twin(
        fault('kind = "film"', 'at_state = "idle"', 'until = { state = "stopped", for_s = 1.0 }')
    )
    twin.advance(2000)
    assert standing(twin) == [], "Stopped, but it has not begun"
    write(twin, CommandRegs.BLOCK.address, Command.RESET)
    twin.advance(100)
    assert telemetry(twin).state is State.IDLE and standing(twin) == ["film"]
    write(twin, CommandRegs.BLOCK.address, Command.STOP)
    twin.advance(500)
    assert telemetry(twin).state is State.STOPPED and standing(twin) == ["film"]
    twin.advance(1100)
    assert standing(twin) == []


@pytest.mark.parametrize(
    ("lines", "cause"),
    [
        (('kind = "power_lost"', "for_s = 2.0"), ResetCause.POWER_ON),
        (('kind = "brown_out"', "for_s = 0.1"), ResetCause.BROWN_OUT),
        (('kind = "watchdog_reset"',), ResetCause.WATCHDOG),
    ],
    ids=["power", "brown-out", "watchdog"],
)
def test_resets_tell_their_cause(lines: tuple[str, ...], cause: ResetCause) -> None:
    twin = Twin(fault(*lines, "at_s = 5.0"))
    twin.advance(8000)
    assert identity(twin).reset_cause is cause
    assert telemetry(twin).head_ms <= 3000


def test_a_late_pulse_period_is_counted() -> None:
    twin = Twin(fault('kind = "pulse_late"', "at_s = 0.1"))
    twin.advance(200)
    assert telemetry(twin).pulse_overruns == 1


# ------------------------------------------------------------------------------ power


def test_without_power_nothing_answers_and_the_heaters_are_off() -> None:
    twin = Twin(bench())
    heat(twin)
    twin.advance(5000)
    given_J = twin.plant.heater_J[0]
    assert given_J > 100.0
    twin.cut_power()
    twin.line.write(frame(1, b"\x04" + words([100, 1])))
    twin.advance(5000)
    assert twin.exchange(frame(1, b"\x04" + words([100, 1]))) == b""
    assert twin.line.in_waiting == 0
    assert twin.plant.heater_J[0] == pytest.approx(given_J)
    twin.restore_power()
    assert telemetry(twin).state is State.STOPPED


def test_a_power_cut_cuts_an_answer_short() -> None:
    twin = Twin(bench())
    request = frame(1, b"\x04" + words([100, 63]))
    arrived_ms = len(request) * CHARACTER_NS // 1_000_000 + 1
    twin.line.write(request)
    twin.advance(arrived_ms + 5)
    twin.cut_power()
    twin.advance(50)
    assert 20 < twin.line.in_waiting < 131


def settings_after_cut(cut_ms: int) -> tuple[int, int]:
    """Save 99, then save 77 and lose power meanwhile: the value that comes up, and its origin."""
    twin = Twin(bench())
    write(twin, DWELL.address, 99)
    write(twin, STORE, StoreAction.SAVE)
    twin.advance(SAVE_MS)
    write(twin, DWELL.address, 77)
    write(twin, STORE, StoreAction.SAVE)
    twin.advance(cut_ms)
    twin.cut_power()
    twin.advance(10)
    twin.restore_power()
    (value,) = unwords(ask(twin, b"\x03" + words([DWELL.address, 1]))[2:])
    return value, identity(twin).settings_origin


def test_power_lost_at_any_byte_of_a_save_leaves_the_old_set_or_the_new_one() -> None:
    outcomes = [settings_after_cut(cut_ms) for cut_ms in range(0, 2000, 3)]
    values = [value for value, _ in outcomes]
    assert set(values) == {99, 77}, "the cuts must reach from before the save to after it"
    assert values == sorted(values, reverse=True), "once new, always new"
    good = (lib.SETTINGS_ORIGIN_FIRST_COPY, lib.SETTINGS_ORIGIN_SECOND_COPY)
    assert {origin for _, origin in outcomes} <= set(good)


def test_a_byte_of_settings_takes_four_milliseconds() -> None:
    twin = Twin(bench())
    write(twin, STORE, StoreAction.SAVE)
    twin.advance(100)
    written = sum(byte != 0xFF for byte in twin.settings_memory)
    assert 15 <= written <= 25
    assert telemetry(twin).status & lib.STATUS_SAVING


def test_the_byte_being_written_is_left_erased() -> None:
    twin = Twin(bench())
    twin.settings_memory[:] = bytes(1024)
    write(twin, STORE, StoreAction.SAVE)
    twin.advance(50)
    store = twin._c.store
    assert store.writing
    at = store.at
    twin.cut_power()
    assert twin.settings_memory[at] == 0xFF


# ------------------------------------------------------------------------------ the line


def test_an_answer_takes_as_long_as_its_characters() -> None:
    twin = Twin(bench("latency_ms = [0.0, 0.0]"))
    request = frame(1, b"\x04" + words([100, 63]))
    twin.line.write(request)
    answer = 5 + 2 * 63
    # 11 bits a character at 115200 baud
    least_ms = (len(request) + answer) * 11 / 115.2
    twin.advance(int(least_ms))
    assert 0 < twin.line.in_waiting < answer
    twin.advance(2)
    assert twin.line.in_waiting == answer


def test_the_adapter_hands_over_in_packets_after_its_latency() -> None:
    twin = Twin(bench("latency_ms = [3.0, 3.0]"))
    twin.line.write(frame(1, b"\x04" + words([100, 63])))
    sizes = []
    while twin.time_ms < 40:
        twin.advance(1)
        if waiting := twin.line.in_waiting:
            sizes.append(len(twin.line.read(waiting)))
    # the first character and what comes within 3 ms of it
    assert sizes[:3] == [32, 32, 32] and sum(sizes) == 131


@pytest.mark.parametrize("rate", [1e-4, 1e-2, 0.3])
def test_bit_errors_come_as_often_as_asked(rate: float) -> None:
    errors, characters = BitErrors(rate, seed=1), 200_000
    struck = [errors.strike(characters // 100).values() for _ in range(100)]
    wrong = sum(mask.bit_count() for masks in struck for mask in masks)
    expected = characters * BITS * rate
    # five standard deviations of a binomial count
    assert abs(wrong - expected) < 5.0 * (expected * (1.0 - rate)) ** 0.5


def test_a_clean_line_has_no_errors() -> None:
    assert BitErrors(0.0, seed=1).strike(10**9) == {}


@given(st.integers(0, 255), st.integers(1, (1 << BITS) - 1))
def test_the_heads_receiver_knows_every_single_wrong_bit(value: int, mask: int) -> None:
    """Parity finds any odd number of wrong bits, start and stop bit their own."""
    heard = at_head(value, mask)
    if mask.bit_count() == 1:
        assert heard is None
    if heard is not None:
        assert (heard != value) == bool(mask & 0x1FE)
    assert (at_host(value, mask) is None) == bool(mask & 1)


def test_noise_never_gets_a_wrong_frame_accepted() -> None:
    """Only written values ever stand in the register, and every right answer is an echo."""
    noisy = Scenario.parse(CLEAN.replace("rate = 0.0", "rate = 0.004"))
    twin = Twin(noisy, seed=21)
    written, heard = {0}, 0
    for value in range(100, 3100):
        request = frame(1, b"\x06" + words([SETPOINT, value]))
        written.add(value)
        twin.line.write(request)
        twin.advance(8)
        heard += twin.line.read(256) == request
        assert twin.head.live.zone[0].setpoint_degC in written
    counters = LinkCountersRegs.from_words(read(twin, LinkCountersRegs))
    assert counters.frames_bad > 300, "the noise must have been there"
    assert heard > 500, "and some must have got through"
    others = [twin.head.live.zone[k].mode for k in range(3)]
    assert others == [0, 0, 0] and telemetry(twin).state is State.STOPPED


def test_the_link_recovers_as_soon_as_the_noise_ends() -> None:
    twin = Twin(
        fault('kind = "line_noise"', "bit_error_rate = 0.2", "at_s = 0.0", "for_s = 1.0"), seed=2
    )
    request = frame(1, b"\x04" + words([100, 1]))
    while twin.time_ms < 1000:
        twin.line.write(request)
        twin.advance(4)
    twin.advance(10)
    twin.line.reset_input()
    twin.line.write(request)
    twin.advance(10)
    assert len(twin.line.read(256)) == 7


# ------------------------------------------------------------------------------ twin://


def test_virtual_time_passes_only_for_who_waits() -> None:
    with open_port("twin://demo?pace=virtual") as port:
        start = port.clock.now()
        assert port.read(1) == b""
        assert port.clock.now() == pytest.approx(start + PATIENCE_S, abs=0.0011)
        port.clock.sleep(3600.0)
        assert port.clock.now() == pytest.approx(start + PATIENCE_S + 3600.0, abs=0.0021)


def test_a_number_as_pace_is_a_multiple_of_real_time() -> None:
    with open_port("twin://demo?pace=500") as port:
        start = port.clock.now()
        port.clock.sleep(10.0)  # 20 ms of ours
        assert 10.0 <= port.clock.now() - start < 200.0
        assert port.twin.time_s == pytest.approx(port.clock.now(), abs=100.0)


def test_two_openings_are_two_twins_but_reopening_is_one() -> None:
    with open_port("twin://demo?pace=virtual") as one, open_port("twin://demo?pace=virtual") as two:
        assert one.twin is not two.twin
        twin = one.twin
        one.close()
        one.open()
        assert one.twin is twin


def test_a_kept_twin_is_met_again() -> None:
    url = "twin://demo?pace=virtual&keep=bench"
    with open_port(url) as port:
        port.clock.sleep(1.0)
        twin = port.twin
    with open_port(url) as port:
        assert port.twin is twin and port.clock.now() == 1.0


def test_opening_can_reset_the_board_which_then_is_deaf() -> None:
    url = "twin://demo?pace=virtual&boot_s=1.6&keep=boot"
    request = frame(1, b"\x04" + words([IdentityRegs.BLOCK.address, 9]))
    with open_port(url) as port:
        port.clock.sleep(5.0)
        assert port.twin.powered
    with open_port(url) as port:
        port.write(request)
        assert port.read(23) == b""
        port.clock.sleep(1.6)
        port.write(request)
        regs = IdentityRegs.from_words(unwords(port.read(23)[3:-2]))
        assert regs.reset_cause is ResetCause.EXTERNAL
        event = ask(port.twin, b"\x18" + words([768]))
        assert EventCode.HEAD_RESET in unwords(event[5:])[1::5]


def test_another_speed_or_parity_is_not_understood() -> None:
    request = frame(1, b"\x04" + words([100, 1]))
    with open_port("twin://demo?pace=virtual", serial.PARITY_NONE) as port:
        port.write(request)
        assert port.read(7) == b""
        port.parity = serial.PARITY_EVEN
        port.write(request)
        assert len(port.read(7)) == 7
        port.baudrate = 9600
        port.write(request)
        assert port.read(7) == b""


@pytest.mark.parametrize(
    ("url", "names"),
    [
        ("twin://", ["no scenario is named", "twin://demo"]),
        ("twin://demo?sed=3", ["no option sed", "twin://demo"]),
        ("twin://demo?seed=lucky", ["seed=lucky is not a number"]),
        ("twin://demo?pace=fast", ["'fast'", "virtual, wall or a positive number"]),
        ("twin://demo?pace=-1", ["'-1'", "positive"]),
        ("twin://demo?pace=nan", ["'nan'", "positive"]),
    ],
)
def test_a_bad_address_says_what_to_write(url: str, names: list[str]) -> None:
    with pytest.raises(serial.SerialException) as caught:
        open_port(url)
    for name in names:
        assert name in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_scenario_is_a_scenario_error(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"none\.toml: no such file"):
        open_port(f"twin://{tmp_path}/none.toml")


def test_a_closed_port_says_so() -> None:
    port = open_port("twin://demo?pace=virtual")
    port.close()
    for use in (lambda: port.read(1), lambda: port.write(b"x"), lambda: port.in_waiting):
        with pytest.raises(serial.PortNotOpenError):
            use()


# ------------------------------------------------------------------------------ without the core

WITHOUT_CORE = """
import sys
sys.modules["plylane_twin._core"] = None  # as where no compiler was
import serial
from plylane_twin import Scenario, Twin, TwinUnavailable
serial.protocol_handler_packages.append("plylane_twin")
for attempt in (lambda: Twin(Scenario.demo()), lambda: serial.serial_for_url("twin://demo")):
    try:
        attempt()
    except TwinUnavailable as error:
        print(error)
"""


def test_without_the_core_the_twin_says_what_is_missing_and_what_to_do() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_CORE], capture_output=True, text=True, check=True
    )
    lines = done.stdout.splitlines()
    assert len(lines) == 2 and lines[0] == lines[1]
    for word in ("C core", "install a C compiler", "a real head works without it"):
        assert word in lines[0]


# ------------------------------------------------------------------------------ in-process door


@settings(max_examples=300, deadline=None)
@given(st.lists(st.binary(max_size=256), min_size=1, max_size=4))
def test_whatever_is_sent_the_next_good_request_is_answered(frames: list[bytes]) -> None:
    twin = Twin(bench())
    for data in frames:
        twin.exchange(data)
    assert telemetry(twin).state is State.STOPPED


def test_a_frame_too_long_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="at most 256"):
        Twin(bench()).exchange(bytes(257))


def test_time_does_not_run_backwards() -> None:
    with pytest.raises(ValueError, match="forwards"):
        Twin(bench()).advance(-1)


# ------------------------------------------------------------------------------ head and plant


def test_a_head_with_default_settings_reads_the_temperatures_of_its_plant() -> None:
    """Cold, so that the seating error is nought; the rest is noise and the converter's step."""
    twin = Twin(bench())
    twin.advance(2000)
    for zone in range(2):
        regs = ZoneTelemetryRegs.from_words(
            unwords(ask(twin, b"\x04" + words([ZoneTelemetryRegs.BLOCK.address_of(zone), 4]))[2:])
        )
        assert regs.pv_degC == pytest.approx(twin.plant.block[zone].degC, abs=0.5)


def test_the_head_counts_what_its_plant_makes_of_a_jog() -> None:
    """Pulses out and quadrature edges back: forwards, then home again."""
    twin = Twin(bench())
    write(twin, CommandRegs.BLOCK.address, Command.RESET)
    twin.advance(300)
    for length_mm in (40, -40):
        raw = length_mm * 1000
        write(
            twin, FeedRegs.BLOCK.register("jog_length_mm").address, raw >> 16 & 0xFFFF, raw & 0xFFFF
        )
        twin.advance(12_000)
        head, plant = twin.head, twin.plant
        assert head.wheels.output_counts == plant.output_counts
        assert head.wheels.output_errors == 0
        assert [d.pulses for d in head.feed.drive] == [r.pulses for r in plant.roller]
        if length_mm > 0:
            assert plant.output_counts > 400, "the cord must have moved"
            assert head.feed.drive[0].pulses > 1500
    assert abs(twin.head.feed.drive[0].pulses) <= 1
