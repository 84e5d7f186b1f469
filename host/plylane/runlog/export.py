"""A run as Parquet or CSV."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from plylane.runlog.errors import RunError
from plylane.runlog.reader import CHUNK_ROWS, Run

FORMATS = ("parquet", "csv")

_Part = tuple[pa.Schema, Callable[[], Iterable[pa.RecordBatch]]]


def export(
    folder: Path | str, to: str, out: Path | str | None = None, *, overwrite: bool = False
) -> list[Path]:
    """Write telemetry, events, findings and journal of a run as files beside each other.

    `to` is `parquet` (unit, scale and meaning kept in the field metadata) or `csv` (a first line
    with names, a second with units). `out` is a folder, by default the run folder. Returns the
    files written. A torn run is exported to its last whole batch. Raises RunError for a bad run
    folder, an unknown format, a file that is there already (unless `overwrite`) or one that cannot
    be written.
    """
    run = Run.open(folder)
    if to not in FORMATS:
        raise RunError(run.folder, f"cannot be exported to {to!r}", "choose parquet or csv")
    target = Path(out) if out is not None else run.folder
    parts: dict[str, _Part] = {
        "telemetry": (run.telemetry_schema, run.telemetry_batches),
        "events": (run.events.schema, run.events.to_batches),
        "findings": (run.findings.schema, run.findings.to_batches),
        "journal": (run.journal.schema, run.journal.to_batches),
    }
    files = {target / f"{name}.{to}": part for name, part in parts.items()}
    _refuse_existing(files, overwrite)
    write = _write_parquet if to == "parquet" else _write_csv
    try:
        target.mkdir(parents=True, exist_ok=True)
        for file, part in files.items():
            _replace(file, part, write)
    except OSError as error:
        place = f"cannot be written ({error.strerror})"
        raise RunError(target, place, "give another folder or make room") from error
    return list(files)


def _refuse_existing(files: Iterable[Path], overwrite: bool) -> None:
    for file in files:
        if file.exists() and not overwrite:
            remedy = "give another folder or ask for it to be overwritten"
            raise RunError(file, "is there already", remedy)


def _replace(file: Path, part: _Part, write: Callable[[Path, _Part], None]) -> None:
    """Write beside and rename, so that a failure leaves no half file and the old one whole."""
    unfinished = file.with_name(file.name + ".new")
    try:
        write(unfinished, part)
        unfinished.replace(file)
    finally:
        unfinished.unlink(missing_ok=True)


def _write_parquet(file: Path, part: _Part) -> None:
    schema, batches = part
    with pq.ParquetWriter(file, schema) as writer:
        for group in _groups(batches()):
            writer.write_table(pa.Table.from_batches(group, schema).combine_chunks())


def _groups(batches: Iterable[pa.RecordBatch]) -> Iterator[list[pa.RecordBatch]]:
    """Batches by the row group: Parquet does badly with one of a second."""
    group: list[pa.RecordBatch] = []
    rows = 0
    for whole in batches:
        group.append(whole)
        rows += whole.num_rows
        if rows >= CHUNK_ROWS:
            yield group
            group, rows = [], 0
    if group:
        yield group


def _write_csv(file: Path, part: _Part) -> None:
    schema, batches = part
    with file.open("w", encoding="utf-8", newline="") as text:
        writer = csv.writer(text)
        writer.writerow(schema.names)
        writer.writerow([field.metadata[b"unit"].decode() for field in schema])
        for whole in batches():
            writer.writerows(zip(*(column.to_pylist() for column in whole.columns), strict=True))
