"""Reading a run folder, whole or torn."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from plylane.runlog import schema
from plylane.runlog.errors import RunError
from plylane.runlog.info import FILE, RunEnd, RunInfo, read_info
from plylane.runlog.journal import Entry
from plylane.runlog.recorder import EVENTS, FINDINGS, JOURNAL, TELEMETRY
from plylane.runlog.stream import StreamReader

CHUNK_ROWS = 200_000  # more than an hour at 50 rows a second, some 60 MB


@dataclass(frozen=True)
class Run:
    """A recorded run.

    `events`, `findings` and `journal` are Arrow tables with every whole batch of their streams (an
    older log has no journal: it is empty then); telemetry is read when it is asked for. `torn` is
    None after a clean end, else it says what was cut off.
    `missing` names the telemetry columns that this version knows and the run, recorded with another
    register map, does not have.
    """

    folder: Path
    info: RunInfo
    events: pa.Table
    findings: pa.Table
    journal: pa.Table
    torn: str | None
    _telemetry: StreamReader

    @classmethod
    def open(cls, folder: Path | str) -> Self:
        """Read a run folder. Raises RunError when it is not one this version can read."""
        folder = Path(folder)
        info = read_info(folder)
        telemetry = StreamReader(
            folder / TELEMETRY,
            schema.telemetry_schema(*info.fitted),
            schema.required_columns(*info.fitted),
        )
        readers = [
            StreamReader(folder / EVENTS, schema.EVENT_SCHEMA),
            StreamReader(folder / FINDINGS, schema.FINDING_SCHEMA),
        ]
        file = folder / JOURNAL
        if file.exists() or (info.end and info.end.journal_rows):
            readers.append(StreamReader(file, schema.JOURNAL_SCHEMA, schema.JOURNAL_REQUIRED))
        events, findings, *journal = (reader.table() for reader in readers)
        lines = journal[0] if journal else schema.JOURNAL_SCHEMA.empty_table()
        torn = _torn(info.end, [telemetry, *readers])
        return cls(folder, info, events, findings, lines, torn, telemetry)

    @property
    def rows(self) -> int:
        """Rows of telemetry."""
        return self._telemetry.rows

    @property
    def missing(self) -> tuple[str, ...]:
        """Telemetry columns of this version that the run does not have."""
        return self._telemetry.missing

    @property
    def telemetry_schema(self) -> pa.Schema:
        """Arrow schema of the telemetry, with unit, scale and meaning of every column."""
        return self._telemetry.schema

    @property
    def names(self) -> tuple[str, ...]:
        """The telemetry columns that the run has."""
        return tuple(self._telemetry.schema.names)

    @property
    def telemetry(self) -> pa.Table:
        """All telemetry in memory at once: some 300 bytes a row."""
        return self._telemetry.table()

    def columns(self, names: Iterable[str]) -> dict[str, NDArray[Any]]:
        """Telemetry columns as arrays of length `rows`. Raises RunError for a name it has not."""
        parts = list(self.chunks(names, max(1, self.rows)))
        return parts[0] if parts else self._empty(list(names))

    def chunks(
        self, names: Iterable[str], rows: int = CHUNK_ROWS, first: int = 0, stop: int | None = None
    ) -> Iterator[dict[str, NDArray[Any]]]:
        """Telemetry columns in turn, as arrays of at most `rows` rows, from `first` to `stop`.

        Raises RunError for a name the run has not.
        """
        wanted = list(names)
        self._check(wanted)
        stop = self.rows if stop is None else min(stop, self.rows)
        for begin in range(first, stop, rows):
            batches = self._telemetry.batches(begin, min(begin + rows, stop))
            part = pa.Table.from_batches([one.select(wanted) for one in batches])
            yield {name: np.asarray(part.column(name).to_numpy()) for name in wanted}

    def telemetry_batches(self) -> Iterator[pa.RecordBatch]:
        """All telemetry, in the batches it was written in."""
        return self._telemetry.batches()

    def telemetry_rows(self, start: int = 0, stop: int | None = None) -> Iterator[schema.Row]:
        """Rows of telemetry as tuples, in the order of `schema.columns`."""
        for whole in self._telemetry.batches(start, stop):
            yield from zip(*(column.to_pylist() for column in whole.columns), strict=True)

    def recorded_findings(self) -> list[dict[str, Any]]:
        """Findings in their JSON form: kind, time_s, lane, lost_mm, evidence."""
        rows: list[dict[str, Any]] = self.findings.to_pylist()
        return [{**row, "evidence": json.loads(row["evidence"])} for row in rows]

    def journal_entries(self) -> list[Entry]:
        """What the host had to say, oldest first."""
        rows: list[dict[str, Any]] = self.journal.to_pylist()
        return [Entry(**{**row, "numbers": _numbers(row)}) for row in rows]

    def _check(self, names: list[str]) -> None:
        for name in names:
            if name in self.missing:
                place = f"has no column {name}: recorded with another register map"
                raise RunError(self.folder / TELEMETRY, place, self._older())
            if name not in self._telemetry.schema.names:
                place = f"has no column {name}"
                raise RunError(self.folder / TELEMETRY, place, "choose a run of a head that has it")

    def _older(self) -> str:
        writer = self.info.versions.get("plylane", "of the version that wrote it")
        return f"open it with plylane {writer}"

    def _empty(self, names: list[str]) -> dict[str, NDArray[Any]]:
        self._check(names)
        none = self._telemetry.schema.empty_table()
        return {name: np.asarray(none.column(name).to_numpy()) for name in names}


def _numbers(row: dict[str, Any]) -> dict[str, Any] | None:
    """An older journal has none."""
    told = row.get("numbers")
    return None if told is None else json.loads(told)


def _torn(end: RunEnd | None, readers: list[StreamReader]) -> str | None:
    parts = [f"{r.path.name} {r.torn}" for r in readers if r.torn]
    if end is None:
        parts.append(f"{FILE} has no [end]")
    else:
        counts = end.telemetry_rows, end.event_rows, end.finding_rows, end.journal_rows
        parts += [
            f"{reader.path.name} holds {reader.rows} rows of {count}"
            for reader, count in zip(readers, counts, strict=False)  # an older log has no journal
            if reader.rows != count
        ]
    return "; ".join(parts) or None
