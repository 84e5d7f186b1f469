"""A head's far end for tests: registers, a Modbus RTU server on pymodbus's framer, a faulty line.

Nothing here comes from the code under test: frames are taken apart and built by pymodbus's server
side, and the clock stands still unless a test or a read moves it.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.file_message import ReadFifoQueueResponse
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
    WriteMultipleRegistersResponse,
    WriteSingleRegisterResponse,
)

from plylane.head.registers import (
    BLOCKS,
    FIFO_ADDRESS,
    MAP_HASH,
    PRODUCT,
    VENDOR,
    Board,
    Command,
    EventCode,
    Refusal,
    ResetCause,
    State,
)

BYTE_S = 11 / 115200
KEPT = 16


@dataclass
class FakeClock:
    """Time that passes only when somebody waits."""

    now_s: float = 100.0

    def now(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += max(seconds, 0.0)


@dataclass
class Fault:
    """What happens to one answer. Each field works by itself; all may be combined."""

    silent: bool = False  # the request is lost: the head never sees it
    mute: bool = False  # the head acts, the answer is lost
    late_s: float = 0.0
    corrupt: Callable[[bytes], bytes] | None = None
    gap_s: float = 0.0  # pause after each of `pieces` bytes
    pieces: int = 1
    exception: int = 0
    vanish: bool = False


GOOD = Fault()


class FakeHead:
    """Registers, a few state commands, an event queue; a clock of its own."""

    def __init__(self, clock: FakeClock, *, unit: int = 1, drift_ppm: float = 0.0) -> None:
        self.clock = clock
        self.unit = unit
        self.drift_ppm = drift_ppm
        self.input: dict[int, int] = {}
        self.holding: dict[int, int] = {}
        self.events: list[tuple[int, int, int, int]] = []
        self.sequence = 0
        self.writes: list[tuple[int, list[int]]] = []
        self.requests = 0
        self.refuse: Callable[[int, list[int]], tuple[Refusal, int] | None] = lambda a, w: None
        self.map_hash = MAP_HASH
        self.texts = {0: VENDOR, 1: PRODUCT, 2: f"0.1.0+{MAP_HASH:08x}"}
        self.functions = {3, 4, 6, 16, 24, 8, 43}
        self.boot_s = 0.0
        self.framer = FramerRTU(DecodePDU(True))
        for block in BLOCKS.values():
            space = self.input if block.space == "input" else self.holding
            for k in range(block.instances):
                for register in block.registers:
                    self.put(
                        space, register.address + k * block.words, register.default, register.words
                    )
        self.reset(ResetCause.POWER_ON, age_s=1000.0)

    # ---------------------------------------------------------------- registers

    @staticmethod
    def put(space: dict[int, int], address: int, value: int, words: int) -> None:
        raw = (value & 0xFFFFFFFF).to_bytes(4, "big")[4 - 2 * words :]
        for at in range(words):
            space[address + at] = int.from_bytes(raw[2 * at : 2 * at + 2], "big")

    def set(self, name: str, value: int, instance: int = 0) -> None:
        """Put a raw value into a register by name."""
        block = BLOCKS[name.split(".")[0]]
        register = block.register(name.split(".")[1])
        space = self.input if block.space == "input" else self.holding
        self.put(space, register.address + instance * block.words, value, register.words)

    def get(self, name: str, instance: int = 0) -> int:
        """Unsigned raw value of a register by name."""
        block = BLOCKS[name.split(".")[0]]
        register = block.register(name.split(".")[1])
        space = self.input if block.space == "input" else self.holding
        at = register.address + instance * block.words
        return int.from_bytes(
            b"".join(space[at + k].to_bytes(2, "big") for k in range(register.words)), "big"
        )

    # ---------------------------------------------------------------- life

    def ms_at(self, now_s: float) -> int:
        return max(0, int((now_s - self.boot_s) * (1.0 + self.drift_ppm * 1e-6) * 1000.0))

    def reset(self, cause: ResetCause, *, age_s: float = 0.0) -> None:
        self.boot_s = self.clock.now() - age_s
        self.set("identity.map_hash", self.map_hash)
        self.set("identity.version_minor", 1)
        self.set("identity.board", Board.TWIN)
        self.set("identity.reset_cause", cause)
        self.set("telemetry.state", State.STOPPED)
        self.events.clear()
        self.sequence = 0
        self.happen(EventCode.HEAD_RESET, cause)

    def happen(self, code: int, argument: int = 0) -> None:
        """Put an event into the queue; a full queue loses it."""
        self.sequence = self.sequence % 0xFFFF + 1
        if len(self.events) < KEPT:
            self.events.append((self.sequence, code, argument, self.ms_at(self.clock.now())))

    def _taken(self, sequence: int) -> None:
        numbers = [event[0] for event in self.events]
        if sequence in numbers:
            del self.events[: numbers.index(sequence) + 1]

    # ---------------------------------------------------------------- serving

    def answer(self, frame: bytes, at_s: float) -> bytes:
        """Answer to a frame that came whole at `at_s`; empty where a head keeps silent."""
        _, pdu = self.framer.handleFrame(frame, self.unit, 0)
        if pdu is None:
            return b""
        self.requests += 1
        self.set("telemetry.head_ms", self.ms_at(at_s))
        self.set("telemetry.events_waiting", len(self.events))
        reply = self._serve(pdu)
        reply.dev_id = self.unit
        return self.framer.buildFrame(reply)

    def _serve(self, pdu: ModbusPDU) -> ModbusPDU:
        code = pdu.function_code
        if code not in self.functions:
            return ExceptionResponse(code, 1)
        if code in (3, 4):
            return self._read(pdu)
        if code in (6, 16):
            return self._write(pdu)
        if code == 24:
            return self._fifo(pdu)
        if code == 43:
            texts = {k: v.encode() for k, v in self.texts.items()}
            return ReadDeviceInformationResponse(read_code=1, information=texts)
        return pdu  # 08/00: the answer is the request

    def _read(self, pdu: ModbusPDU) -> ModbusPDU:
        space = self.holding if pdu.function_code == 3 else self.input
        wanted = range(pdu.address, pdu.address + pdu.count)
        if any(at not in space for at in wanted):
            return ExceptionResponse(pdu.function_code, 2)
        kind = (
            ReadHoldingRegistersResponse if pdu.function_code == 3 else ReadInputRegistersResponse
        )
        return kind(registers=[space[at] for at in wanted])

    def _write(self, pdu: ModbusPDU) -> ModbusPDU:
        failed = self._change(pdu.address, list(pdu.registers))
        if failed:
            return ExceptionResponse(pdu.function_code, failed)
        if pdu.function_code == 6:
            return WriteSingleRegisterResponse(address=pdu.address, registers=pdu.registers)
        return WriteMultipleRegistersResponse(address=pdu.address, count=pdu.count)

    def _change(self, address: int, words: list[int]) -> int:
        refusal = self.refuse(address, words)
        if refusal is not None:
            value = int.from_bytes(struct.pack(f">{len(words)}H", *words), "big", signed=True)
            self.set("refusal.reason", refusal[0])
            self.set("refusal.address", address)
            self.set("refusal.value", value)
            return refusal[1]
        self.writes.append((address, words))
        self.holding.update({address + k: word for k, word in enumerate(words)})
        if address == 0 and words[0]:
            self._command(Command(words[0]))
        if address == 3:
            self._taken(words[0])
        return 0

    def _command(self, command: Command) -> None:
        towards = {
            Command.HOLD: State.HOLDING,
            Command.START: State.STARTING,
            Command.ABORT: State.ABORTING,
            Command.STOP: State.STOPPING,
        }
        if command in towards:
            self.set("telemetry.state", towards[command])

    def _fifo(self, pdu: ModbusPDU) -> ModbusPDU:
        if pdu.address != FIFO_ADDRESS:
            return ExceptionResponse(24, 2)
        words: list[int] = []
        for sequence, code, argument, ms in self.events[:6]:
            words += [sequence, code, argument, ms >> 16, ms & 0xFFFF]
        return ReadFifoQueueResponse(values=words)


@dataclass
class FakePort:
    """A serial port with a FakeHead behind a line of 115200 baud, 8E1.

    `faults` gives the fate of each answer in turn; when it runs out all is well. `latency` gives
    seconds for the way out and the way back.
    """

    head: FakeHead
    clock: FakeClock
    faults: Iterator[Fault] = field(default_factory=lambda: iter(()))
    latency: Callable[[], tuple[float, float]] = lambda: (0.001, 0.001)
    timeout: float | None = 0.15
    gone: bool = False
    wakes_s: float = 0.0  # a head in its boot loader hears nothing before
    boot_wait_s: float = 0.0  # what comes earlier makes the boot loader wait so long again
    closed: bool = False

    def __post_init__(self) -> None:
        self.coming: list[tuple[float, int]] = []
        self.written: list[tuple[float, bytes]] = []
        self.line_free_s = 0.0

    def inject(self, faults: Iterable[Fault]) -> None:
        self.faults = iter(faults)

    def _alive(self) -> None:
        if self.gone or self.closed:
            raise OSError(5, "Input/output error")

    @property
    def in_waiting(self) -> int:
        self._alive()
        return sum(1 for at_s, _ in self.coming if at_s <= self.clock.now())

    def reset_input_buffer(self) -> None:
        self._alive()
        self.coming = [(at, byte) for at, byte in self.coming if at > self.clock.now()]

    def close(self) -> None:
        self.closed = True

    def read(self, size: int = 1) -> bytes:
        self._alive()
        until_s = self.clock.now() + (self.timeout or 0.0)
        if len(self.coming) >= size and self.coming[size - 1][0] <= until_s:
            self.clock.now_s = max(self.clock.now(), self.coming[size - 1][0])
            got = self.coming[:size]
        else:
            self.clock.now_s = until_s
            got = [item for item in self.coming[:size] if item[0] <= until_s]
        del self.coming[: len(got)]
        return bytes(byte for _, byte in got)

    def write(self, data: bytes) -> int:
        self._alive()
        self.written.append((self.clock.now(), bytes(data)))
        fault = next(self.faults, GOOD)
        out_s, back_s = self.latency()
        heard_s = self.clock.now() + len(data) * BYTE_S + out_s
        if fault.vanish:
            self.gone = True
            return len(data)
        if heard_s < self.wakes_s:
            if self.boot_wait_s:
                self.wakes_s = heard_s + self.boot_wait_s
                self.head.boot_s = self.wakes_s
            return len(data)
        if fault.silent:
            return len(data)
        answer = self.head.answer(bytes(data), heard_s)
        if fault.exception and answer:
            reply = ExceptionResponse(data[1], fault.exception)
            reply.dev_id = self.head.unit
            answer = self.head.framer.buildFrame(reply)
        if fault.corrupt is not None:
            answer = fault.corrupt(answer)
        if not fault.mute:
            self._deliver(answer, heard_s + back_s + fault.late_s, fault)
        return len(data)

    def _deliver(self, answer: bytes, start_s: float, fault: Fault) -> None:
        """Bytes follow one another on the line, whatever came before them."""
        at_s = max(start_s, self.line_free_s)
        for k, byte in enumerate(answer):
            at_s += BYTE_S
            if fault.gap_s and k and k % fault.pieces == 0:
                at_s += fault.gap_s
            self.coming.append((at_s, byte))
        self.line_free_s = at_s
