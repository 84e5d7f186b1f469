"""Made-up snapshots, events and findings for the run log's tests, and files that fail."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from plylane.head.registers import (
    DriveTelemetryRegs,
    EventCode,
    Inputs,
    LaneTelemetryRegs,
    State,
    Status,
    TelemetryRegs,
    TrimState,
    ZoneMode,
    ZoneTelemetryRegs,
)
from plylane.head.snapshot import Event, Snapshot
from plylane.jam import Finding
from plylane.runlog import Entry, Recorder, RunInfo

SMALL = RunInfo(name="pendant lamp rib", zones=1, drives=1, lanes=1, seed=7)
FIVE_LANES = RunInfo(
    name="pendant lamp rib",
    zones=2,
    drives=3,
    lanes=5,
    versions={"plylane": "0.1.0"},
    head={"map_hash": "b0b9da4b", "board": "twin"},
    settings={"zone_settings.kp_percent_per_degC": [6.0, 5.0], "machine.lanes_fitted": 5},
    scenario={"name": "pendant lamp rib", "fault": [{"kind": "lane_jam", "lane": 3}]},
)


def snapshot(info: RunInfo, number: int, *, period_s: float = 0.02) -> Snapshot:
    """The `number`-th snapshot of a quiet run."""
    mm = 0.28 * number
    telemetry = TelemetryRegs(
        20 * number, State.EXECUTE, Inputs.PERMIT_GIVEN, Status.MOVING, 0, 0, 0, 0, 0,
        round(mm, 3), 14.0, 14.0, round(3000.0 - mm, 3), round(0.985 * mm, 3), 13.79, 0.02, 0, 0,
        round(0.985 * mm, 3), round(0.015 * mm, 2), TrimState.FIXED,
    )  # fmt: skip
    return Snapshot(
        number * period_s,
        telemetry,
        tuple(DriveTelemetryRegs(14 * number) for _ in range(info.drives)),
        tuple(ZoneTelemetryRegs(110.0, 110.0, 41.5, ZoneMode.AUTOMATIC) for _ in range(info.zones)),
        tuple(LaneTelemetryRegs(round(0.985 * mm, 1)) for _ in range(info.lanes)),
    )


EVENTS = [
    Event(1, EventCode.STATE_ENTERED, int(State.EXECUTE), 100, 0.1),
    Event(2, EventCode.ALARM_RAISED, 11 << 8 | 2, 900, 0.9),
]
FINDINGS = [
    Finding("strip_stuck", 0.85, 3, 5.2, {"onset_s": 0.5, "statistic_mm": 4.6}),
    Finding("head_jam", 0.95, None, 4.4, {"onset_s": 0.6}),
]

JOURNAL = [
    Entry(0.3, "joint", 2, "Lane 2: a joint has passed the wheel."),
    Entry(0.9, "writer_taken", None, "192.0.2.7 port 40000 writes"),
]


def record(folder: Path, info: RunInfo = SMALL, rows: int = 125, **options: Any) -> Recorder:
    """A recorder that has been told of so many snapshots, two of all else."""
    recorder = Recorder(folder, info, **options)
    recorder.on_events(EVENTS[:1])
    recorder.on_findings(FINDINGS[:1])
    recorder.on_journal(JOURNAL[:1])
    for number in range(rows):
        recorder.on_snapshot(snapshot(info, number))
    recorder.on_events(EVENTS[1:])
    recorder.on_findings(FINDINGS[1:])
    recorder.on_journal(JOURNAL[1:])
    return recorder


class FullDisk(io.FileIO):
    """A file on a disk with so many bytes left; takes what fits, like a real one, then ENOSPC."""

    left = 0  # bytes, shared by all files; set by the test

    def __init__(self, path: Path) -> None:
        super().__init__(path, "xb")

    def write(self, data: Any, /) -> int:
        fits = memoryview(data).cast("B")[: max(0, FullDisk.left)]
        if not fits:
            raise OSError(28, "No space left on device")
        FullDisk.left -= len(fits)
        return super().write(fits)
