"""A bare head: the C core with a port made of plain Python values, and no plant behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from pymodbus.framer import FramerRTU

from plylane_twin._core import ffi, lib

INPUT_STOP, INPUT_PERMIT = 0x0100, 0x0200  # port.h
ROOM_TEMPERATURE = 59577  # 10 kOhm NTC below 1 kOhm at 25 degC: 65535 * 10 / 11


@dataclass
class Port:
    """What the head sees and does. Tests set the upper half and look at the lower half."""

    converter: list[int] = field(default_factory=lambda: [ROOM_TEMPERATURE] * 3)
    inputs: int = INPUT_PERMIT
    eeprom: bytearray = field(default_factory=lambda: bytearray(b"\xff" * 1024))
    eeprom_busy: bool = False

    heaters: int = 0
    enabled: int = 0
    backwards: int = 0
    shear: bool = False
    shear_count: int = 0
    sent: list[bytes] = field(default_factory=list)
    steps: list[int] = field(default_factory=lambda: [0, 0, 0])  # net, a drive
    locked: int = 0


class Bare:
    """A head just reset. Everything is called from the test's thread, interrupts included."""

    def __init__(self, port: Port | None = None, reset_cause: int = 1) -> None:
        self.port = port or Port()
        self.head = ffi.new("struct head *")
        self._struct = ffi.new("struct port *")
        self._alive: list[Any] = []  # cffi callbacks die with the last reference
        self._connect()
        lib.head_init(self.head, self._struct, reset_cause)

    def _connect(self) -> None:
        p = self.port

        def shear(_: Any, on: int) -> None:
            p.shear_count += bool(on) and not p.shear
            p.shear = bool(on)

        def drives(_: Any, enabled: int, backwards: int) -> None:
            p.enabled, p.backwards = enabled, backwards

        def store_write(_: Any, at: int, value: int) -> int:
            if p.eeprom_busy:
                return 0
            p.eeprom[at] = value
            return 1

        def lock(_: Any) -> int:
            before, p.locked = p.locked, 1
            return before

        self._plug("converter", lambda _, zone: p.converter[zone])
        self._plug("heaters", lambda _, mask: setattr(p, "heaters", mask))
        self._plug("inputs", lambda _: p.inputs)
        self._plug("drives", drives)
        self._plug("shear", shear)
        self._plug("store_read", lambda _, at: p.eeprom[at])
        self._plug("store_write", store_write)
        self._plug("transmit", lambda _, data, count: p.sent.append(bytes(ffi.buffer(data, count))))
        self._plug("lock", lock)
        self._plug("unlock", lambda _, before: setattr(p, "locked", before))
        self._struct.board = lib.BOARD_TWIN

    def _plug(self, name: str, function: Callable[..., Any]) -> None:
        kind = dict(ffi.typeof("struct port").fields)[name].type
        self._alive.append(ffi.callback(kind, function))
        setattr(self._struct, name, self._alive[-1])

    # -------------------------------------------------------------------------------- time

    def tick(self, ms: int = 1) -> None:
        """Let milliseconds pass: sixteen pulse periods, one tick and one poll each."""
        for _ in range(ms):
            for _ in range(16):
                mask = lib.head_pulse(self.head)
                if mask:
                    self._step(mask)
            lib.head_tick(self.head)
            self.poll()

    def _step(self, mask: int) -> None:
        for drive in range(3):
            if mask >> drive & 1:
                self.port.steps[drive] += -1 if self.port.backwards >> drive & 1 else 1

    def silence(self, periods: int = 28) -> None:
        """Let pulse periods pass on the line only; nothing moves, no clock runs."""
        for _ in range(periods):
            lib.link_period(ffi.addressof(self.head.link))

    # -------------------------------------------------------------------------------- line

    def poll(self) -> list[bytes]:
        """The main loop comes round once; answers leave at once. Returns what was sent."""
        before = len(self.port.sent)
        lib.head_poll(self.head)
        sent = self.port.sent[before:]
        if sent:
            lib.head_sent(self.head)
        return sent

    def feed(self, data: bytes) -> None:
        """Bytes come in, one interrupt each."""
        for byte in data:
            lib.head_receive(self.head, byte)

    def request(self, frame: bytes) -> bytes:
        """One whole frame in, its answer out; b"" when silence passes without one."""
        self.feed(frame)
        sent = self.poll()
        if not sent:
            self.silence()
            sent = self.poll()
        assert len(sent) <= 1
        return sent[0] if sent else b""

    def ask(self, pdu: bytes, unit: int | None = None) -> bytes:
        """One PDU in, the answer's PDU out, address and CRC checked on the way."""
        unit = self.head.unit_address if unit is None else unit
        answer = self.request(frame(unit, pdu))
        if not answer:
            return b""
        assert answer == frame(unit, answer[1:-2])
        return answer[1:-2]

    # --------------------------------------------------------------------------- registers

    def read(self, address: int, count: int = 1, space: str = "holding") -> list[int]:
        """Registers as words. Raises AssertionError on an exception response."""
        function = 3 if space == "holding" else 4
        answer = self.ask(bytes([function]) + words([address, count]))
        assert answer[:2] == bytes([function, 2 * count]), f"refused: {answer.hex()}"
        return unwords(answer[2:])

    def write(self, address: int, values: list[int]) -> int:
        """Write words with function 16; returns 0 or the exception code."""
        head = words([address, len(values)]) + bytes([2 * len(values)])
        answer = self.ask(b"\x10" + head + words(values))
        return answer[1] if answer[0] & 0x80 else 0


def words(values: list[int]) -> bytes:
    return b"".join((v & 0xFFFF).to_bytes(2, "big") for v in values)


def unwords(data: bytes) -> list[int]:
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


def frame(unit: int, pdu: bytes) -> bytes:
    """RTU frame; the CRC is pymodbus's, so that it does not come from the core under test."""
    body = bytes([unit]) + pdu
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")
