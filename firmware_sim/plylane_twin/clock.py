"""How fast the twin's time runs: on its own, or held to the wall clock."""

from __future__ import annotations

import math
import time
from typing import Protocol

LOOK_S = 0.0005  # wall time between two looks at the line


class Timed(Protocol):
    """What a clock runs: a stand, or one with a robot beside it."""

    @property
    def time_ms(self) -> int:
        """Virtual milliseconds since it was made."""

    @property
    def time_s(self) -> float:
        """The same in seconds."""

    def advance(self, ms: int) -> None:
        """Let time pass."""


class Clock(Protocol):
    """Twin time in seconds, and ways to let it pass."""

    def now(self) -> float:
        """Seconds since the twin was made."""

    def sleep(self, seconds: float) -> None:
        """Let that much twin time pass."""

    def follow(self) -> None:
        """Bring the twin to now."""

    def wait(self) -> None:
        """Let a little time pass: a millisecond of twin time, or as long as one look takes."""


class VirtualClock:
    """Time moves only when somebody waits; single-threaded and the same in every run."""

    def __init__(self, twin: Timed) -> None:
        self._twin = twin

    def now(self) -> float:
        """Seconds since the twin was made."""
        return self._twin.time_s

    def sleep(self, seconds: float) -> None:
        """Run the twin for that long, to the millisecond above."""
        # a hair less, so that 0.02 s is 20 ms whatever the last bit of the product
        self._twin.advance(max(0, math.ceil(seconds * 1000.0 - 1e-6)))

    def follow(self) -> None:
        """Nothing to do: the twin is always at now."""

    def wait(self) -> None:
        """Run the twin for a millisecond."""
        self._twin.advance(1)


class PacedClock:
    """The wall clock times `pace`, from the moment this object is made."""

    def __init__(self, twin: Timed, pace: float) -> None:
        if not (math.isfinite(pace) and pace > 0.0):
            raise ValueError(f"pace must be a positive number, not {pace}")
        self._twin, self._pace = twin, pace
        self._start = time.monotonic() - twin.time_s / pace

    def now(self) -> float:
        """Seconds since the twin was made."""
        return (time.monotonic() - self._start) * self._pace

    def sleep(self, seconds: float) -> None:
        """Sleep for that much twin time."""
        time.sleep(max(0.0, seconds) / self._pace)
        self.follow()

    def follow(self) -> None:
        """Run the twin up to the wall clock."""
        self._twin.advance(max(0, int(self.now() * 1000.0) - self._twin.time_ms))

    def wait(self) -> None:
        """Sleep between two looks at the line."""
        time.sleep(LOOK_S)
        self.follow()


def clock_of(twin: Timed, pace: str | float) -> Clock:
    """The clock for `pace`: "virtual", "wall", or a number of times real time.

    Raises ValueError with the remedy when it is none of these.
    """
    if pace == "virtual":
        return VirtualClock(twin)
    try:
        return PacedClock(twin, 1.0 if pace == "wall" else float(pace))
    except ValueError as error:
        raise ValueError(
            f"pace {pace!r} is not understood: give virtual, wall or a positive number"
        ) from error
