"""Clocks, and the alignment of the head's milliseconds with the host's seconds."""

from __future__ import annotations

import math
import time
from collections import deque
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

_WRAP_MS = 1 << 32
_HALF_TICK_S = 0.0005
"""The head's clock shows whole milliseconds gone by: the middle of one is half a tick later."""
_DRIFT_PRIOR = 1.0 / 1e-3**2
"""Weight of the prior that drift is within some 1000 ppm; keeps the first few windows calm."""


class Clock(Protocol):
    """Time as a port knows it: of the wall, scaled, or virtual."""

    def now(self) -> float:
        """Seconds from an arbitrary start, never going back."""

    def sleep(self, seconds: float) -> None:
        """Let that many seconds go by."""


class WallClock:
    """The computer's monotonic clock."""

    def now(self) -> float:
        """Seconds from an arbitrary start."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Let that many seconds go by."""
        time.sleep(max(seconds, 0.0))


class Jump(Enum):
    """How a reading of the head's clock follows on the last one."""

    NONE = "none"
    RESET = "reset"
    """The head has started anew."""
    LEAP = "leap"
    """The clocks parted by more than drift can explain, e.g. the computer slept."""


@dataclass(slots=True)
class _Window:
    """Tightest bounds of (host - head) within one stretch of time, drift taken off."""

    start_s: float
    first_s: float
    last_s: float
    low_s: float = -math.inf
    high_s: float = math.inf

    def add(self, head_s: float, low_s: float, high_s: float) -> None:
        self.last_s = head_s
        self.low_s = max(self.low_s, low_s)
        self.high_s = min(self.high_s, high_s)

    @property
    def middle_s(self) -> float:
        return (self.low_s + self.high_s) / 2.0

    @property
    def width_s(self) -> float:
        return max(self.high_s - self.low_s, 0.0)


@dataclass(frozen=True, slots=True)
class _Point:
    """A closed window: at `head_s`, host - head is `offset_s`, give or take `width_s` / 2."""

    head_s: float
    offset_s: float
    width_s: float


class HeadClock:
    """Where the head's millisecond clock stands on the host's.

    Every round trip bounds the instant of the head's reading from both sides: not before the
    request had gone out, not after the answer began to come in. The tightest bounds of a window
    come from the trips that waited least in either direction; their middle is that window's
    offset, and a weighted straight line through the last windows gives offset and drift.

    Reading a remote clock by its quickest round trips: F. Cristian, Probabilistic clock
    synchronization, Distributed Computing 3 (1989); the minimum filter of RFC 5905, section 10.
    Line through the envelope of delays: Moon, Skelly, Towsley, INFOCOM 1999 (memory).

    What no method can see is a lasting difference between the ways out and back; half of it stays
    as error.
    """

    def __init__(self, window_s: float = 1.0, windows: int = 60) -> None:
        self._window_s = window_s
        self._points: deque[_Point] = deque(maxlen=windows)
        self._window: _Window | None = None
        self._last_ms: int | None = None
        self._epochs_ms = 0
        self._seen_s = 0.0
        self._zero_s = 0.0
        self._offset_s = 0.0
        self._drift = 0.0
        self.resets = 0

    @property
    def drift_ppm(self) -> float:
        """How much slower the head's clock runs than the host's, parts per million."""
        return self._drift * 1e6

    @property
    def ready(self) -> bool:
        """Whether a reading has been seen."""
        return self._last_ms is not None

    def observe(self, head_ms: int, sent_s: float, received_s: float) -> Jump:
        """Take in one reading.

        `head_ms` is the head's 32-bit clock; the reading was taken between `sent_s` (request gone
        out) and `received_s` (answer began), host seconds.
        """
        jump = self._judge(head_ms, received_s)
        if jump is not Jump.NONE:
            self._restart()
        elif self._last_ms is not None and head_ms < self._last_ms:
            self._epochs_ms += _WRAP_MS
        self.resets += jump is Jump.RESET
        self._last_ms = head_ms
        self._seen_s = received_s
        self._take(self._head_s(self._epochs_ms + head_ms), sent_s, received_s)
        return jump

    def host_s(self, head_ms: int) -> float:
        """Host seconds of a head time within 24 days of the last reading.

        Raises ValueError before the first reading.
        """
        if self._last_ms is None:
            raise ValueError("the head's clock has not been read yet")
        away_ms = (head_ms - self._last_ms + _WRAP_MS // 2) % _WRAP_MS - _WRAP_MS // 2
        head_s = self._head_s(self._epochs_ms + self._last_ms + away_ms)
        return head_s + self._offset_s + self._drift * (head_s - self._zero_s)

    @staticmethod
    def _head_s(unwrapped_ms: int) -> float:
        return unwrapped_ms / 1000.0 + _HALF_TICK_S

    def _judge(self, head_ms: int, received_s: float) -> Jump:
        if self._last_ms is None:
            return Jump.NONE
        head_went_s = (head_ms - self._last_ms) % _WRAP_MS / 1000.0
        host_went_s = received_s - self._seen_s
        # 0.25 s is far above any delay that still gets an answer, 1 in 1000 above any resonator
        slack_s = 0.25 + host_went_s * 1e-3
        if abs(head_went_s - host_went_s) <= slack_s:
            return Jump.NONE
        backwards = head_went_s > _WRAP_MS / 2000.0
        young = head_ms / 1000.0 <= host_went_s + slack_s
        return Jump.RESET if backwards or young else Jump.LEAP

    def _restart(self) -> None:
        """Forget the offset; the drift is the resonator's and stays."""
        self._points.clear()
        self._window = None
        self._epochs_ms = 0

    def _take(self, head_s: float, sent_s: float, received_s: float) -> None:
        window = self._window
        if window is not None and received_s - window.start_s >= self._window_s:
            self._close(window)
            window = None
        if window is None:
            if not self._points:
                self._zero_s = head_s
            window = self._window = _Window(received_s, head_s, head_s)
        drifted_s = head_s + self._drift * (head_s - self._zero_s)
        window.add(head_s, sent_s - drifted_s, received_s - drifted_s)
        if not self._points:
            self._offset_s = window.middle_s

    def _close(self, window: _Window) -> None:
        head_s = (window.first_s + window.last_s) / 2.0
        offset_s = window.middle_s + self._drift * (head_s - self._zero_s)
        self._points.append(_Point(head_s, offset_s, window.width_s))
        self._fit()

    def _fit(self) -> None:
        """Weighted least squares through the windows; the line is kept relative to `_zero_s`."""
        points = self._points
        weights = [1.0 / (p.width_s + _HALF_TICK_S) ** 2 for p in points]
        total = sum(weights)
        mean_s = sum(w * p.head_s for w, p in zip(weights, points, strict=True)) / total
        mean_offset_s = sum(w * p.offset_s for w, p in zip(weights, points, strict=True)) / total
        spread = sum(w * (p.head_s - mean_s) ** 2 for w, p in zip(weights, points, strict=True))
        if len(points) >= 3:
            cross = sum(
                w * (p.head_s - mean_s) * (p.offset_s - mean_offset_s)
                for w, p in zip(weights, points, strict=True)
            )
            self._drift = cross / (spread + _DRIFT_PRIOR)
        self._offset_s = mean_offset_s - self._drift * (mean_s - self._zero_s)
