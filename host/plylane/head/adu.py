"""Modbus RTU requests and the judging of what comes back. No input, no output, no time.

Encoding, decoding and the CRC are pymodbus's. Its way of hunting for a frame in a stream is not
used: an answer has to start at the first byte and match its request in unit, function, length and
echoed fields, or it is none. (Its frame length for function 24 over RTU is also two bytes short
in 3.16.)
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.diag_message import ReturnQueryDataRequest
from pymodbus.pdu.file_message import ReadFifoQueueRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

_DECODER = DecodePDU(False)
_FRAMER = FramerRTU(_DECODER)
EXCEPTION_BYTES = 5
READ_MAX = 125
WRITE_MAX = 123
_FIFO_MAX_BYTES = 2 + 2 * 31
"""V1.1b3, 6.18: at most 31 registers in an answer to function 24."""
_ADU_MAX = 256


class Garbled(Exception):  # noqa: N818
    """What came is no answer to the request."""


@dataclass(frozen=True, slots=True)
class Request:
    """A request ready to send.

    `size` is the whole length of a good answer, 0 where the answer itself tells; `echoed` is what
    the answer must begin with.
    """

    frame: bytes
    size: int
    echoed: bytes
    what: str

    def wanted(self, answer: bytes) -> int:
        """Bytes the whole answer has, as far as its beginning tells.

        Raises Garbled when the beginning cannot belong to an answer.
        """
        if len(answer) < EXCEPTION_BYTES:
            return EXCEPTION_BYTES
        if answer[1] & 0x80:
            return EXCEPTION_BYTES
        if self.size:
            return self.size
        return _fifo_size(answer) if self.frame[1] == 24 else _identification_size(answer)

    def judge(self, answer: bytes) -> ModbusPDU:
        """The answer's PDU (an ExceptionResponse where the head declined). Raises Garbled."""
        if len(answer) < EXCEPTION_BYTES or len(answer) != self.wanted(answer):
            raise Garbled("cut short")
        if not FramerRTU.check_CRC(answer[:-2], int.from_bytes(answer[-2:], "big")):
            raise Garbled("wrong check")
        if answer[0] != self.frame[0] or answer[1] & 0x7F != self.frame[1]:
            raise Garbled("another unit or function")
        if not answer[1] & 0x80 and not answer.startswith(self.echoed):
            raise Garbled("belongs to another request")
        pdu = _DECODER.decode(answer[1:-2])
        if pdu is None:
            raise Garbled("malformed")
        return pdu


def _request(pdu: ModbusPDU, what: str, size: int, echoed: int | bytes) -> Request:
    """Frame a PDU; `echoed`: what the answer begins with, or how much it repeats of the request."""
    frame = _FRAMER.buildFrame(pdu)
    return Request(frame, size, frame[:echoed] if isinstance(echoed, int) else echoed, what)


def _reading(pdu: ModbusPDU, what: str, count: int) -> Request:
    echoed = bytes((pdu.dev_id, pdu.function_code, 2 * count))
    return _request(pdu, what, EXCEPTION_BYTES + 2 * count, echoed)


def read_input(unit: int, address: int, count: int) -> Request:
    """Function 04, 1 to 125 registers."""
    pdu = ReadInputRegistersRequest(dev_id=unit, address=address, count=count)
    return _reading(pdu, f"reading {count} input registers from {address}", count)


def read_holding(unit: int, address: int, count: int) -> Request:
    """Function 03, 1 to 125 registers."""
    pdu = ReadHoldingRegistersRequest(dev_id=unit, address=address, count=count)
    return _reading(pdu, f"reading {count} holding registers from {address}", count)


def write(unit: int, address: int, words: Sequence[int]) -> Request:
    """Function 06 for one register, 16 for 2 to 123."""
    what = f"writing {len(words)} holding registers from {address}"
    if len(words) == 1:
        one = WriteSingleRegisterRequest(dev_id=unit, address=address, registers=words)
        return _request(one, what, 8, 8)
    many = WriteMultipleRegistersRequest(dev_id=unit, address=address, registers=words)
    return _request(many, what, 8, 6)


def read_fifo(unit: int, address: int) -> Request:
    """Function 24."""
    pdu = ReadFifoQueueRequest(dev_id=unit, address=address)
    return _request(pdu, f"reading the queue at {address}", 0, 2)


def identify(unit: int, first: int = 0) -> Request:
    """Function 43/14, basic identification from object `first` on."""
    pdu = ReadDeviceInformationRequest(dev_id=unit, read_code=1, object_id=first)
    return _request(pdu, "device identification", 0, 4)


def echo(unit: int, nonce: int) -> Request:
    """Function 08/00: the answer is the request."""
    pdu = ReturnQueryDataRequest(dev_id=unit, message=nonce)
    return _request(pdu, "echo", 8, 8)


def declined_echo(unit: int) -> bytes:
    """What a device answers to an echo when it does not know function 08."""
    pdu = ExceptionResponse(8, 1, device_id=unit)
    return _FRAMER.buildFrame(pdu)


def _fifo_size(answer: bytes) -> int:
    (count,) = struct.unpack_from(">H", answer, 2)
    if count > _FIFO_MAX_BYTES:
        raise Garbled("too long")
    return 6 + int(count)


def _identification_size(answer: bytes) -> int:
    """Walk the objects as far as they have come; V1.1b3, 6.21."""
    at, objects = 8, 1
    if len(answer) >= at:
        objects = answer[7]
    for _ in range(objects):
        if len(answer) < at + 2:
            return at + 2
        at += 2 + answer[at + 1]
    if at + 2 > _ADU_MAX:
        raise Garbled("too long")
    return at + 2
