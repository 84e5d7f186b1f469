"""Frames, limits and settings of the gateway, without sockets and without time.

Codes and quantities: MODBUS Application Protocol V1.1b3, 6.3, 6.4, 6.6, 6.12 and 7; header: MODBUS
Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3.
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from plylane.gateway import GatewayError, GatewaySettings
from plylane.gateway.limits import Budget, WriterSeat
from plylane.gateway.requests import Declined, Request, answer, framed, header_of, request_of

WORD = st.integers(0, 0xFFFF)
REQUESTS = st.one_of(
    st.builds(Request, st.sampled_from([3, 4]), st.integers(0, 60000), st.integers(1, 125)),
    st.builds(lambda at, word: Request(6, at, 1, (word,)), WORD, WORD),
    st.lists(WORD, min_size=1, max_size=123).flatmap(
        lambda words: st.builds(
            lambda at: Request(16, at, len(words), tuple(words)), st.integers(0, 60000)
        )
    ),
)


def pymodbus_pdu(request: Request) -> bytes:
    """The request as pymodbus's client side writes it."""
    at, words = request.address, request.words
    match request.function:
        case 3:
            pdu = ReadHoldingRegistersRequest(address=at, count=request.count)
        case 4:
            pdu = ReadInputRegistersRequest(address=at, count=request.count)
        case 6:
            pdu = WriteSingleRegisterRequest(address=at, registers=words)
        case _:
            pdu = WriteMultipleRegistersRequest(address=at, registers=words)
    return bytes([pdu.function_code]) + pdu.encode()


@given(REQUESTS)
def test_what_pymodbus_asks_is_understood(request: Request) -> None:
    assert request_of(pymodbus_pdu(request)) == request


@given(REQUESTS, WORD, st.integers(0, 255), st.data())
def test_pymodbus_understands_the_answer(
    request: Request, transaction: int, unit: int, data: st.DataObject
) -> None:
    words = data.draw(st.lists(WORD, min_size=request.count, max_size=request.count))
    header = header_of(struct.pack(">HHHB", transaction, 0, 2, unit))
    assert header is not None
    frame = framed(answer(request, words), header)
    used, pdu = FramerSocket(DecodePDU(False)).handleFrame(frame, 0, 0)
    assert used == len(frame) and pdu is not None
    assert (pdu.transaction_id, pdu.dev_id) == (transaction, unit)
    assert pdu.function_code == request.function
    if request.words:
        assert pdu.address == request.address
    else:
        assert list(pdu.registers) == words


@given(st.binary(min_size=1, max_size=260))
def test_any_bytes_are_a_request_or_declined_with_a_code_of_the_standard(pdu: bytes) -> None:
    try:
        request = request_of(pdu)
    except Declined as fault:
        assert fault.code == (1 if pdu[0] not in (3, 4, 6, 16) else fault.code)
        assert fault.code in (1, 2, 3)
    else:
        assert 1 <= request.count <= 125 and request.address + request.count <= 0x10000
        assert pymodbus_pdu(request) == pdu


@pytest.mark.parametrize(
    ("pdu", "code"),
    [
        (b"\x18\x03\x00", 1),  # the event queue is the host's
        (b"\x17\x00\x64\x00\x01\x00\x00\x00\x01\x02\x00\x00", 1),
        (b"\x2b\x0e\x01\x00", 1),
        (b"\x83", 1),
        (b"\x04\x00\x64\x00\x00", 3),
        (b"\x04\x00\x64\x00\x7e", 3),
        (b"\x04\x00\x64\x00", 3),
        (b"\x04\x00\x64\x00\x01\x00", 3),
        (b"\x04\xff\xff\x00\x02", 2),
        (b"\x10\x00\x17\x00\x01\x04\x00\x01", 3),
        (b"\x10\x00\x17\x00\x02\x02\x00\x01", 3),
        (b"\x10\x00\x17\x00\x00\x00", 3),
        (b"\x06\x00", 3),
    ],
)
def test_each_defect_has_its_code(pdu: bytes, code: int) -> None:
    with pytest.raises(Declined) as caught:
        request_of(pdu)
    assert caught.value.code == code


