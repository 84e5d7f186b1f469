"""Recording a run. Nothing here ever makes the caller wait for a disk or raises into a run."""

from __future__ import annotations

import json
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import pyarrow as pa

from plylane.head.registers import State
from plylane.runlog import schema
from plylane.runlog.errors import RunError
from plylane.runlog.info import FILE, RunEnd, RunInfo, write_info
from plylane.runlog.journal import Entry
from plylane.runlog.stream import Opener, StreamWriter, open_new

if TYPE_CHECKING:
    from plylane.head.snapshot import Event, Snapshot

TELEMETRY, EVENTS, FINDINGS = "telemetry.arrows", "events.arrows", "findings.arrows"
JOURNAL = "journal.arrows"
FLUSH_S = 0.8  # below the second that a kill may cost, by more than a poll and a write take
MOST_ROWS_WAITING = 3000  # a minute of telemetry waits for a disk that is full or asleep
CLOSING_TIME_S = 5.0  # a disk that hangs must not keep the program from ending

Alarm = Callable[[str], None]


class FindingLike(Protocol):
    """What the recorder wants of a finding (the detectors sit above the log)."""

    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def time_s(self) -> float: ...  # noqa: D102
    @property
    def lane(self) -> int | None: ...  # noqa: D102
    @property
    def lost_mm(self) -> float: ...  # noqa: D102
    @property
    def evidence(self) -> Mapping[str, float]: ...  # noqa: D102


class _Channel:
    """One stream and the rows that wait for it."""

    def __init__(self, path: Path, columns: pa.Schema, opener: Opener) -> None:
        self.name = path.name
        self.waiting: list[Sequence[Any]] = []
        self.lost = 0
        self.stream = StreamWriter(path, columns, opener)
        self.stream.begin()

    def flush(self) -> None:
        """Raises OSError (rows wait on, the oldest go when too many do) or pa.ArrowException."""
        if not self.waiting:
            return
        try:
            self.stream.append(self.waiting)
        except OSError:
            self.drop(max(0, len(self.waiting) - MOST_ROWS_WAITING))
            raise
        except pa.ArrowException:
            self.drop(len(self.waiting))
            raise
        self.waiting.clear()

    def drop(self, count: int) -> None:
        del self.waiting[:count]
        self.lost += count


class _Folder:
    """The files of one run; belongs to one thread."""

    def __init__(self, folder: Path, run: RunInfo, alarm: Alarm, opener: Opener) -> None:
        self._folder, self._run, self._alarm = folder, run, alarm
        folder.mkdir(parents=True, exist_ok=True)
        if (folder / FILE).exists():
            raise FileExistsError
        columns = schema.telemetry_schema(*run.fitted)
        self.telemetry = _Channel(folder / TELEMETRY, columns, opener)
        self.events = _Channel(folder / EVENTS, schema.EVENT_SCHEMA, opener)
        self.findings = _Channel(folder / FINDINGS, schema.FINDING_SCHEMA, opener)
        self.journal = _Channel(folder / JOURNAL, schema.JOURNAL_SCHEMA, opener)
        self._channels = (self.telemetry, self.events, self.findings, self.journal)
        self._flushed_s: float | None = None
        self._trouble = False
        write_info(folder, run)  # last: a folder with run.toml has all its streams

    def take_telemetry(self, row: schema.Row) -> None:
        self.telemetry.waiting.append(row)
        if self._flushed_s is None:
            self._flushed_s = row[0]
        if abs(row[0] - self._flushed_s) >= FLUSH_S:
            self._flushed_s = row[0]
            self.flush()

    def take_now(self, channel: _Channel, rows: list[tuple[Any, ...]]) -> None:
        """All but telemetry is little and matters most: straight to the file."""
        channel.waiting.extend(rows)
        self.flush()

    def flush(self) -> None:
        errors = [error for channel in self._channels if (error := self._try(channel.flush))]
        if errors and not self._trouble:
            self._alarm(f"{self._folder}: the run log cannot be written ({errors[0]}); make room")
        elif self._trouble and not errors:
            lost = sum(channel.lost for channel in self._channels)
            self._alarm(f"{self._folder}: the run log is written again; {lost} rows were lost")
        self._trouble = bool(errors)

    def close(self, state: str, lost: int) -> None:
        self.flush()
        for channel in self._channels:
            channel.drop(len(channel.waiting))
        closings = [partial(channel.stream.close, whole=True) for channel in self._channels]
        ending = partial(self._write_end, state, lost)
        errors = [error for step in (*closings, ending) if (error := self._try(step))]
        if errors:
            self._alarm(f"{self._folder}: the run log could not be finished ({errors[0]})")

    def _write_end(self, state: str, lost: int) -> None:
        end = RunEnd(
            state=state,
            telemetry_rows=self.telemetry.stream.rows,
            event_rows=self.events.stream.rows,
            finding_rows=self.findings.stream.rows,
            journal_rows=self.journal.stream.rows,
            rows_lost=lost + sum(channel.lost for channel in self._channels),
        )
        write_info(self._folder, self._run.model_copy(update={"end": end}))

    @staticmethod
    def _try(step: Callable[[], None]) -> str | None:
        try:
            step()
        except (OSError, pa.ArrowException) as error:
            return getattr(error, "strerror", None) or str(error)
        return None


