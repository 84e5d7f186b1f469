"""What every simulated head stands in: virtual time, faults on schedule, a line, power.

`Twin` is the core compiled for this computer, `Board` the board's own binary in a simulator. Both
are driven through this interface, and the doors (twin://, pty) take either.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any

from plylane.head.registers import State
from plylane_twin.faults import Schedule, Situation
from plylane_twin.line import Line
from plylane_twin.scenario import NO_CODE, Fault, Scenario

POWER_ON, EXTERNAL, BROWN_OUT, WATCHDOG = 1, 2, 4, 8  # RESET_CAUSE_ bits of the map
FRAME_MAX = 256
PERMIT_LOST = Fault(kind="permit_lost", at_s=0.0)
STATE_NAMES = {int(state): state.name.lower() for state in State}


class Stand(ABC):
    """One head with its plant. The same scenario, seed and calls give the same bits."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario, self.seed = scenario, seed
        self._ms = 0
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

    # ---- time ----

    @property
    def time_ms(self) -> int:
        """Virtual milliseconds since this was made."""
        return self._ms

    @property
    def time_s(self) -> float:
        """Virtual seconds since this was made."""
        return self._ms / 1000.0

    def advance(self, ms: int) -> None:
        """Run head, plant, line and faults for `ms` milliseconds. Raises ValueError below 0."""
        if ms < 0:
            raise ValueError(f"time runs forwards only, not by {ms} ms")
        end = self._ms + ms
        while self._ms < end:
            due = self._next_due_ms()
            self._run_to(min(end, max(due, self._ms + 1)))
            if self._ms >= due:
                self._happen()

    def _next_due_ms(self) -> int:
        due = self._schedule.next_ms(self._ms)
        return due if self._deaf_until_ms is None else min(due, self._deaf_until_ms)

    def _happen(self) -> None:
        """Something is due: the head comes out of reset, a fault comes or goes."""
        if self._deaf_until_ms is not None and self._ms >= self._deaf_until_ms:
            self.restore_power(self._return_cause)
        self._schedule.look(self._situation())

    @abstractmethod
    def _run_to(self, ms: int) -> None:
        """Run to that time, nothing else being due before; hand the line what the head sent."""

    # ---- what is inside ----

    @property
    @abstractmethod
    def plant(self) -> Any:
        """The plant, as a cffi `struct plant *`: the truth behind what the head measures."""

    @property
    @abstractmethod
    def powered(self) -> bool:
        """The head has power and is not held in reset."""

    @property
    @abstractmethod
    def heaters(self) -> int:
        """Heater switches that are on now, a bit a zone."""

    @property
    @abstractmethod
    def settings_memory(self) -> memoryview:
        """The head's 1024 bytes of settings memory, writable; they outlive a loss of power."""

    @abstractmethod
    def _machine(self) -> tuple[int, int]:
        """Machine state and how many milliseconds it has stood."""

    @property
    def state(self) -> str:
        """Machine state in lower case, "" without power."""
        return self._situation().state

    def _situation(self) -> Situation:
        state, state_ms = self._machine() if self.powered else (0, 0)
        return Situation(self._ms, self.plant.cord_mm, STATE_NAMES.get(state, ""), state_ms)

    # ---- doors ----

    @abstractmethod
    def exchange(self, frame: bytes) -> bytes:
        """The answer to a whole request frame, b"" if there is none; past the adapter.

        Raises ValueError when the frame is longer than Modbus allows.
        """

    @property
    @abstractmethod
    def line_busy(self) -> bool:
        """Characters are on their way, in either direction."""

    @abstractmethod
    def _send(self, data: bytes, first_ns: int) -> None:
        """Characters on their way to the head, the first complete at `first_ns`."""

    # ---- power and faults ----

    def cut_power(self) -> None:
        """Take the head's power away; a settings byte being written is left erased."""
        self._deaf_until_ms = None
        self._power_off()

    def restore_power(self, cause: int = POWER_ON) -> None:
        """Start the head anew with that reset cause (RESET_CAUSE_ bits of the map)."""
        self._deaf_until_ms = None
        self._power_on(cause)

    def reset(self, boot_s: float = 0.0, cause: int = EXTERNAL) -> None:
        """Reset the head; it stays deaf for `boot_s`, as a board does in its boot loader."""
        self._power_off()
        self._return_cause = cause
        self._deaf_until_ms = self._ms + max(0, round(boot_s * 1000.0))
        if self._deaf_until_ms == self._ms:
            self.restore_power(cause)

    @abstractmethod
    def _power_off(self) -> None:
        """Everything the head drives lets go."""

    @abstractmethod
    def _power_on(self, cause: int) -> None:
        """The head starts anew."""

    @property
    def faults(self) -> list[Fault]:
        """The faults of the scenario that stand now."""
        return self._schedule.standing

    def set_permit(self, given: bool) -> None:
        """The motion system gives or takes its permit."""
        self._switch_plant(PERMIT_LOST, not given)

    def _switch(self, fault: Fault, on: bool) -> None:
        """Put a fault up or take it away."""
        if fault.what.code != NO_CODE:
            self._switch_plant(fault, on)
        elif fault.kind == "line_noise":
            self.line.set_noise(fault.strength if on else None)
        else:
            self._switch_head(fault.kind, on)

    @abstractmethod
    def _switch_plant(self, fault: Fault, on: bool) -> None:
        """Put a fault of the plant up or take it away."""

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
                self._pulse_late()

    @abstractmethod
    def _pulse_late(self) -> None:
        """A pulse period comes too late."""
