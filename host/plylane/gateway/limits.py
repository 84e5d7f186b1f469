"""Who holds the pen, and how often anybody may ask. Time comes in as an argument, in seconds."""

from __future__ import annotations

import math
from typing import Generic, TypeVar

T = TypeVar("T")


class Budget:
    """A bucket that refills at a rate: `take` says how long to wait before going on."""

    def __init__(self, per_s: float, burst: float) -> None:
        self._per_s, self._burst = per_s, burst
        self._left = burst
        self._seen_s: float | None = None

    def take(self, now_s: float, most_s: float = math.inf) -> float | None:
        """Take one; seconds to wait until it is there. None: that is more than `most_s`."""
        if self._seen_s is not None:
            self._left = min(self._burst, self._left + (now_s - self._seen_s) * self._per_s)
        self._seen_s = now_s
        wait_s = max(0.0, (1.0 - self._left) / self._per_s)
        if wait_s > most_s:
            return None
        self._left -= 1.0
        return wait_s


class WriterSeat(Generic[T]):
    """At most one writer: the first keeps the seat until it leaves or has been silent too long."""

    def __init__(self) -> None:
        self.holder: T | None = None
        self._heard_s = 0.0

    def take(self, who: T, now_s: float) -> bool:
        """Whether `who` may write now. Call `expire` before."""
        if self.holder is not None and self.holder is not who:
            return False
        self.holder, self._heard_s = who, now_s
        return True

    def expire(self, now_s: float, silence_s: float) -> T | None:
        """Free the seat when its holder has been silent for so long; who lost it."""
        if self.holder is None or now_s - self._heard_s <= silence_s:
            return None
        return self.leave(self.holder)

    def leave(self, who: T) -> T | None:
        """`who` has gone; who lost the seat by that."""
        if self.holder is None or self.holder is not who:
            return None
        self.holder = None
        return who