class Recorder:
    """Listens to a poller and a detector and keeps what they say in a run folder.

    With `live` a thread of its own writes, fed by a bounded queue: the caller never waits. Without,
    every call writes at once in the caller's thread, and the same rows give the same bytes.
    A write that fails raises an alarm through `alarm` (in the writing thread) once, rows wait up to
    a minute for room, and a second call of `alarm` tells when all is well again.
    """

    def __init__(
        self,
        folder: Path | str,
        run: RunInfo,
        *,
        alarm: Alarm = lambda text: None,
        live: bool = False,
        opener: Opener = open_new,
    ) -> None:
        """Make the folder and its files. Raises RunError when that cannot be done."""
        self.folder = Path(folder)
        self._alarm = alarm
        self._lost = 0
        self._closed = False
        self._queue: queue.Queue[Callable[[], None] | None] = queue.Queue(MOST_ROWS_WAITING)
        try:
            self._files = _Folder(self.folder, run, alarm, opener)
        except FileExistsError as error:
            remedy = "give a new folder, recorded runs are never written over"
            raise RunError(self.folder, "holds something already", remedy) from error
        except OSError as error:
            place = f"cannot be written ({error.strerror})"
            raise RunError(self.folder, place, "give another folder or make room") from error
        self._thread = threading.Thread(target=self._work, name="run log", daemon=True)
        if live:
            self._thread.start()
            self._do: Callable[[Callable[[], None]], None] = self._enqueue
        else:
            self._do = lambda step: step()

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Keep one snapshot."""
        row = schema.row(snapshot)
        self._do(lambda: self._files.take_telemetry(row))

    def on_events(self, events: Sequence[Event]) -> None:
        """Keep events."""
        rows = [schema.event_row(event) for event in events]
        if rows:
            self._do(lambda: self._files.take_now(self._files.events, rows))

    def on_findings(self, findings: Sequence[FindingLike]) -> None:
        """Keep findings."""
        rows = [_finding_row(finding) for finding in findings]
        if rows:
            self._do(lambda: self._files.take_now(self._files.findings, rows))

    def on_journal(self, entries: Sequence[Entry]) -> None:
        """Keep what the host has to say."""
        rows = [_entry_row(entry) for entry in entries]
        if rows:
            self._do(lambda: self._files.take_now(self._files.journal, rows))

    def close(self, state: State | str) -> None:
        """End the run log with the machine state the run ended in; a second call does nothing."""
        if self._closed:
            return
        self._closed = True
        if self._thread.is_alive() and not self._stopped():
            self._alarm(f"{self.folder}: the disk does not answer; the run log stays unfinished")
            return
        self._files.close(state.name.lower() if isinstance(state, State) else state, self._lost)

    def _stopped(self) -> bool:
        """Let the writing thread finish what is queued; False when it does not in time."""
        try:
            self._queue.put(None, timeout=CLOSING_TIME_S)
        except queue.Full:
            return False
        self._thread.join(CLOSING_TIME_S)
        return not self._thread.is_alive()

    def _enqueue(self, step: Callable[[], None]) -> None:
        try:
            self._queue.put_nowait(step)
        except queue.Full:
            if self._lost == 0:
                self._alarm(f"{self.folder}: the disk is too slow; rows of the run log are lost")
            self._lost += 1

    def _work(self) -> None:
        while True:
            try:
                step = self._queue.get(timeout=FLUSH_S)
            except queue.Empty:
                self._files.flush()  # the poller has gone quiet
                continue
            if step is None:
                return
            step()


def _entry_row(entry: Entry) -> tuple[Any, ...]:
    numbers = None if entry.numbers is None else json.dumps(entry.numbers)
    return entry.time_s, entry.kind, entry.lane, entry.text, numbers


def _finding_row(finding: FindingLike) -> tuple[Any, ...]:
    evidence = json.dumps(dict(finding.evidence))
    return finding.time_s, finding.kind, finding.lane, finding.lost_mm, evidence


__all__ = ["EVENTS", "FILE", "FINDINGS", "JOURNAL", "TELEMETRY", "Alarm", "FindingLike", "Recorder"]
