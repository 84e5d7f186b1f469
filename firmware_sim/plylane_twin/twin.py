"""The twin: core and plant in virtual time, faults on schedule, a line, the in-process door."""

from __future__ import annotations

from typing import Any

from plylane.head.registers import State
from plylane_twin import core
from plylane_twin.faults import Schedule, Situation
from plylane_twin.line import Line
from plylane_twin.plant_parameters import fill
from plylane_twin.scenario import NO_CODE, Fault, Scenario

POWER_ON, EXTERNAL, BROWN_OUT, WATCHDOG = 1, 2, 4, 8  # RESET_CAUSE_ bits of the map
FRAME_MAX = 256
STATE_NAMES = {int(state): state.name.lower() for state in State}


class Twin:
    """One head with its plant. The same scenario, seed and calls give the same bits.

    Raises TwinUnavailable where the C core was not built, ScenarioError when the scenario's plant
    values do not hold together.
    """

    def __init__(self, scenario: Scenario, seed: int = 7) -> None:
        self._ffi, self._lib = core.load()
        self.scenario, self.seed = scenario, seed
        self._c: Any = self._ffi.new("struct twin *")
        self._lib.twin_init(self._c)
        self._start_plant()
        self._ms = 0
        self._answer = self._ffi.buffer(self._c.link.answer)
        self._taken = self._ffi.new("uint8_t[]", self._lib.LINE_KEPT)
        self._taken_ns = self._ffi.new("uint64_t[]", self._lib.LINE_KEPT)
        self._deaf_until_ms: int | None = None
        self._return_cause = POWER_ON
        self.line = Line(
            self._send,
            lambda: self._ms * 1_000_000,
            latency_ms=scenario.line.latency_ms,
            bit_error_rate=scenario.line.bit_error_rate,
            seed=seed,
        )
        self._schedule = Schedule(scenario.faults, self._switch)
        self._lib.twin_start(self._c, POWER_ON)
        self._schedule.look(self._situation())

    def _start_plant(self) -> None:
        parameters = self._ffi.new("struct plant_parameters *")
        fill(parameters, self.scenario.plant)
        self._lib.plant_init(self._ffi.addressof(self._c, "plant"), parameters, self.seed)

    # ---- what is inside ----

    @property
    def time_ms(self) -> int:
        """Virtual milliseconds since the twin was made."""
        return self._ms

    @property
    def time_s(self) -> float:
        """Virtual seconds since the twin was made."""
        return self._ms / 1000.0

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
    def settings_memory(self) -> memoryview:
        """The head's 1024 bytes of settings memory, writable; they outlive a loss of power."""
        return memoryview(self._ffi.buffer(self._c.store.bytes))

    # ---- time ----

    def advance(self, ms: int) -> None:
        """Run core, plant, line and faults for `ms` milliseconds. Raises ValueError below 0."""
        if ms < 0:
            raise ValueError(f"time runs forwards only, not by {ms} ms")
        end = self._ms + ms
        while self._ms < end:
            due = self._schedule.next_ms(self._ms)
            if self._deaf_until_ms is not None:
                due = min(due, self._deaf_until_ms)
            self._run_to(min(end, max(due, self._ms + 1)))
            if self._ms >= due:
                self._happen()

    def _run_to(self, ms: int) -> None:
        self._lib.twin_advance(self._c, ms - self._ms)
        self._ms = ms
        if self._c.link.to_host.count:
            self._collect()

    def _happen(self) -> None:
        """Something is due: the head comes out of reset, a fault comes or goes."""
        if self._deaf_until_ms is not None and self._ms >= self._deaf_until_ms:
            self._deaf_until_ms = None
            self._lib.twin_start(self._c, self._return_cause)
        self._schedule.look(self._situation())

    def _situation(self) -> Situation:
        head = self._c.head
        return Situation(
            self._ms,
            self._c.plant.cord_mm,
            STATE_NAMES.get(head.machine.state, "") if self._c.powered else "",
            head.ms - head.machine.entered_ms,
        )

    # ---- doors ----

    def exchange(self, frame: bytes) -> bytes:
        """The answer to a whole request frame, b"" if there is none. No time passes.

        The in-process door: it goes past the line and its timing, but through the head's own
        framing. Raises ValueError when the frame is longer than Modbus allows.
        """
        if len(frame) > FRAME_MAX:
            raise ValueError(f"a Modbus frame has at most {FRAME_MAX} bytes, not {len(frame)}")
        count = self._lib.twin_exchange(self._c, frame, len(frame))
        return bytes(self._answer[:count])

    @property
    def line_busy(self) -> bool:
        """Characters are on their way, in either direction."""
        link = self._c.link
        return bool(
            link.to_head.count or link.left or self._c.head.link.count or self.line.on_its_way
        )

    def _send(self, data: bytes, first_ns: int) -> None:
        self._lib.twin_send(self._c, data, len(data), first_ns)

    def _collect(self) -> None:
        count = self._lib.twin_take(self._c, self._taken, self._taken_ns, self._lib.LINE_KEPT)
        data = bytes(self._ffi.buffer(self._taken, count))
        self.line.arrive(data, self._ffi.unpack(self._taken_ns, count))

    # ---- power and faults ----

    def cut_power(self) -> None:
        """Take the head's power away; a settings byte being written is left erased."""
        self._deaf_until_ms = None
        self._lib.twin_stop(self._c)

    def restore_power(self, cause: int = POWER_ON) -> None:
        """Start the head anew with that reset cause (RESET_CAUSE_ bits of the map)."""
        self._deaf_until_ms = None
        self._lib.twin_start(self._c, cause)

    def reset(self, boot_s: float = 0.0, cause: int = EXTERNAL) -> None:
        """Reset the head; it stays deaf for `boot_s`, as a board does in its boot loader."""
        self._lib.twin_stop(self._c)
        self._return_cause = cause
        self._deaf_until_ms = self._ms + max(0, round(boot_s * 1000.0))
        if self._deaf_until_ms == self._ms:
            self.restore_power(cause)

    @property
    def faults(self) -> list[Fault]:
        """The faults of the scenario that stand now."""
        return self._schedule.standing

    def _switch(self, fault: Fault, on: bool) -> None:
        """Put a fault up or take it away."""
        if fault.what.code != NO_CODE:
            part = max(0, fault.part - 1)
            plant = self.plant
            self._lib.plant_fault(
                plant, fault.what.code, part, fault.strength, fault.over_mm, int(on)
            )
        elif fault.kind == "line_noise":
            self.line.set_noise(fault.strength if on else None)
        else:
            self._switch_head(fault.kind, on)

    def _switch_head(self, kind: str, on: bool) -> None:
        match kind, on:
            case "power_lost" | "brown_out", True:
                self.cut_power()
            case "power_lost", False:
                self.restore_power(POWER_ON)
            case "brown_out", False:
                self.restore_power(BROWN_OUT)
            case "watchdog_reset", True:
                self.restore_power(WATCHDOG)
            case "pulse_late", True:
                self._lib.head_overrun(self.head)
