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
from plylane.runlog.recorder import EVENTS, FINDINGS, TELEMETRY
from plylane.runlog.stream import StreamReader


@dataclass(frozen=True)
class Run:
    """A recorded run.

    `telemetry`, `events` and `findings` are Arrow tables with every whole batch of their streams;
    `torn` is None after a clean end, else it says what was cut off.
    """

    folder: Path
    info: RunInfo
    telemetry: pa.Table
    events: pa.Table
    findings: pa.Table
    torn: str | None

    @classmethod
    def open(cls, folder: Path | str) -> Self:
        """Read a run folder. Raises RunError when it is not one this version can read."""
        folder = Path(folder)
        info = read_info(folder)
        wanted = {
            TELEMETRY: schema.telemetry_schema(*info.fitted),
            EVENTS: schema.EVENT_SCHEMA,
            FINDINGS: schema.FINDING_SCHEMA,
        }
        readers = [StreamReader(folder / name, columns) for name, columns in wanted.items()]
        tables = [reader.table() for reader in readers]
        telemetry, events, findings = tables
        torn = _torn(info.end, readers, tables)
        return cls(folder, info, telemetry, events, findings, torn)

    @property
    def rows(self) -> int:
        """Rows of telemetry."""
        return int(self.telemetry.num_rows)

    def columns(self, names: Iterable[str]) -> dict[str, NDArray[Any]]:
        """Telemetry columns as arrays of length `rows`. Raises RunError for a name it has not."""
        return {name: self._column(name) for name in names}

    def telemetry_rows(self, start: int = 0, stop: int | None = None) -> Iterator[schema.Row]:
        """Rows of telemetry as tuples, in the order of `schema.columns`."""
        part = self.telemetry.slice(start, None if stop is None else max(0, stop - start))
        for whole in part.to_batches():
            yield from zip(*(column.to_pylist() for column in whole.columns), strict=True)

    def recorded_findings(self) -> list[dict[str, Any]]:
        """Findings in their JSON form: kind, time_s, lane, lost_mm, evidence."""
        rows: list[dict[str, Any]] = self.findings.to_pylist()
        return [{**row, "evidence": json.loads(row["evidence"])} for row in rows]

    def _column(self, name: str) -> NDArray[Any]:
        if name not in self.telemetry.column_names:
            place = f"has no column {name}"
            raise RunError(self.folder / TELEMETRY, place, "choose a run of a head that has it")
        return np.asarray(self.telemetry.column(name).to_numpy())


def _torn(end: RunEnd | None, readers: list[StreamReader], tables: list[pa.Table]) -> str | None:
    parts = [f"{r.path.name} {r.torn}" for r in readers if r.torn]
    if end is None:
        parts.append(f"{FILE} has no [end]")
    else:
        counts = end.telemetry_rows, end.event_rows, end.finding_rows
        parts += [
            f"{reader.path.name} holds {table.num_rows} rows of {count}"
            for reader, table, count in zip(readers, tables, counts, strict=True)
            if table.num_rows != count
        ]
    return "; ".join(parts) or None
