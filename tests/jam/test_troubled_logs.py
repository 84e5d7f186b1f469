"""Logs with rows missing, a reset, a clock that wraps or values that are no numbers: the jam behind
the trouble is found all the same, and the trouble itself is not taken for one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from made_feed import Jam, run
from plylane.head.registers import ALARMS, Inputs, State
from plylane.recording import Recording
from plylane.runlog import Recorder, RunInfo
from plylane.runlog.info import RunEnd, write_info
from plylane.runlog.schema import telemetry_schema

FITTED = (2, 3, 5)
TROUBLE_MM, JAM_MM = 1300.0, 2500.0
LENGTHS = ("feed_position_mm", "output_position_mm", *(f"lane{k}_position_mm" for k in range(1, 6)))
Columns = dict[str, np.ndarray]


def jammed(seed: int) -> Columns:
    """Lane 3 sticks long after the place of the trouble; soon after, the head's guard holds."""
    columns = run(seed, jam=Jam(3, JAM_MM))
    columns = kept(columns, columns["feed_position_mm"] < JAM_MM + 10.0)
    columns["head_ms"] = np.round(columns["time_s"] * 1000).astype(np.int64) + 5000
    return columns


def kept(columns: Columns, where: np.ndarray) -> Columns:
    return {name: values[where] for name, values in columns.items()}


def logged(folder: Path, columns: Columns, without: str = "") -> Recording:
    """The columns as a log: zones at their setpoints, permit given, batches of a second."""
    rows = len(columns["time_s"])
    schema = telemetry_schema(*FITTED)
    if without:
        schema = schema.remove(schema.get_field_index(without))
    filled = {"inputs": int(Inputs.PERMIT_GIVEN), "zone1_pv_degC": 110.0, "zone1_sp_degC": 110.0}
    arrays = [
        pa.array(np.asarray(columns.get(name, np.full(rows, filled.get(name, 0.0)))))
        for name in schema.names
    ]
    table = pa.Table.from_arrays(
        [array.cast(one.type) for array, one in zip(arrays, schema, strict=True)], schema=schema
    )
    info = RunInfo(name="made", zones=2, drives=3, lanes=5)
    Recorder(folder, info).close("complete")
    with (
        pa.OSFile(str(folder / "telemetry.arrows"), "wb") as sink,
        pa.ipc.new_stream(sink, schema) as writer,
    ):
        writer.write_table(table, max_chunksize=50)
    end = RunEnd(state="complete", telemetry_rows=rows, event_rows=0, finding_rows=0)
    write_info(folder, info.model_copy(update={"end": end}))
    return Recording.open(folder)


def at(columns: Columns) -> int:
    """Row at which the trouble comes."""
    return int(np.searchsorted(columns["feed_position_mm"], TROUBLE_MM))


def short_gap(columns: Columns) -> Columns:
    rows = np.arange(len(columns["time_s"]))
    return kept(columns, (rows < at(columns)) | (rows >= at(columns) + 60))


def long_gap(columns: Columns) -> Columns:
    rows = np.arange(len(columns["time_s"]))
    return kept(columns, (rows < at(columns)) | (rows >= at(columns) + 1000))


def reset(columns: Columns) -> Columns:
    """Lengths and clock from zero; stopped for two seconds."""
    row, changed = at(columns), {name: values.copy() for name, values in columns.items()}
    for name in (*LENGTHS, "head_ms"):
        changed[name][row:] -= changed[name][row]
    changed["state"][row : row + 100] = State.STOPPED
    return changed


def wrap(columns: Columns) -> Columns:
    ms = columns["head_ms"] + 2**32 - columns["head_ms"][at(columns)]
    return {**columns, "head_ms": ms % 2**32}


def no_numbers(columns: Columns) -> Columns:
    changed = {name: values.astype(float) for name, values in columns.items()}
    for k, name in enumerate(LENGTHS):
        row = at(columns) + 40 * k
        changed[name][row : row + 3] = np.nan
    return changed


def clocks_part(columns: Columns) -> Columns:
    late = np.arange(len(columns["time_s"])) >= at(columns)
    return {**columns, "time_s": columns["time_s"] + np.where(late, 0.8, 0.0)}


