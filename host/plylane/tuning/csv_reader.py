"""Reading a record from a CSV file: the only part of the package that opens files."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

from plylane.tuning.record import Record, RecordError

NEEDED = ("time_s", "op_percent", "pv_degC")
FEED = "feed_mm_s"


def read_record_csv(file: Path) -> Record:
    """Read columns time_s, op_percent, pv_degC, and feed_mm_s where there is one.

    Comma separated with a line of names; other columns and empty lines do not matter. Raises
    RecordError, which names the file and, where it is known, line and column.
    """
    try:
        with file.open(encoding="utf-8-sig", newline="") as lines:
            columns = _columns(file, csv.reader(lines))
    except OSError as error:
        raise RecordError(
            f"{file}: {error.strerror}", "give a CSV file that can be read"
        ) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise RecordError(
            f"{file}: not a CSV file ({error})", "export the record as CSV"
        ) from error
    try:
        time_s, op_percent, pv_degC = (columns[name] for name in NEEDED)
        return Record.of(time_s, op_percent, pv_degC, columns.get(FEED))
    except RecordError as error:
        raise RecordError(f"{file}: {error.wrong}", error.remedy) from error


def _columns(file: Path, rows: Iterator[list[str]]) -> dict[str, list[float]]:
    names = [name.strip() for name in next(rows, [])]
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise RecordError(
            f"{file}: line 1: column {' and '.join(missing)} is missing",
            f"name the columns {', '.join(NEEDED)} in the first line",
        )
    places = {name: names.index(name) for name in (*NEEDED, FEED) if name in names}
    columns: dict[str, list[float]] = {name: [] for name in places}
    for number, row in enumerate(rows, start=2):
        if any(cell.strip() for cell in row):
            for name, place in places.items():
                columns[name].append(_number(file, number, name, row, place))
    return columns


def _number(file: Path, line: int, name: str, row: list[str], place: int) -> float:
    text = row[place].strip() if place < len(row) else ""
    try:
        return float(text)
    except ValueError:
        what = f"{text!r} is no number" if text else "is empty"
        raise RecordError(
            f"{file}: line {line}, column {name}: {what}", "give a number in every line"
        ) from None
