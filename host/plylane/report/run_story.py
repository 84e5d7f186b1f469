"""What a report tells of a run's telemetry and events, gathered part by part.

Memory does not grow with the run: of every curve there is kept what a figure can show.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.curves import Band, state_bands, thinned
from plylane.head.registers import ALARMS, EventCode
from plylane.head.snapshot import Event, alarm_text, spaced
from plylane.head.wire import Alarm
from plylane.host_alarms import HOST_ALARMS
from plylane.runlog import Break, Run
from plylane.trends import NO_READING_DEGC, ZONE_COLUMNS, FloatArray

Curve = tuple[FloatArray, FloatArray]
"""Times (s) and values, shape (n,); a value that is not a number parts the line."""
Columns = Mapping[str, NDArray[Any]]

CURVE_COLUMNS = 450  # what a printed page shows; more would only make the file longer
NEAR_COLUMNS = 120
NEAR_S = 15.0
"""How much time is shown before and after a finding."""
INDEX_ROWS = 100
FEED_COLUMNS = ("feed_speed_mm_s", "output_speed_mm_s", "mismatch_mm")


def away_name(lane: int) -> str:
    """Name of the curve of a lane's distance from the median lane; `lane` from 1."""
    return f"lane{lane}_away_mm"


@dataclass
class Story:
    """A run along its time; curves by the names of their columns, lanes by `away_name`."""

    rows: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    fed_mm: float = 0.0
    laid_mm: float = 0.0
    bands: list[Band] = field(default_factory=list)
    curves: dict[str, Curve] = field(default_factory=dict)
    _index_s: list[float] = field(default_factory=list)

    @classmethod
    def of(cls, run: Run, breaks: Sequence[Break] = ()) -> Story:
        """Read a run once. Raises RunError."""
        story = cls(run.rows)
        parts: dict[str, list[Curve]] = {}
        for columns in run.chunks(_wanted(run, "state", "feed_position_mm", "output_position_mm")):
            share = -(-CURVE_COLUMNS * len(columns["time_s"]) // run.rows)
            for name, curve in _curves(run, columns, share):
                parts.setdefault(name, []).append(curve)
            story._follow(columns)
        gaps_s = [one.time_s for one in breaks if one.kind == "gap"]
        story.curves = {name: _parted(_joined(found), gaps_s) for name, found in parts.items()}
        return story

    def _follow(self, columns: Columns) -> None:
        time_s = columns["time_s"]
        if not self._index_s:
            self.first_s = float(time_s[0])
        self.last_s = float(time_s[-1])
        self.fed_mm = float(columns["feed_position_mm"][-1])
        self.laid_mm = float(columns["output_position_mm"][-1])
        self._index_s += time_s[::INDEX_ROWS].tolist()  # parts are whole hundreds of rows
        self.bands = _one_after_another([*self.bands, *state_bands(time_s, columns["state"])])

    def near(self, run: Run, at_s: float) -> dict[str, Curve]:
        """The curves around a time, from every row. Raises RunError."""
        start_s, end_s = at_s - NEAR_S, at_s + NEAR_S
        first = max(0, int(np.searchsorted(self._index_s, start_s)) - 1) * INDEX_ROWS
        stop = int(np.searchsorted(self._index_s, end_s, side="right")) * INDEX_ROWS
        for columns in run.chunks(_wanted(run), max(1, stop - first), first, stop):
            inside = (columns["time_s"] >= start_s) & (columns["time_s"] <= end_s)
            shown = {name: values[inside] for name, values in columns.items()}
            return dict(_curves(run, shown, NEAR_COLUMNS)) if inside.any() else {}
        return {}


def _wanted(run: Run, *more: str) -> list[str]:
    """Columns that a figure wants and the run has: an older log may lack some."""
    zones = (f"zone{k}_{what}" for k in range(1, run.info.zones + 1) for what in ZONE_COLUMNS)
    lanes = (f"lane{k}_position_mm" for k in range(1, run.info.lanes + 1))
    names = ("time_s", *more, *FEED_COLUMNS, *zones, *lanes)
    return [name for name in names if name not in run.missing]


def _curves(run: Run, columns: Columns, count: int) -> Iterator[tuple[str, Curve]]:
    time_s = columns["time_s"]
    lanes = [columns[f"lane{k}_position_mm"] for k in range(1, run.info.lanes + 1)]
    middle = np.median(lanes, axis=0)
    values = {away_name(k): mm - middle for k, mm in enumerate(lanes, 1)}
    values |= {name: columns[name] for name in FEED_COLUMNS if name in columns}
    values |= {name: _readable(columns[name]) for name in columns if name.startswith("zone")}
    for name, one in values.items():
        yield name, thinned(time_s, one, float(time_s[0]), float(time_s[-1]), count)


def _readable(values: FloatArray) -> FloatArray:
    return np.where(values > NO_READING_DEGC, values, np.nan)


def _joined(parts: Iterable[Curve]) -> Curve:
    times, values = zip(*parts, strict=True)
    return np.concatenate(times), np.concatenate(values)


def _parted(curve: Curve, gaps_s: Sequence[float]) -> Curve:
    """The curve, no line being drawn where there are no rows."""
    time_s, values = curve
    at = np.searchsorted(time_s, gaps_s, side="right")
    return np.insert(time_s, at, gaps_s), np.insert(values, at, np.nan)


def _one_after_another(bands: Sequence[Band]) -> list[Band]:
    """Bands that follow one another in the same state made one."""
    out: list[Band] = []
    for band in bands:
        if out and out[-1].state is band.state:
            out[-1] = replace(out[-1], end_s=band.end_s)
        else:
            if out:
                out[-1] = replace(out[-1], end_s=band.start_s)
            out.append(band)
    return out


_ALARMS = {alarm.number: alarm for alarm in (*ALARMS, *HOST_ALARMS)}


@dataclass(slots=True)
class AlarmSpan:
    """One alarm from when it was raised; None where the log does not have that."""

    argument: int
    raised_s: float | None = None
    over_s: float | None = None
    acknowledged_s: float | None = None

    @property
    def alarm(self) -> Alarm | None:
        """The alarm, of the register map or the host's; None for an unknown number."""
        return _ALARMS.get(self.argument >> 8)

    @property
    def by(self) -> str:
        """Who raised it: "head" or "host"."""
        return "head" if self.argument >> 8 < HOST_ALARMS[0].number else "host"

    @property
    def text(self) -> str:
        """Its name and whom it concerns, e.g. "lane stopped: lane 3"."""
        if self.by == "head" or self.alarm is None:
            return alarm_text(self.argument)
        return f"{spaced(self.alarm.name)}: {self.alarm.each} {(self.argument & 0xFF) + 1}"


def alarm_spans(events: Iterable[Event]) -> list[AlarmSpan]:
    """The alarms that events tell of, in the order in which they were raised."""
    spans: list[AlarmSpan] = []
    latest: dict[int, AlarmSpan] = {}
    for event in events:
        if event.code not in _OF_ALARMS:
            continue
        span = latest.get(event.argument)
        if event.code is EventCode.ALARM_RAISED or span is None:
            span = AlarmSpan(event.argument)
            spans.append(span)
            latest[event.argument] = span
        setattr(span, _OF_ALARMS[event.code], event.time_s)
    return spans


_OF_ALARMS = {
    EventCode.ALARM_RAISED: "raised_s",
    EventCode.ALARM_CLEARED: "over_s",
    EventCode.ALARM_ACKNOWLEDGED: "acknowledged_s",
}
