"""Exports as other readers see them."""

from __future__ import annotations

import csv
from pathlib import Path

import pyarrow.parquet as pq
import pytest

import made_run as made
from plylane.runlog import Run, RunError, export

NAMES = ("telemetry", "events", "findings", "journal")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made.record(tmp_path / "run", made.FIVE_LANES).close("complete")
    return tmp_path / "run"


def test_parquet_keeps_values_units_and_scales(folder: Path, tmp_path: Path) -> None:
    files = export(folder, "parquet", tmp_path / "out")
    assert [file.name for file in files] == [f"{name}.parquet" for name in NAMES]
    run = Run.open(folder)
    tables = [getattr(run, name) for name in NAMES]
    for file, wanted in zip(files, tables, strict=True):
        table = pq.read_table(file)
        assert table.equals(wanted.combine_chunks())
        for field, original in zip(table.schema, wanted.schema, strict=True):
            assert field.metadata[b"unit"] == original.metadata[b"unit"]


def test_csv_has_names_units_and_every_number_to_the_last_bit(folder: Path) -> None:
    export(folder, "csv")
    run = Run.open(folder)
    with (folder / "telemetry.csv").open(newline="") as file:
        names, units, *rows = csv.reader(file)
    assert tuple(names) == tuple(run.telemetry.column_names)
    assert units[names.index("feed_speed_mm_s")] == "mm/s"
    assert units[names.index("zone2_op_percent")] == "%"
    assert [tuple(map(float, row)) for row in rows] == list(run.telemetry_rows())
    with (folder / "findings.csv").open(newline="") as file:
        findings = list(csv.DictReader(file))[1:]
    assert [found["lane"] for found in findings] == ["3", ""]


@pytest.mark.parametrize("to", ["parquet", "csv"])
def test_nothing_is_overwritten_without_say_so(folder: Path, tmp_path: Path, to: str) -> None:
    (tmp_path / f"events.{to}").write_text("precious")
    with pytest.raises(RunError, match="is there already"):
        export(folder, to, tmp_path)
    assert (tmp_path / f"events.{to}").read_text() == "precious"
    assert not (tmp_path / f"telemetry.{to}").exists()
    export(folder, to, tmp_path, overwrite=True)
    assert (tmp_path / f"events.{to}").read_bytes() != b"precious"


def test_a_torn_run_is_exported_to_its_last_whole_batch(tmp_path: Path) -> None:
    made.record(tmp_path / "run", rows=130)  # never closed
    export(tmp_path / "run", "parquet")
    rows = pq.read_table(tmp_path / "run" / "telemetry.parquet").num_rows
    assert rows == Run.open(tmp_path / "run").rows and 80 < rows <= 130


def test_an_unknown_format_is_refused(folder: Path) -> None:
    with pytest.raises(RunError, match="choose parquet or csv"):
        export(folder, "xlsx")


def test_a_place_that_cannot_be_written_is_told(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(RunError, match="give another folder"):
        export(folder, "csv", tmp_path / "file" / "out")
