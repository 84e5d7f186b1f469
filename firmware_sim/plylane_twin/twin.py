"""The twin: the head's own core and its plant in virtual time."""

from __future__ import annotations

from typing import Any

from plylane_twin import core
from plylane_twin.plant_parameters import fill
from plylane_twin.scenario import Fault, Scenario
from plylane_twin.stand import FRAME_MAX, POWER_ON, Stand


class Twin(Stand):
    """One head with its plant. The same scenario, seed and calls give the same bits.

    Raises TwinUnavailable where the C core was not built, ScenarioError when the scenario's plant
    values do not hold together.
    """

    def __init__(self, scenario: Scenario, seed: int = 7) -> None:
        self._ffi, self._lib = core.load()
        super().__init__(scenario, seed)
        self._c: Any = self._ffi.new("struct twin *")
        self._lib.twin_init(self._c)
        self._start_plant()
        self._answer = self._ffi.buffer(self._c.link.answer)
        self._taken = self._ffi.new("uint8_t[]", self._lib.LINE_KEPT)
        self._taken_ns = self._ffi.new("uint64_t[]", self._lib.LINE_KEPT)
        self._lib.twin_start(self._c, POWER_ON)
        self._schedule.look(self._situation())

    def _start_plant(self) -> None:
        parameters = self._ffi.new("struct plant_parameters *")
        fill(parameters, self.scenario.plant)
        self._lib.plant_init(self._ffi.addressof(self._c, "plant"), parameters, self.seed)

    # ---- what is inside ----

    @property
    def head(self) -> Any:
        """The head, as a cffi `struct head *`."""
        return self._ffi.addressof(self._c, "head")

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
        """Heater switches that are on now, a bit a zone."""
        return int(self._c.heaters)

    @property
    def settings_memory(self) -> memoryview:
        """The head's 1024 bytes of settings memory, writable; they outlive a loss of power."""
        return memoryview(self._ffi.buffer(self._c.store.bytes))

    def _machine(self) -> tuple[int, int]:
        head = self._c.head
        return head.machine.state, head.ms - head.machine.entered_ms

    # ---- time and line ----

    def _run_to(self, ms: int) -> None:
        self._lib.twin_advance(self._c, ms - self._ms)
        self._ms = ms
        if self._c.link.to_host.count:
            self._collect()

    def exchange(self, frame: bytes) -> bytes:
        """The answer to a whole request frame, b"" if there is none. No time passes.

        The in-process door: it goes past the line and its timing, but through the head's own
        framing. Raises ValueError when the frame is longer than Modbus allows.
        """
        if len(frame) > FRAME_MAX:
            raise ValueError(f"a Modbus frame has at most {FRAME_MAX} bytes, not {len(frame)}")
        count = self._lib.twin_exchange(self._c, frame, len(frame))
        return bytes(self._answer[:count])

    def record(self, frame: bytes, into: bytearray, row_bytes: int, period_ms: int) -> int:
        """Poll with `frame`, a read of registers, every `period_ms`: at once the same as `advance`
        and `exchange` in turn, without Python in between.

        Polls fall on multiples of `period_ms` since this twin was made. `into` takes the register
        bytes of the answers, `row_bytes` each. Returns how many it took: all that have room, or
        up to one behind which events wait in the head, or up to one not answered that way.
        """
        room, rows = len(into) // row_bytes, 0
        while rows < room:
            first_ms = period_ms - self._ms % period_ms
            undisturbed = (self._next_due_ms() - 1 - self._ms - first_ms) // period_ms + 1
            if undisturbed < 1:
                self.advance(first_ms)
                first_ms, undisturbed = 0, 1
            wanted = min(undisturbed, room - rows)
            how = (self._ffi.from_buffer(frame), len(frame), row_bytes, first_ms, period_ms)
            recording = self._ffi.new("struct twin_recording *", how)
            buffer = self._ffi.from_buffer("uint8_t[]", into) + rows * row_bytes
            taken = self._lib.twin_record(self._c, recording, buffer, wanted)
            self._ms = self._c.now_ns // 1_000_000
            rows += taken
            if taken < wanted or self._c.head.events.count:
                break
        return rows

    @property
    def line_busy(self) -> bool:
        """Characters are on their way, in either direction."""
        return self.frame_under_way or self.line.on_its_way

    @property
    def frame_under_way(self) -> bool:
        """Characters are on their way between line and head: an `exchange` would spoil a frame."""
        link = self._c.link
        return bool(link.to_head.count or link.left or self._c.head.link.count)

    def _send(self, data: bytes, first_ns: int) -> None:
        self._lib.twin_send(self._c, data, len(data), first_ns)

    def _collect(self) -> None:
        count = self._lib.twin_take(self._c, self._taken, self._taken_ns, self._lib.LINE_KEPT)
        data = bytes(self._ffi.buffer(self._taken, count))
        self.line.arrive(data, self._ffi.unpack(self._taken_ns, count))

    # ---- power and faults ----

    def _power_off(self) -> None:
        self._lib.twin_stop(self._c)

    def _power_on(self, cause: int) -> None:
        self._lib.twin_start(self._c, cause)

    def _switch_plant(self, fault: Fault, on: bool) -> None:
        part = max(0, fault.part - 1)
        self._lib.plant_fault(
            self.plant, fault.what.code, part, fault.strength, fault.over_mm, int(on)
        )

    def _pulse_late(self) -> None:
        self._lib.head_overrun(self.head)
