"""What is seen of the zones, as arrays on the head's own clock."""

from __future__ import annotations

from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import ZoneMode
from plylane.head.snapshot import Snapshot
from plylane.tuning import Record

Floats = NDArray[np.float64]

PERIOD_S = 0.1
"""The head's loop: PV and OP change no oftener, so one sample a loop is all there is."""
IDLE_ROWS = 6_000
_WRAP_MS = 1 << 32
_PER_ZONE = 3


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Arrays (n): head time (s), feed (mm/s); by zone (zones, n): output (%), PV, SP (degC)."""

    time_s: Floats
    feed_mm_s: Floats
    op_percent: Floats
    pv_degC: Floats
    sp_degC: Floats

    def record(self, zone: int, heats: int | None = None) -> Record:
        """A zone's record; `heats` the zone whose output is the input, the same where left out.

        The other zones' PVs go with it. Raises RecordError.
        """
        op = self.op_percent[zone if heats is None else heats]
        others = [pv for number, pv in enumerate(self.pv_degC) if number != zone]
        return Record.of(self.time_s, op, self.pv_degC[zone], self.feed_mm_s, others)


class Log:
    """Written in the poller's thread, read from any."""

    def __init__(self, zones: int) -> None:
        self._zones = zones
        self._rows: Floats = np.zeros((1024, 2 + _PER_ZONE * zones))
        self._count = 0
        self._lock = Lock()
        self._last_ms: int | None = None
        self._epoch_ms = 0
        self.restarts = 0
        """How often the head's clock went back: it was reset."""

    @property
    def now_s(self) -> float:
        """Head time of the newest row; 0 before the first."""
        with self._lock:
            return float(self._rows[self._count - 1, 0]) if self._count else 0.0

    def head_s(self, head_ms: int) -> float:
        """The log's time of a time on the head's clock near now."""
        last = self._last_ms if self._last_ms is not None else head_ms
        away = (head_ms - last + _WRAP_MS // 2) % _WRAP_MS - _WRAP_MS // 2
        return (self._epoch_ms + last + away) / 1000.0

    def add(self, snapshot: Snapshot) -> None:
        """Keep a snapshot, where a loop of the head lies between it and the last one."""
        self._follow(snapshot.telemetry.head_ms)
        time_s = self.head_s(snapshot.telemetry.head_ms)
        row = [time_s, snapshot.telemetry.feed_speed_mm_s]
        for zone in snapshot.zones:
            row += [zone.op_percent, zone.pv_degC, zone.sp_degC]
        with self._lock:
            if self._count and time_s - self._rows[self._count - 1, 0] < PERIOD_S - 1e-6:
                return
            if self._count == len(self._rows):
                self._rows = np.concatenate((self._rows, np.zeros_like(self._rows)))
            self._rows[self._count] = row
            self._count += 1

    def forget_old(self) -> None:
        """While nothing is under way: keep the last minutes only."""
        with self._lock:
            if self._count > 2 * IDLE_ROWS:
                self._rows[:IDLE_ROWS] = self._rows[self._count - IDLE_ROWS : self._count]
                self._count = IDLE_ROWS

    def trace(self, from_s: float, to_s: float = float("inf")) -> Trace:
        """Copies of the rows with from_s <= time <= to_s."""
        with self._lock:
            rows = self._rows[: self._count]
            first = int(np.searchsorted(rows[:, 0], from_s))
            last = int(np.searchsorted(rows[:, 0], to_s, side="right"))
            taken = rows[first:last].copy()
        zones = [taken[:, 2 + k :: _PER_ZONE].T for k in range(_PER_ZONE)]
        return Trace(taken[:, 0], taken[:, 1], *zones)

    def mean(self, zone: int, last_s: float) -> tuple[float, float]:
        """Mean output and PV of a zone over the last seconds."""
        seen = self.trace(self.now_s - last_s)
        return float(seen.op_percent[zone].mean()), float(seen.pv_degC[zone].mean())

    def _follow(self, head_ms: int) -> None:
        """Unwrap the head's clock; one that goes back is a restart, and what was seen is void."""
        last, self._last_ms = self._last_ms, head_ms
        if last is None or head_ms >= last:
            return
        if last - head_ms > _WRAP_MS // 2:
            self._epoch_ms += _WRAP_MS
            return
        self.restarts += 1
        self._epoch_ms = 0
        with self._lock:
            self._count = 0


class Windows:
    """When each zone's time-proportioned window began, as far as was seen."""

    def __init__(self, zones: int) -> None:
        self._modes: list[ZoneMode | None] = [None] * zones
        self.start_s: list[float | None] = [None] * zones

    def mode_seen(self, zone: int, mode: ZoneMode) -> None:
        """A snapshot's mode, where no event told of it."""
        if self._modes[zone] is None:
            self._modes[zone] = mode

    def mode_event(self, zone: int, mode: ZoneMode, head_s: float) -> None:
        """The head begins a window when a zone leaves off."""
        if self._modes[zone] is ZoneMode.OFF and mode is not ZoneMode.OFF:
            self.start_s[zone] = head_s
        self._modes[zone] = mode

    def forget(self) -> None:
        """After a restart of the head."""
        self.__init__(len(self._modes))  # type: ignore[misc]
