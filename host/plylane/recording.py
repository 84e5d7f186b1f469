"""A logged run, judged again by the detector that judges live ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import EventCode
from plylane.head.snapshot import Event
from plylane.jam import FeedWatch, Finding, StripEnds, WatchSettings, columns_used
from plylane.runlog import Break, Continuity, Run, RunError
from plylane.strips import STRIP_ENDS, ends_of


@dataclass(frozen=True)
class Recording:
    """What the Replay screen and the replay command look at."""

    run: Run
    findings: list[Finding]
    events: list[Event]
    breaks: tuple[Break, ...] = ()
    _columns: dict[str, NDArray[Any]] = field(default_factory=dict, repr=False, compare=False)

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Read a run and judge it, part by part: memory does not grow with it. Raises RunError."""
        run = Run.open(folder)
        watch, continuity = FeedWatch(watch_settings(run)), Continuity()
        findings: list[Finding] = []
        used = columns_used(run.info.lanes, run.info.zones)
        there = [name for name in used if name not in run.missing]
        for part in run.chunks(dict.fromkeys((*there, "head_ms"))):
            continuity.follow(part["time_s"], part["head_ms"])
            findings += watch.judge(part)
        breaks = tuple(sorted(continuity.breaks, key=lambda one: one.time_s))
        return cls(run, findings, events_of(run), breaks)

    @property
    def name(self) -> str:
        """Name of the run."""
        return self.run.info.name

    @property
    def info(self) -> Mapping[str, Any]:
        """What was run: identity, settings, versions."""
        return self.run.info.model_dump()

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is not as it should be with the log, a sentence each; none for a whole one."""
        told = [f"The log is torn: {self.run.torn}"] if self.run.torn else []
        if self.run.missing:
            told.append(f"Not recorded (another register map): {', '.join(self.run.missing)}")
        return (*told, *(f"{one.text[0].upper()}{one.text[1:]}" for one in self.breaks))

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Times of the rows, s."""
        return self.column("time_s")

    def column(self, name: str) -> NDArray[Any]:
        """A column, shape (rows,). Raises KeyError when the log has none of that name."""
        if name not in self._columns:  # a screen asks for the same ones at every move of its cursor
            if name not in self.run.telemetry_schema.names:
                raise KeyError(name)
            self._columns.update(self.run.columns([name]))
        return self._columns[name]

    def to_json(self) -> dict[str, Any]:
        """Rows and findings in a form that `json.dumps` takes."""
        found = [finding.to_json() for finding in self.findings]
        return {
            "run": str(self.run.folder),
            "rows": self.run.rows,
            "torn": self.run.torn,
            "missing": list(self.run.missing),
            "breaks": [one.text for one in self.breaks],
            "findings": found,
        }


def watch_settings(run: Run) -> WatchSettings:
    """The detector settings that were in force when the run was recorded, and what was known of
    its strips. Raises RunError."""
    ends = _strip_ends(run)
    slip_percent = run.info.settings.get("machine.expected_slip_percent")
    if slip_percent is None:
        return WatchSettings(strip_ends=ends)
    try:
        return WatchSettings(expected_slip=float(slip_percent) / 100, strip_ends=ends)
    except (TypeError, ValueError) as error:
        place = f"machine.expected_slip_percent is {slip_percent!r}"
        raise RunError(run.folder / "run.toml", place, "give the slip in percent") from error


def _strip_ends(run: Run) -> tuple[StripEnds, ...]:
    lines = (line for line in run.journal_entries() if line.kind == STRIP_ENDS and line.lane)
    try:
        return tuple(StripEnds(line.time_s, line.lane or 0, ends_of(line.text)) for line in lines)
    except ValueError as error:
        raise RunError(run.folder / "journal", str(error), "leave out this line") from error


def events_of(run: Run) -> list[Event]:
    """The events of a run, oldest first."""
    names = ("sequence", "code", "argument", "head_ms", "time_s")
    known = set(EventCode)
    return [
        Event(
            row["sequence"], EventCode(row["code"]), row["argument"], row["head_ms"], row["time_s"]
        )
        for row in run.events.select(names).to_pylist()
        if row["code"] in known  # one from a later version says nothing here
    ]
