"""What the screens need from the outside: a live head, or a recorded run.

The screens read these and ask for things; they never touch a port or a file. Everything a
screen reads must be cheap: it is read several times a second in the screen's own thread.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import Command, GuardsRegs, ZoneSettingsRegs
from plylane.head.snapshot import Event, Snapshot
from plylane.jam.finding import Finding

FloatArray = NDArray[np.float64]


class LinkStatus(Protocol):
    """How the link to the head does."""

    @property
    def connected(self) -> bool:
        """Whether the head answers."""

    @property
    def text(self) -> str:
        """One readable line: what the link is or why it is down."""

    @property
    def polls_per_s(self) -> float:
        """Polls answered in the last second."""


def _default(block: type[GuardsRegs] | type[ZoneSettingsRegs], name: str) -> float:
    register = block.BLOCK.register(name)
    return register.default * register.scale


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of the head that the screens hold values against; the map's defaults.

    `band_degC` and `under_degC` have one number for each zone fitted; a zone beyond the end
    takes the last one.
    """

    mismatch_mm: float = _default(GuardsRegs, "mismatch_limit_mm")
    lane_stall_mm: float = _default(GuardsRegs, "lane_stall_mm")
    band_degC: tuple[float, ...] = (_default(ZoneSettingsRegs, "band_degC"),)
    over_degC: tuple[float, ...] = (_default(ZoneSettingsRegs, "over_temperature_degC"),)
    setpoint_max_degC: tuple[float, ...] = (_default(ZoneSettingsRegs, "setpoint_max_degC"),)
    speed_max_mm_s: float = 40.0


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


class LiveSession(Protocol):
    """A head being run. Calls return at once; what is refused shows up in `messages`."""

    @property
    def title(self) -> str:
        """What is being made, e.g. the scenario's name."""

    @property
    def identity(self) -> str:
        """Who answers: board, firmware version, port."""

    @property
    def latest(self) -> Snapshot | None:
        """The newest snapshot; None before the first."""

    @property
    def link(self) -> LinkStatus:
        """How the link does now."""

    @property
    def run_folder(self) -> Path | None:
        """Where the run is being logged; None when it is not."""

    @property
    def pace(self) -> float:
        """Times real time; 1 for a real head."""

    @property
    def limits(self) -> Limits:
        """The limits in force in the head."""

    @property
    def trends(self) -> Trends:
        """The ring of samples."""

    @property
    def events(self) -> Sequence[Event]:
        """Newest last."""

    @property
    def findings(self) -> Sequence[Finding]:
        """Of the live detectors, newest last."""

    @property
    def messages(self) -> Sequence[str]:
        """Lines for the user, newest last: refusals, resets, a full disk."""

    @property
    def alarm_instances(self) -> Mapping[int, int]:
        """By alarm number: a bit for each zone, drive or lane it concerns (alarm_detail)."""

    def allowed_commands(self) -> set[Command]:
        """What the head would take now."""

    def command(self, command: Command) -> None:
        """Ask for a change of state."""

    def acknowledge(self, alarm_number: int | None) -> None:
        """Acknowledge that alarm; None for all."""

    def set_setpoint(self, zone: int, setpoint_degC: float) -> None:
        """Ask for another setpoint; `zone` from 0."""

    def set_speed(self, speed_mm_s: float) -> None:
        """Ask for another feed speed."""


class Recording(Protocol):
    """A logged run. Column names are those of the run log."""

    @property
    def name(self) -> str:
        """Name of the run."""

    @property
    def info(self) -> Mapping[str, Any]:
        """run.toml as a dict; `name`, `started` and `end.state` are shown where they are there."""

    @property
    def torn(self) -> str | None:
        """Why the log ends early; None when it is whole."""

    @property
    def time_s(self) -> FloatArray:
        """Times of the rows, s, rising."""

    @property
    def events(self) -> Sequence[Event]:
        """Oldest first."""

    @property
    def findings(self) -> Sequence[Finding]:
        """In order of time."""

    def column(self, name: str) -> NDArray[Any]:
        """A column, as long as `time_s`. Raises KeyError when the log has none of that name.

        Asked for again at every move of the cursor: it must not be decoded anew each time.
        """
