"""Faults that strike the board's binary itself: line, sensors, supply, a task that hangs."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from bare_head import frame, words
from heads import scenario
from plylane.head.names import address_of
from plylane.head.registers import (
    ALARMS,
    Command,
    IdentityRegs,
    LinkCountersRegs,
    ResetCause,
    State,
    StoreAction,
    ZoneMode,
)
from plylane_twin import Board, BoardError
from plylane_twin.measure import CUT_REGISTER, Bench, cut_in_save, save
from twin_client import TwinClient

NUMBER = {alarm.name: alarm.number for alarm in ALARMS}
MakeBoard = Callable[..., Board]
# ATmega328P: control registers of what may hang
ADCSRA, TIMSK1, EECR = 0x7A, 0x6F, 0x3F
ADSC, EEPE = 0x40, 0x02


def heating(board: Board) -> TwinClient:
    """Idle, zone 1 at full power."""
    client = TwinClient(board)
    client.run(0.3)
    client.command(Command.RESET)
    client.run_until(State.IDLE, 3.0)
    client.write("zone.manual_op_percent", 100.0, 0)
    client.write("zone.mode", ZoneMode.MANUAL, 0)
    client.run(1.0)
    assert client.heaters() == 1
    return client


# ---- the line


def test_a_line_that_is_cut_and_mended_finds_the_head_going_on(make_board: MakeBoard) -> None:
    client = heating(make_board())
    before = client.telemetry().head_ms
    client.twin.advance(10_000)
    assert client.heaters() == 0, "nobody speaks: a zone at a fixed output must not go on"
    telemetry = client.telemetry()
    assert telemetry.head_ms - before == pytest.approx(10_000, abs=60)
    assert telemetry.state == State.IDLE


def test_a_frame_cut_in_the_middle_is_dropped(make_board: MakeBoard) -> None:
    client = heating(make_board())
    bad = client.client.read_block(LinkCountersRegs).frames_bad
    client.twin.line.write(bytes.fromhex("01 10 00 2a 00 01 02"))
    client.twin.advance(50)
    assert client.twin.line.read(100) == b""
    assert client.client.read_block(LinkCountersRegs).frames_bad == bad + 1


def test_garbage_at_full_rate_is_borne(make_board: MakeBoard) -> None:
    board = make_board()
    client = heating(board)
    noise = random.Random(5)
    first = board.peek("ms")
    for k in range(100):  # 5 s: 524 characters fill 50 ms
        board.line.write(noise.randbytes(523))
        board.advance(50)
        # garbage is no host: after 2 s the link is silent
        assert board.heaters == (1 if k < 35 else 0 if k > 45 else board.heaters)
    assert board.peek("ms") - first == pytest.approx(5_000, abs=2)
    board.advance(20)
    board.line.reset_input()
    assert client.telemetry().state == State.IDLE
    assert board.bench.resets == 0


def test_garbage_beside_a_feed_loses_no_pulse(make_board: MakeBoard) -> None:
    board = make_board()
    client = heating(board)
    client.write("feed.jog_drives", 7)
    client.write("feed.jog_speed_mm_s", 20.0)
    client.write("feed.jog_length_mm", 60.0)
    noise = random.Random(6)
    for _ in range(80):
        board.line.write(noise.randbytes(523))
        board.advance(50)
    board.advance(20)
    board.line.reset_input()
    wanted = 60.0 * 50.92958
    assert list(board.bench.probe.net_steps) == pytest.approx([wanted] * 3, abs=1.0)
    assert client.telemetry().feed_position_mm == pytest.approx(60.0, abs=0.001)


# ---- sensors and inputs


def test_an_open_sensor_switches_its_heater_off_within_a_second(make_board: MakeBoard) -> None:
    board = make_board('kind = "sensor_open"\nzone = 1\nat_s = 3.0')
    client = heating(board)
    board.advance(3_000 - board.time_ms)
    assert board.heaters == 1
    board.advance(1_000)
    assert board.heaters == 0
    assert board.bench.heaters_off_at < 16_000 * 3_500
    client.run_until_alarm(NUMBER["sensor_open"], 1.0)


@pytest.mark.parametrize("state", ["BENCH_CHAIN_LOW", "BENCH_CHAIN_HIGH"])
def test_a_broken_data_wire_of_the_inputs_reads_as_stop(make_board: MakeBoard, state: str) -> None:
    board = make_board()
    client = heating(board)
    board.bench.chain_state = getattr(board._lib, state)
    client.run_until_alarm(NUMBER["stop_input"], 1.0)
    board.advance(500)
    assert board.heaters == 0


# ---- supply


def test_heaters_are_off_and_pins_float_without_power(make_board: MakeBoard) -> None:
    board = make_board()
    heating(board)
    board.cut_power_in(12_345)  # in the middle of a millisecond
    board.advance(1)
    assert (board.heaters, board.bench.enabled, board.powered) == (0, 0, False)
    board.advance(1_000)
    board.restore_power()
    for _ in range(100):
        board.advance(1)
        assert board.heaters == 0
    assert TwinClient(board).telemetry().state == State.STOPPED


@pytest.mark.parametrize("share", [0.0, 0.03, 0.5, 0.97, 1.0])
def test_supply_cut_in_a_byte_of_a_save(elf: Path, share: float) -> None:
    """The edges and some between; every byte: python -m plylane_twin.measure --every-byte."""
    bench = Bench(elf)
    bytes_of_a_save = save(bench)
    assert bytes_of_a_save > 100
    before = bench.client.read(CUT_REGISTER)
    value, fault = cut_in_save(bench, max(1, round(share * bytes_of_a_save)), 8.5)
    assert fault == ""
    assert value == before != 8.5, "the new set cannot stand before its last byte does"


# ---- a task that hangs


def wedge_converter(board: Board) -> None:
    """Between two batches: it shows a conversion under way that never ends."""
    while board.memory(ADCSRA, 1)[0] & ADSC:
        board.advance(1)
    board.poke(ADCSRA, board.memory(ADCSRA, 1)[0] | ADSC)


def wedge_timer(board: Board) -> None:
    """The pulse interrupt is shut: no pulses, no milliseconds."""
    board.poke(TIMSK1, 0)


def wedge_main_loop(board: Board) -> None:
    """The settings memory never gets ready, and the main loop waits for it."""
    board.bench.write_done_at = 2**62
    board.poke(EECR, EEPE)
    board.line.write(frame(1, b"\x06" + words([address_of("command.store"), StoreAction.RELOAD])))


WEDGES = {"converter": wedge_converter, "timer": wedge_timer, "main loop": wedge_main_loop}


@pytest.mark.parametrize("task", WEDGES)
def test_a_wedged_task_ends_in_a_watchdog_reset_with_heaters_off(
    make_board: MakeBoard, task: str
) -> None:
    board = make_board()
    heating(board)
    at = board.cycle
    WEDGES[task](board)
    while board.bench.resets == 0 and board.cycle - at < 32_000_000:
        board.advance(1)
    assert board.bench.resets == 1
    board.bench.write_done_at = 0  # mended, or the start would wait for it again
    board.poke(EECR, 0)
    off_after_s = (board.bench.reset_at - at) / 16e6  # a reset lets every pin go
    assert off_after_s < 1.0
    for _ in range(500):
        board.advance(1)
        assert board.heaters == 0
    client = TwinClient(board)
    assert client.client.read_block(IdentityRegs).reset_cause == ResetCause.WATCHDOG
    assert client.alarm_names() == ["watchdog_reset"]
    assert client.telemetry().state == State.STOPPED
    assert any("watchdog" in text.lower() for text in client.event_texts())
    assert board.bench.resets == 1  # and the watchdog is content again


# ---- the bench itself


def test_a_file_that_is_no_program_is_named_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(BoardError, match="make -C firmware_sim/uno"):
        Board(tmp_path / "none.elf", scenario())
    text = tmp_path / "text.elf"
    text.write_text("not a program, but long enough to hold what a header holds. " * 4)
    with pytest.raises(BoardError, match=r"text\.elf: not a program"):
        Board(text, scenario())


def test_the_same_seed_gives_the_same_bits(make_board: MakeBoard) -> None:
    def story(seed: int) -> bytes:
        board = make_board(seed=seed)
        board.advance(700)
        return board.exchange(bytes.fromhex("01 04 00 64 00 3a 31 c6")) + board.memory(0x100, 1400)

    assert story(3) == story(3)
    assert story(3) != story(4)
