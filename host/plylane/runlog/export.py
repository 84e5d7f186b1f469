"""A run as Parquet or CSV."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from plylane.runlog.errors import RunError
from plylane.runlog.reader import Run

FORMATS = ("parquet", "csv")


def export(
    folder: Path | str, to: str, out: Path | str | None = None, *, overwrite: bool = False
) -> list[Path]:
    """Write telemetry, events and findings of a run as files beside each other.

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
    tables = {"telemetry": run.telemetry, "events": run.events, "findings": run.findings}
    files = {target / f"{name}.{to}": table for name, table in tables.items()}
    _refuse_existing(files, overwrite)
    write = _write_parquet if to == "parquet" else _write_csv
    try:
        target.mkdir(parents=True, exist_ok=True)
        for file, table in files.items():
            _replace(file, table, write)
    except OSError as error:
        place = f"cannot be written ({error.strerror})"
        raise RunError(target, place, "give another folder or make room") from error
    return list(files)


def _refuse_existing(files: dict[Path, pa.Table], overwrite: bool) -> None:
    for file in files:
        if file.exists() and not overwrite:
            remedy = "give another folder or ask for it to be overwritten"
            raise RunError(file, "is there already", remedy)


def _replace(file: Path, table: pa.Table, write: Callable[[Path, pa.Table], None]) -> None:
    """Write beside and rename, so that a failure leaves no half file and the old one whole."""
    unfinished = file.with_name(file.name + ".new")
    try:
        write(unfinished, table)
        unfinished.replace(file)
    finally:
        unfinished.unlink(missing_ok=True)


def _write_parquet(file: Path, table: pa.Table) -> None:
    pq.write_table(table.combine_chunks(), file)


def _write_csv(file: Path, table: pa.Table) -> None:
    with file.open("w", encoding="utf-8", newline="") as text:
        writer = csv.writer(text)
        writer.writerow(table.column_names)
        writer.writerow([field.metadata[b"unit"].decode() for field in table.schema])
        writer.writerows(_rows(table))


def _rows(table: pa.Table) -> Iterator[tuple[Any, ...]]:
    for whole in table.to_batches():
        yield from zip(*(column.to_pylist() for column in whole.columns), strict=True)
