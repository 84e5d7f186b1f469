"""What a screen draws of a live head: the limits it holds values against, and a ring of samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import GuardsRegs, MachineRegs, ZoneSettingsRegs
from plylane.head.snapshot import Snapshot

FloatArray = NDArray[np.float64]

NO_READING_DEGC = -273.15
"""A PV below absolute zero stands for a sensor that cannot be read."""


def _default(regs: type[GuardsRegs | MachineRegs | ZoneSettingsRegs], name: str) -> float:
    register = regs.BLOCK.register(name)
    return register.default * register.scale


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of the head that the screens hold values against; the map's defaults.

    The `_degC` limits have one number for each zone fitted; a zone beyond the end takes the last.
    """

    mismatch_mm: float = _default(GuardsRegs, "mismatch_limit_mm")
    lane_stall_mm: float = _default(GuardsRegs, "lane_stall_mm")
    band_degC: tuple[float, ...] = (_default(ZoneSettingsRegs, "band_degC"),)
    over_degC: tuple[float, ...] = (_default(ZoneSettingsRegs, "over_temperature_degC"),)
    setpoint_max_degC: tuple[float, ...] = (_default(ZoneSettingsRegs, "setpoint_max_degC"),)
    speed_max_mm_s: float = _default(MachineRegs, "speed_max_mm_s")


class Trends:
    """A ring of samples that one thread writes and another reads.

    Samples closer together than `period_s` are skipped, so that the ring reaches far back
    whatever the poll rate is.
    """

    def __init__(self, names: Sequence[str], capacity: int = 18_000, period_s: float = 0.2) -> None:
        self.names = tuple(names)
        self._columns = {name: k + 1 for k, name in enumerate(self.names)}
        self._rows: FloatArray = np.zeros((capacity, len(self.names) + 1))
        self._period_s = period_s
        self._written = 0
        self._lock = Lock()

    def __len__(self) -> int:
        return min(self._written, len(self._rows))

    def append(self, time_s: float, values: Sequence[float]) -> None:
        """Add a sample; `values` in the order of `names`, `time_s` never going back.

        Raises ValueError when the number of values is wrong.
        """
        if len(values) != len(self.names):
            raise ValueError(f"{len(self.names)} values wanted, got {len(values)}")
        with self._lock:
            last = self._rows[(self._written - 1) % len(self._rows), 0]
            if self._written and time_s - last < self._period_s - 1e-9:
                return
            self._rows[self._written % len(self._rows)] = (time_s, *values)
            self._written += 1

    def last_s(self) -> float:
        """Time of the newest sample, s; 0 when there is none."""
        with self._lock:
            if not self._written:
                return 0.0
            return float(self._rows[(self._written - 1) % len(self._rows), 0])

    def window(self, since_s: float, names: Sequence[str]) -> tuple[FloatArray, list[FloatArray]]:
        """Copies of the times (s, oldest first) and the named columns from `since_s` on.

        Raises KeyError for a name that is not in the ring.
        """
        columns = [0, *(self._columns[name] for name in names)]
        with self._lock:
            times = self._in_order(0)
            first = int(np.searchsorted(times, since_s))
            out = [self._in_order(column)[first:].copy() for column in columns]
        return out[0], out[1:]

    def _in_order(self, column: int) -> FloatArray:
        values = self._rows[:, column]
        if self._written <= len(values):
            return values[: self._written]
        split = self._written % len(values)
        return np.concatenate((values[split:], values[:split]))


ZONE_COLUMNS = ("pv_degC", "sp_degC", "op_percent")


def trend_names(zones: int) -> tuple[str, ...]:
    """Names of the trends that the Monitor draws, for that many zones."""
    zone_names = (f"zone{k}_{what}" for k in range(1, zones + 1) for what in ZONE_COLUMNS)
    return (*zone_names, "feed_speed_mm_s", "output_speed_mm_s", "mismatch_mm")


def trend_values(snapshot: Snapshot) -> tuple[float, ...]:
    """The sample of a snapshot, in the order of `trend_names`."""
    zones = (value for z in snapshot.zones for value in (z.pv_degC, z.sp_degC, z.op_percent))
    now = snapshot.telemetry
    return (*zones, now.feed_speed_mm_s, now.output_speed_mm_s, now.mismatch_mm)
