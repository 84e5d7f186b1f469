"""Records that were made earlier: CSV files, tuning records, run folders."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from plylane.runlog import Run
from plylane.tune_run.record_file import FILE, read_tuning
from plylane.tuning import (
    HEAD_SENSOR_LAG_S,
    PLAIN,
    Instrument,
    Record,
    RecordError,
    read_record_csv,
)


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A record, what is known about how it was made, and where the zone is to work."""

    record: Record
    instrument: Instrument = PLAIN
    setpoint_degC: float | None = None
    limits_percent: tuple[float, float] = (0.0, 100.0)


def read_source(path: Path, zone: int) -> Source:
    """The record of a zone (from 0) in a CSV file, a tuning record or a run folder.

    A run folder's tuning record is taken where it has the zone, else the whole of its telemetry.
    Raises RecordError, RunError.
    """
    if path.is_dir():
        return _of_run(path, zone)
    if path.suffix == ".json":
        found = _of_tuning(path, zone)
        if found is None:
            raise RecordError(f"{path}: has no zone {zone + 1}", "choose a zone that was tuned")
        return found
    return Source(read_record_csv(path))


def _of_tuning(file: Path, zone: int) -> Source | None:
    entry = read_tuning(file).zone(zone)
    if entry is None:
        return None
    return Source(entry.record, entry.known, entry.setpoint_degC, entry.limits_percent)


def _of_run(folder: Path, zone: int) -> Source:
    if (folder / FILE).is_file() and (found := _of_tuning(folder / FILE, zone)) is not None:
        return found
    run = Run.open(folder)
    number = zone + 1
    names = ["head_ms", f"zone{number}_op_percent", f"zone{number}_pv_degC", "feed_speed_mm_s"]
    others = [f"zone{other}_pv_degC" for other in range(1, run.info.zones + 1) if other != number]
    columns = run.columns([*names, *others])
    head_ms, op, pv, feed = (columns[name] for name in names)
    try:
        record = Record.of(head_ms / 1000.0, op, pv, feed, [columns[name] for name in others])
    except RecordError as error:
        raise RecordError(f"{folder}: {error.wrong}", error.remedy) from error
    return Source(record, Instrument(HEAD_SENSOR_LAG_S, _window_s(run, zone)))


def _window_s(run: Run, zone: int) -> float:
    windows = run.info.settings.get("zone_settings.window_ms")
    return float(windows[zone]) / 1000.0 if isinstance(windows, list) else 0.0
