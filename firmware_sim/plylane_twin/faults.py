"""When the faults of a scenario come and go.

Conditions on cord length and machine state are looked at every LOOK_MS of twin time, on a grid that
does not depend on how the caller slices time, so a run is the same however it is driven.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from plylane_twin.scenario import Fault

LOOK_MS = 20
NEVER = 2**62


class Situation(NamedTuple):
    """What the conditions of faults look at."""

    time_ms: int
    output_mm: float  # true length of cord
    state: str  # machine state, lower case
    state_ms: int  # how long the machine has been in it


@dataclass(slots=True)
class _Entry:
    fault: Fault
    started_ms: int | None = None
    ended: bool = False

    @property
    def waiting(self) -> bool:
        return self.started_ms is None

    @property
    def standing(self) -> bool:
        return self.started_ms is not None and not self.ended

    def next_ms(self, now_ms: int) -> int:
        """When this fault wants to be looked at next, after now."""
        grid = (now_ms // LOOK_MS + 1) * LOOK_MS
        if self.ended:
            return NEVER
        if self.started_ms is None:
            return grid if self.fault.at_s is None else _ms(self.fault.at_s)
        if self.fault.for_s is not None:
            return self.started_ms + _ms(self.fault.for_s)
        return NEVER if self.fault.until is None else grid

    def starts(self, now: Situation) -> bool:
        fault = self.fault
        if fault.at_s is not None:
            return now.time_ms >= _ms(fault.at_s)
        if fault.at_output_mm is not None:
            return now.output_mm >= fault.at_output_mm
        return now.state == fault.at_state

    def ends(self, now: Situation) -> bool:
        assert self.started_ms is not None
        since_ms = now.time_ms - self.started_ms
        if self.fault.for_s is not None:
            return since_ms >= _ms(self.fault.for_s)
        until = self.fault.until
        if until is None or now.state != until.state:
            return False
        return min(now.state_ms, since_ms) >= _ms(until.for_s)


def _ms(seconds: float) -> int:
    return round(seconds * 1000.0)


class Schedule:
    """Calls `switch(fault, on)` as the faults come and go."""

    def __init__(self, faults: Sequence[Fault], switch: Callable[[Fault, bool], None]) -> None:
        self._entries = [_Entry(fault) for fault in faults]
        self._switch = switch

    @property
    def standing(self) -> list[Fault]:
        """The faults that stand now."""
        return [entry.fault for entry in self._entries if entry.standing]

    def next_ms(self, now_ms: int) -> int:
        """When `look` must be called next; NEVER when nothing is left to come or go."""
        return min((entry.next_ms(now_ms) for entry in self._entries), default=NEVER)

    def look(self, now: Situation) -> None:
        """Start and end what is due."""
        for entry in self._entries:
            if entry.waiting and entry.starts(now):
                entry.started_ms = now.time_ms
                self._switch(entry.fault, True)
            elif entry.standing and entry.ends(now):
                entry.ended = True
                self._switch(entry.fault, False)
