"""One suite for every door of the twin: a Modbus client must not be able to tell them apart."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from bare_head import frame, unwords, words
from doors import DOORS, Door, ask
from plylane.head.registers import (
    FIFO_ADDRESS,
    MAP_HASH,
    Board,
    CommandRegs,
    EventCode,
    IdentityRegs,
    Refusal,
    RefusalRegs,
    State,
    TelemetryRegs,
    ZoneRegs,
    ZoneSettingsRegs,
)

READ_HOLDING, READ_INPUT, WRITE_ONE, WRITE = b"\x03", b"\x04", b"\x06", b"\x10"
ADDRESS, VALUE, FUNCTION = 2, 4, 1  # exception codes; 4 where the head refuses (design)


@pytest.fixture(params=DOORS.values(), ids=DOORS.keys())
def door(request: pytest.FixtureRequest, tmp_path: object) -> Iterator[Door]:
    with request.param(tmp_path) as opened:
        yield opened


def read(door: Door, function: bytes, address: int, count: int) -> list[int]:
    answer = ask(door, function + words([address, count]))
    assert answer[:2] == function + bytes([2 * count]), answer.hex()
    return unwords(answer[2:])


def setpoint_address() -> int:
    return ZoneRegs.BLOCK.register("setpoint_degC").address


def test_identity_carries_the_map_of_this_project(door: Door) -> None:
    block = IdentityRegs.BLOCK
    identity = IdentityRegs.from_words(read(door, READ_INPUT, block.address, block.words))
    assert identity.map_hash == MAP_HASH
    assert identity.board is Board.TWIN


def test_device_identification_is_served(door: Door) -> None:
    # V1.1b3, 6.21: MEI 14, read device id 1 (basic), object 0
    answer = ask(door, b"\x2b\x0e\x01\x00")
    assert answer[:3] == b"\x2b\x0e\x01"
    assert b"plylane" in answer


def test_telemetry_shows_a_clock_that_runs(door: Door) -> None:
    block = TelemetryRegs.BLOCK
    first = TelemetryRegs.from_words(read(door, READ_INPUT, block.address, block.words))
    second = TelemetryRegs.from_words(read(door, READ_INPUT, block.address, block.words))
    assert first.state is State.STOPPED
    assert 0 < second.head_ms - first.head_ms < 10_000


def test_the_longest_read_comes_whole(door: Door) -> None:
    # all telemetry blocks in one request, as the poller does
    words_read = read(door, READ_INPUT, TelemetryRegs.BLOCK.address, 63)
    assert len(words_read) == 63


def test_a_written_setpoint_reads_back(door: Door) -> None:
    assert ask(door, WRITE_ONE + words([setpoint_address(), 9500])) == WRITE_ONE + words(
        [setpoint_address(), 9500]
    )
    assert read(door, READ_HOLDING, setpoint_address(), 1) == [9500]


def test_a_refused_write_changes_nothing_and_says_why(door: Door) -> None:
    limit = ZoneSettingsRegs.BLOCK.register("setpoint_max_degC")
    too_high = limit.default + 1
    answer = ask(door, WRITE + words([setpoint_address(), 1]) + b"\x02" + words([too_high]))
    assert answer == bytes([0x90, VALUE])
    assert read(door, READ_HOLDING, setpoint_address(), 1) == [0]
    block = RefusalRegs.BLOCK
    refusal = RefusalRegs.from_words(read(door, READ_INPUT, block.address, block.words))
    assert refusal.reason is Refusal.SETPOINT_ABOVE_LIMIT
    assert (refusal.address, refusal.value) == (setpoint_address(), too_high)


def test_events_wait_in_the_queue_until_taken(door: Door) -> None:
    # V1.1b3, 6.18: byte count, FIFO count, then the registers
    answer = ask(door, b"\x18" + words([FIFO_ADDRESS]))
    queue = unwords(answer[5:])
    assert answer[:1] == b"\x18" and len(queue) % 5 == 0
    assert EventCode.HEAD_RESET in queue[1::5]
    assert ask(door, b"\x18" + words([FIFO_ADDRESS])) == answer, "reading must not take"
    last = queue[-5]
    taken = WRITE_ONE + words([CommandRegs.BLOCK.register("events_taken").address, last])
    assert ask(door, taken) == taken
    assert unwords(ask(door, b"\x18" + words([FIFO_ADDRESS]))[5:]) == []


@pytest.mark.parametrize(
    ("pdu", "exception"),
    [
        (READ_INPUT + words([60000, 1]), ADDRESS),
        (READ_HOLDING + words([60000, 1]), ADDRESS),
        (WRITE_ONE + words([60000, 1]), ADDRESS),
        (READ_INPUT + words([100, 0]), 3),
        (READ_INPUT + words([100, 126]), 3),
        (b"\x01" + words([0, 1]), FUNCTION),
        (b"\x41", FUNCTION),
    ],
    ids=["input", "holding", "write", "none", "too many", "coils", "unknown"],
)
def test_exceptions(door: Door, pdu: bytes, exception: int) -> None:
    assert ask(door, pdu) == bytes([pdu[0] | 0x80, exception])


def test_a_broadcast_is_obeyed_without_an_answer(door: Door) -> None:
    assert ask(door, WRITE_ONE + words([setpoint_address(), 8000]), unit=0) == b""
    assert read(door, READ_HOLDING, setpoint_address(), 1) == [8000]


def test_another_unit_is_not_answered(door: Door) -> None:
    assert ask(door, READ_INPUT + words([0, 1]), unit=9) == b""


def test_garbage_is_not_answered_and_does_no_harm(door: Door) -> None:
    assert door.send(b"\x01\x04\x00garbage") == b""
    spoilt = bytearray(frame(1, WRITE_ONE + words([setpoint_address(), 9000])))
    spoilt[-1] ^= 1
    assert door.send(bytes(spoilt)) == b""
    assert read(door, READ_HOLDING, setpoint_address(), 1) == [0]