@pytest.mark.parametrize("length", [0, 1, 255, 256, 65535])
def test_a_header_that_can_be_none_is_told(length: int) -> None:
    assert header_of(struct.pack(">HHHB", 1, 0, length, 1)) is None
    assert header_of(struct.pack(">HHHB", 1, 1, 6, 1)) is None
    header = header_of(struct.pack(">HHHB", 7, 0, 254, 9))
    assert header is not None and (header.transaction, header.size, header.unit) == (7, 253, 9)


@given(st.lists(st.floats(0.0, 2.0), min_size=1, max_size=200))
def test_a_budget_never_grants_more_than_its_burst_and_its_rate(pauses: list[float]) -> None:
    budget, now_s = Budget(per_s=20.0, burst=5.0), 0.0
    for granted, pause in enumerate(pauses, start=1):
        now_s += pause
        now_s += budget.take(now_s) or 0.0
        assert granted <= 5.0 + 20.0 * now_s + 1e-6


@given(st.lists(st.floats(0.0, 0.2), min_size=1, max_size=100))
def test_a_budget_that_declines_takes_nothing(pauses: list[float]) -> None:
    budget, now_s, granted = Budget(per_s=5.0, burst=1.0), 0.0, 0
    for pause in pauses:
        now_s += pause
        granted += budget.take(now_s, most_s=0.0) is not None
        assert granted <= 1.0 + 5.0 * now_s + 1e-6
    assert budget.take(now_s + 1.0, most_s=0.0) == 0.0


@given(st.lists(st.tuples(st.sampled_from("ab"), st.floats(0.0, 1.0)), max_size=60))
def test_there_is_one_writer_and_it_keeps_the_seat_until_it_is_silent(
    tries: list[tuple[str, float]],
) -> None:
    seat: WriterSeat[str] = WriterSeat()
    now_s, holder, heard_s = 0.0, "", 0.0
    for who, pause in tries:
        now_s += pause
        seat.expire(now_s, 0.25)
        if holder and now_s - heard_s > 0.25:
            holder = ""
        may = holder in ("", who)
        assert seat.take(who, now_s) == may
        if may:
            holder, heard_s = who, now_s
        assert seat.holder == holder


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"listen": "1502"}, "no place to listen"),
        ({"listen": "127.0.0.1:"}, "no place to listen"),
        ({"listen": "127.0.0.1:65536"}, "no place to listen"),
        ({"listen": "cell:1502"}, "no address"),
        ({"listen": "127.0.0.1:1502", "writers": ["robot"]}, "no address"),
        ({"listen": "127.0.0.1:1502", "writable": ["feed.path"]}, "No register 'path'"),
        ({"listen": "127.0.0.1:1502", "writable": ["guards.path_timeout_ms"]}, "stored"),
        ({"listen": "127.0.0.1:1502", "writable": ["telemetry.head_ms"]}, "holding register"),
        ({"listen": "127.0.0.1:1502", "writable": ["command.events_taken"]}, "events_taken"),
    ],
)
def test_settings_that_cannot_be_are_refused_in_a_line(how: dict[str, str], words: str) -> None:
    with pytest.raises(GatewayError, match=words) as caught:
        GatewaySettings.of(**how)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_unless_told_otherwise_it_is_loopback_and_read_only() -> None:
    settings = GatewaySettings.of("127.0.0.1:1502")
    assert settings == GatewaySettings() and settings.loopback and not settings.writers
    assert GatewaySettings.of("[::1]:1502").loopback and GatewaySettings.of("localhost:1").loopback
    assert not GatewaySettings.of("0.0.0.0:1502").loopback
    assert not GatewaySettings.of("192.0.2.4:1502").loopback
