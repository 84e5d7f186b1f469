"""A logged run, judged again by the detector that judges live ones."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path
from typing import Any, Self

from numpy.typing import NDArray

from plylane.findings_compared import compare
from plylane.head.registers import EventCode
from plylane.head.snapshot import Event
from plylane.jam import FeedWatch, Finding, StripEnds, WatchSettings, columns_used
from plylane.overview import Overview
from plylane.runlog import Break, Continuity, Entry, Run, RunError
from plylane.strips import STRIP_ENDS, ends_of
from plylane.watch_fields import differing
from plylane.words import count_text

Columns = Mapping[str, NDArray[Any]]
Done = Callable[[int, int], None]
"""Told of progress: so many rows of so many."""
KEPT_BYTES = 256 * 2**20
"""Columns of a run that are kept to be judged again: ten hours of a head with five lanes."""


def _nobody(_number: int, _all: int) -> None:
    pass


@dataclass(frozen=True)
class Recording:
    """What the Replay screen and the replay command look at.

    `settings` are those of the detectors when the run was recorded, `findings` what these find in
    the log now; `resets` are the first rows after a reset of the head. `going_on`: the run is being
    logged still, so its log has no end yet.
    """

    run: Run
    settings: WatchSettings
    findings: list[Finding]
    events: list[Event]
    overview: Overview
    breaks: tuple[Break, ...] = ()
    resets: tuple[int, ...] = ()
    going_on: bool = False
    _kept: list[tuple[int, Columns]] = field(default_factory=list, repr=False, compare=False)

    @classmethod
    def open(cls, folder: Path, done: Done = _nobody) -> Self:
        """Read a run and judge it, part by part: of the rows only an overview stays in memory.

        Raises RunError.
        """
        run = Run.open(folder)
        settings = watch_settings(run)
        judge, continuity, overview = _Judge(settings), Continuity(), Overview(run)
        findings: list[Finding] = []
        resets: list[int] = []
        judged = _judged_columns(run)
        for first, part in _parts(run, (*judged, "head_ms", *overview.names), done):
            restarts = continuity.follow(part["time_s"], part["head_ms"])
            overview.take(part)
            findings += judge.take({name: part[name] for name in judged}, restarts)
            resets += (first + row for row in restarts)
        breaks = tuple(sorted(continuity.breaks, key=lambda one: one.time_s))
        return cls(run, settings, findings, events_of(run), overview, breaks, tuple(resets))

    @classmethod
    def while_logged(cls, folder: Path) -> Self:
        """Read a run that this program is logging, as far as it is. Raises RunError."""
        recording = cls.open(folder)
        return replace(recording, going_on=recording.run.info.end is None)

    def judge(self, settings: WatchSettings, done: Done = _nobody) -> list[Finding]:
        """What detectors with other settings find in the log.

        What `done` raises ends it. Raises RunError when the log has changed.
        """
        judge = _Judge(settings)
        findings: list[Finding] = []
        for first, part in self._judged_parts(done):
            rows = range(first, first + len(part["time_s"]))
            findings += judge.take(part, [row - first for row in self.resets if row in rows])
        return findings

    def _judged_parts(self, done: Done) -> Iterator[tuple[int, Columns]]:
        """The columns that are judged; kept for the next time if they fit, as reading takes ten
        times as long as judging."""
        if self._kept:
            for first, part in self._kept:
                yield first, part
                done(first + len(part["time_s"]), self.run.rows)
            return
        names = _judged_columns(self.run)
        fits = self.run.rows * len(names) * 8 <= KEPT_BYTES
        parts = []
        for first, part in _parts(self.run, names, done):
            parts += [(first, part)] if fits else []
            yield first, part
        self._kept[:] = parts

    @property
    def name(self) -> str:
        """Name of the run."""
        return self.run.info.name

    @property
    def info(self) -> Mapping[str, Any]:
        """What was run: identity, settings, versions."""
        return self.run.info.model_dump()

    @property
    def journal(self) -> list[Entry]:
        """What the host had to say, oldest first."""
        return self.run.journal_entries()

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is not as it should be with the log, a sentence each; none for a whole one."""
        told = []
        if self.run.torn and not self.going_on:
            what = "The log is" if self.run.info.end else "The run goes on still, or its log is"
            told.append(f"{what} torn: {self.run.torn}")
        if self.run.missing:
            told.append(f"Not recorded (another register map): {', '.join(self.run.missing)}")
        return (*told, *(f"{one.text[0].upper()}{one.text[1:]}" for one in self.breaks))

    @property
    def otherwise(self) -> str | None:
        """How the findings differ from those told while the run was recorded; None: not at all.

        Of a torn log only what both have is compared: either may lack the end.
        """
        then = [(one["kind"], one["lane"], one["time_s"]) for one in self.run.recorded_findings()]
        now = [(one.kind, one.lane, one.time_s) for one in self.findings]
        both = min(len(then), len(now)) if self.run.torn else None
        if then[:both] == now[:both]:
            return None
        writer = self.run.info.versions.get("plylane", "of unknown version")
        return (
            f"Judged otherwise than while it ran: {count_text(len(now))} now, {len(then)} "
            f"then; recorded by plylane {writer}, this is {version('plylane')}"
        )

    def judged_again(self, settings: WatchSettings) -> dict[str, Any]:
        """Findings of those settings beside those of the run, in a form that `json.dumps` takes.

        `set`: the settings that differ. `findings_after`: as `findings` in `to_json`. `compared`:
        every finding once, with its number from 0 before and after, null where there is none.
        """
        after = self.judge(settings)
        return {
            "set": differing(settings, self.settings),
            "findings_after": [finding.to_json() for finding in after],
            "compared": [row.to_json() for row in compare(self.findings, after)],
        }

    def to_json(self) -> dict[str, Any]:
        """Rows and findings in a form that `json.dumps` takes."""
        return {
            "run": str(self.run.folder),
            "rows": self.run.rows,
            "torn": self.run.torn,
            "missing": list(self.run.missing),
            "breaks": [one.text for one in self.breaks],
            "findings": [finding.to_json() for finding in self.findings],
            "findings_recorded": self.run.recorded_findings(),
        }


class _Judge:
    """Detectors over the parts of a run."""

    def __init__(self, settings: WatchSettings) -> None:
        self._settings = settings
        self._watch = FeedWatch(settings)

    def take(self, part: Columns, restarts: Iterable[int]) -> list[Finding]:
        """Findings in the next rows; `restarts` are the rows with which the head came back.

        Behind such a row all is learnt anew, as live; the row itself ends what was before.
        """
        edges = [0, *(row + 1 for row in restarts), len(part["time_s"])]
        findings: list[Finding] = []
        for number, (start, stop) in enumerate(pairwise(edges)):
            if number:
                self._watch = FeedWatch(self._settings)
            findings += self._watch.judge({name: one[start:stop] for name, one in part.items()})
        return findings


def _judged_columns(run: Run) -> tuple[str, ...]:
    """What can be judged of the run: zones only where all of each is logged."""
    without = columns_used(run.info.lanes, 0)
    used = columns_used(run.info.lanes, run.info.zones)
    if set(used).difference(without).intersection(run.missing):
        used = without
    return tuple(name for name in used if name not in run.missing)


def _parts(run: Run, names: Iterable[str], done: Done) -> Iterator[tuple[int, Columns]]:
    """Columns part by part, each with the number of its first row."""
    first = 0
    for part in run.chunks(dict.fromkeys(names)):
        yield first, part
        first += len(part["time_s"])
        done(first, run.rows)


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
