"""The board bench: the ATmega328P's binary, cycle by cycle, with the plant around its pins."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from plylane_twin import core
from plylane_twin.layout import place, size
from plylane_twin.plant_parameters import fill
from plylane_twin.scenario import Fault, Scenario
from plylane_twin.stand import FRAME_MAX, POWER_ON, Stand

BUILT = Path(__file__).resolve().parents[1] / "uno" / "build" / "plylane.elf"  # by its make
CLOCK_HZ = 16_000_000
ANSWER_MS = 100  # not begun by then, an answer does not come; reading settings back takes 13


class BoardUnavailable(RuntimeError):  # noqa: N818  (an absence, not a fault)
    """The board bench is not part of this install; the message says what to do."""


class BoardError(RuntimeError):
    """The binary cannot be loaded, or has left its program; the message says which and where."""


def _load() -> tuple[Any, Any]:
    try:
        from plylane_twin._bench import ffi, lib
    except ImportError as error:
        raise BoardUnavailable(
            "the board bench was not built when plylane was installed: install libsimavr (Debian: "
            f"apt install libsimavr-dev) and a C compiler, and install plylane again ({error})"
        ) from error
    return ffi, lib


class Board(Stand):
    """The binary `elf` with its plant. The same scenario, seed and calls give the same bits.

    Raises BoardUnavailable, TwinUnavailable, BoardError for a file that is no program for this
    board, and ScenarioError when the scenario's plant values do not hold together.
    """

    def __init__(self, elf: str | Path, scenario: Scenario, seed: int = 7) -> None:
        self._ffi, self._lib = _load()
        self._core_ffi, self._core_lib = core.load()
        super().__init__(scenario, seed)
        self.elf = Path(elf)
        self._symbols: dict[str, int] = {}
        self._c: Any = self._open()
        parameters = self._ffi.new("struct plant_parameters *")
        fill(parameters, scenario.plant)
        self._lib.plant_init(self.plant, parameters, seed)
        self._taken = self._ffi.new("uint8_t[]", self._lib.LINE_KEPT)
        self._taken_ns = self._ffi.new("uint64_t[]", self._lib.LINE_KEPT)
        self._aside: bytearray | None = None  # exchange() takes answers past the adapter
        self._lib.bench_start(self._c, POWER_ON)
        self._schedule.look(self._situation())

    def _open(self) -> Any:
        if not self.elf.is_file():
            raise BoardError(f"{self.elf}: no such file; build it with: make -C firmware_sim/uno")
        no_program = f"{self.elf}: not a program for an AVR; give the board's ELF file"
        with self.elf.open("rb") as file:
            if file.read(4) != b"\x7fELF":  # the reader of such files prints a line of its own
                raise BoardError(no_program)
        bench = self._ffi.gc(self._ffi.new("struct bench *"), self._lib.bench_close)
        match self._lib.bench_open(bench, bytes(self.elf.resolve()), self.seed):
            case -1:
                raise BoardError(no_program)
            case -2:
                raise BoardError(f"{self.elf}: larger than the 32 KiB of an ATmega328P")
        return bench

    # ---- what is inside ----

    @property
    def bench(self) -> Any:
        """The bench, as a cffi `struct bench *`: pins, measurements, resets."""
        return self._c

    @property
    def plant(self) -> Any:
        """The plant, as a cffi `struct plant *`: the truth behind what the head measures."""
        return self._ffi.addressof(self._c, "plant")

    @property
    def powered(self) -> bool:
        """The head has power and is not held in reset."""
        return bool(self._c.powered)

    @property
    def heaters(self) -> int:
        """Heater pins that are high now, a bit a zone."""
        return int(self._c.heaters)

    @property
    def settings_memory(self) -> memoryview:
        """The chip's 1024 bytes of EEPROM, writable; they outlive a loss of power."""
        memory = self._lib.bench_settings(self._c)
        return memoryview(self._ffi.buffer(memory, self._lib.BENCH_SETTINGS_BYTES))

    @property
    def cycle(self) -> int:
        """The chip's clock cycles since this was made; they go on without power."""
        return int(self._lib.bench_cycle(self._c))

    def symbol(self, name: str) -> int:
        """Address of a symbol of the program. Raises KeyError."""
        if name not in self._symbols:
            self._symbols[name] = int(self._lib.bench_symbol(self._c, name.encode()))
        if self._symbols[name] < 0:
            raise KeyError(f"{self.elf} has no symbol {name}")
        return self._symbols[name]

    def memory(self, address: int, count: int) -> bytes:
        """`count` bytes of data memory; registers and ports lie below address 256."""
        return bytes(self._lib.bench_peek(self._c, at) for at in range(address, address + count))

    def poke(self, address: int, value: int) -> None:
        """Overwrite a byte of data memory or a register, past all side effects."""
        self._lib.bench_poke(self._c, address, value)

    def peek(self, path: str) -> int:
        """A field of the program's `struct head`, like ``machine.state``; integers only.

        Raises KeyError for a field that is not there.
        """
        offset, ctype = place(self._core_ffi.typeof("struct head"), path)
        count = size(ctype)
        raw = self.memory(self.symbol("head") + offset, count)
        signed = bool(ctype.cname.startswith("int"))
        return int.from_bytes(raw, "little", signed=signed)

    def _machine(self) -> tuple[int, int]:
        state = self.peek("machine.state")
        return state, self.peek("ms") - self.peek("machine.entered_ms")

    # ---- time and line ----

    def _run_to(self, ms: int) -> None:
        self._lib.bench_advance(self._c, ms - self._ms)
        self._ms = ms
        if self._c.to_host.count:
            self._collect()
        if self._c.crashed:
            message = self._ffi.string(self._c.message).decode(errors="replace").strip()
            raise BoardError(f"{self.elf}: the program ran off its rails at {ms} ms: {message}")

    def _collect(self) -> None:
        count = self._lib.bench_take(self._c, self._taken, self._taken_ns, self._lib.LINE_KEPT)
        data = bytes(self._ffi.buffer(self._taken, count))
        if self._aside is not None:
            self._aside += data
        else:
            self.line.arrive(data, self._ffi.unpack(self._taken_ns, count))

    def exchange(self, frame: bytes) -> bytes:
        """The answer to a whole request frame, b"" if there is none; past the adapter.

        The request goes to the chip character by character and time passes until the answer is
        whole. Raises ValueError when the frame is longer than Modbus allows.
        """
        if len(frame) > FRAME_MAX:
            raise ValueError(f"a Modbus frame has at most {FRAME_MAX} bytes, not {len(frame)}")
        self._aside = bytearray()
        try:
            self._lib.bench_send(self._c, frame, len(frame), self._after_silence_ns())
            self._await_answer(self._aside)
            return bytes(self._aside)
        finally:
            self._aside = None

    def _after_silence_ns(self) -> int:
        """When the first character can be complete: 3.5 characters after the last one's end."""
        character = int(self._lib.BENCH_CHARACTER_NS)
        last = int(max(self._c.came_at, self._c.sent_at)) * 125 // 2
        return max(self._ms * 1_000_000, last + 1_750_000) + character

    def _await_answer(self, answer: bytearray) -> None:
        quiet = 0
        while quiet < ANSWER_MS and not self._whole(bytes(answer)):
            before = len(answer)
            self.advance(1)
            quiet = 0 if len(answer) > before or self._c.to_head.count else quiet + 1

    def _whole(self, answer: bytes) -> bool:
        """The chip sends nothing more, and over a frame with its own CRC the CRC comes to 0."""
        still = bool(self._c.sent_at <= self.cycle)
        return still and len(answer) > 3 and not self._core_lib.link_crc(answer, len(answer))

    @property
    def line_busy(self) -> bool:
        """Characters are on their way, in either direction."""
        return bool(self._lib.bench_line_busy(self._c)) or self.line.on_its_way

    def _send(self, data: bytes, first_ns: int) -> None:
        self._lib.bench_send(self._c, data, len(data), first_ns)

    # ---- power and faults ----

    def cut_power_in(self, cycles: int) -> None:
        """Power fails so many clock cycles from now, as time passes."""
        self._c.cut_at = self.cycle + max(1, cycles)

    def cut_power_at_write(self, number: int) -> None:
        """Power fails half way through that settings byte, counted from 1 from now on."""
        self._c.cut_at_write = self._c.writes + number

    def _power_off(self) -> None:
        self._lib.bench_stop(self._c)

    def _power_on(self, cause: int) -> None:
        self._c.cut_at_write = 0
        self._lib.bench_start(self._c, cause)

    def _switch_plant(self, fault: Fault, on: bool) -> None:
        part = max(0, fault.part - 1)
        self._lib.plant_fault(
            self.plant, fault.what.code, part, fault.strength, fault.over_mm, int(on)
        )

    def _pulse_late(self) -> None:
        """Two and a half periods during which no interrupt is served."""
        self._lib.bench_stall(self._c, CLOCK_HZ * 25 // 160_000)
