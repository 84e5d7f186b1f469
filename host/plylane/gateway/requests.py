"""Modbus TCP requests taken apart, answers put together. No input, no output, no time.

MODBUS Application Protocol V1.1b3 for the functions, MODBUS Messaging on TCP/IP Implementation
Guide V1.0b for the header. Answers are pymodbus's. Requests are taken apart here, because
pymodbus's decoder does not tell an unknown function (01) from a malformed request (03).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
    WriteMultipleRegistersResponse,
    WriteSingleRegisterResponse,
)

from plylane.head.adu import READ_MAX, WRITE_MAX

HEADER = struct.Struct(">HHHB")
PDU_MAX = 253
_FRAMER = FramerSocket(DecodePDU(True))
READ_HOLDING, READ_INPUT, WRITE_ONE, WRITE_MANY = 3, 4, 6, 16


class Declined(Exception):  # noqa: N818
    """The request is answered with this exception code."""

    def __init__(self, code: ExcCodes) -> None:
        super().__init__(code.name)
        self.code = code


@dataclass(frozen=True, slots=True)
class Header:
    """The head of a frame; `size` is the PDU's, the unit address not counted."""

    transaction: int
    size: int
    unit: int


@dataclass(frozen=True, slots=True)
class Request:
    """A read of `count` registers, or, where there are `words`, a write of them."""

    function: int
    address: int
    count: int
    words: tuple[int, ...] = ()


def header_of(data: bytes) -> Header | None:
    """The header in seven bytes; None where they can be none, so the stream is lost."""
    transaction, protocol, length, unit = HEADER.unpack(data)
    if protocol != 0 or not 2 <= length <= PDU_MAX + 1:
        return None
    return Header(transaction, length - 1, unit)


def request_of(pdu: bytes) -> Request:
    """The request in a PDU of one byte or more. Raises Declined."""
    function, body = pdu[0], pdu[1:]
    if function not in (READ_HOLDING, READ_INPUT, WRITE_ONE, WRITE_MANY):
        raise Declined(ExcCodes.ILLEGAL_FUNCTION)
    request = _many(body) if function == WRITE_MANY else _short(function, body)
    if request is None:
        raise Declined(ExcCodes.ILLEGAL_VALUE)
    if request.address + request.count > 0x10000:
        raise Declined(ExcCodes.ILLEGAL_ADDRESS)
    return request


def _short(function: int, body: bytes) -> Request | None:
    if len(body) != 4:
        return None
    address, value = struct.unpack(">HH", body)
    if function == WRITE_ONE:
        return Request(function, address, 1, (value,))
    return Request(function, address, value) if 1 <= value <= READ_MAX else None


def _many(body: bytes) -> Request | None:
    if len(body) < 5:
        return None
    address, count, size = struct.unpack_from(">HHB", body)
    if not 1 <= count <= WRITE_MAX or size != 2 * count or len(body) != 5 + size:
        return None
    return Request(WRITE_MANY, address, count, struct.unpack_from(f">{count}H", body, 5))


def answer(request: Request, read: Sequence[int]) -> ModbusPDU:
    """The answer to a request that was carried out; `read` is what a read brought."""
    match request.function:
        case 3:
            return ReadHoldingRegistersResponse(registers=read)
        case 4:
            return ReadInputRegistersResponse(registers=read)
        case 6:
            return WriteSingleRegisterResponse(address=request.address, registers=request.words)
    return WriteMultipleRegistersResponse(address=request.address, count=request.count)


def declined(function: int, code: ExcCodes) -> ModbusPDU:
    """The answer to a request that was not."""
    return ExceptionResponse(function & 0x7F, code)


def framed(pdu: ModbusPDU, header: Header) -> bytes:
    """The answer's frame, bearing the request's transaction and unit."""
    pdu.transaction_id, pdu.dev_id = header.transaction, header.unit
    return _FRAMER.buildFrame(pdu)