TROUBLES: dict[Callable[[Columns], Columns], list[str]] = {
    short_gap: ["No rows for 1.2 s"],
    long_gap: ["No rows for 20.0 s"],
    reset: ["The head was reset"],
    wrap: [],
    no_numbers: [],
    clocks_part: ["The head's clock and the host's parted by 0.8 s"],
}


@pytest.mark.parametrize("seed", [3, 8])
@pytest.mark.parametrize("trouble", TROUBLES, ids=lambda one: one.__name__)
def test_the_trouble_is_told_and_only_the_jam_is_found(
    trouble: Callable[[Columns], Columns], seed: int, tmp_path: Path
) -> None:
    columns = jammed(seed)
    whole = logged(tmp_path / "whole", columns)
    assert [(f.kind, f.lane) for f in whole.findings] == [("strip_stuck", 3)]
    troubled = logged(tmp_path / "troubled", trouble(columns))
    assert [(f.kind, f.lane) for f in troubled.findings] == [("strip_stuck", 3)]
    onset_mm = float(np.interp(troubled.findings[0].time_s, columns["time_s"], columns[LENGTHS[0]]))
    assert JAM_MM < onset_mm < JAM_MM + (12.0 if trouble is clocks_part else 8.0)
    assert len(troubled.remarks) == len(TROUBLES[trouble])
    assert all(a.startswith(b) for a, b in zip(troubled.remarks, TROUBLES[trouble], strict=True))


def test_after_a_reset_all_is_learnt_anew_in_whatever_parts_the_log_is_judged(
    tmp_path: Path,
) -> None:
    recording = logged(tmp_path / "run", reset(jammed(5)))
    assert len(recording.resets) == 1
    first = recording.judge(recording.settings)
    assert first == recording.findings == recording.judge(recording.settings)


def test_without_the_column_of_alarms_all_but_the_guard_s_reason_is_found(tmp_path: Path) -> None:
    columns = jammed(3)
    whole = logged(tmp_path / "whole", columns)
    without = logged(tmp_path / "without", columns, "alarms_active")
    assert without.findings == whole.findings != []
    slips = run(4, 400.0, hold_every_mm=400.0)
    slips["head_ms"] = np.round(slips["time_s"] * 1000).astype(np.int64)
    slipped = 0.3 * np.clip(slips["feed_position_mm"] - 350.0, 0.0, None)
    slips["output_position_mm"] = slips["output_position_mm"] - slipped
    mismatch = next(alarm.number for alarm in ALARMS if alarm.name == "feed_mismatch")
    held = slips["state"] == State.HELD
    slips["alarms_active"] = np.where(held, 1 << mismatch, 0)
    assert [f.kind for f in logged(tmp_path / "held", slips).findings] == ["output_wheel_dirty"]
    assert logged(tmp_path / "unsaid", slips, "alarms_active").findings == []


def test_findings_told_otherwise_while_the_run_was_recorded_are_remarked(tmp_path: Path) -> None:
    recording = logged(tmp_path / "run", jammed(3))
    assert recording.otherwise is not None
    assert recording.otherwise.startswith("Judged otherwise than while it ran: 1 finding now, 0")


def test_a_log_cut_off_before_its_findings_were_written_is_not_remarked(tmp_path: Path) -> None:
    recording = logged(tmp_path / "run", jammed(3))
    write_info(tmp_path / "run", recording.run.info.model_copy(update={"end": None}))
    torn = Recording.open(tmp_path / "run")
    assert torn.findings == recording.findings
    assert torn.otherwise is None
    assert len(torn.remarks) == 1
    assert torn.remarks[0].startswith("The run goes on still, or its log is torn: run.toml")


def test_only_a_log_without_an_end_goes_on(tmp_path: Path) -> None:
    recording = logged(tmp_path / "run", jammed(3))
    assert not Recording.while_logged(tmp_path / "run").going_on
    write_info(tmp_path / "run", recording.run.info.model_copy(update={"end": None}))
    still = Recording.while_logged(tmp_path / "run")
    assert still.going_on and still.run.torn and not still.remarks
