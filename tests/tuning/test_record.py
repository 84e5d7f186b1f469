"""Bad records are refused, each with what is wrong and how to record a better one."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plylane.tuning import Record, RecordError, identify, read_record_csv
from plylane.tuning.record import require_excitation

Columns = dict[str, np.ndarray]


def good() -> Columns:
    """A step of 40 % after 20 s on 1 degC/%, 50 s, 5 s, with a resolution of 0.1 degC."""
    time_s = np.arange(0.0, 300.0, 0.5)
    op = np.where(time_s >= 20.0, 40.0, 0.0)
    pv = 22.0 + 40.0 * (1.0 - np.exp(-np.clip(time_s - 25.0, 0.0, None) / 50.0))
    noise = np.random.default_rng(3).normal(0.0, 0.05, len(pv))
    return {"time_s": time_s, "op_percent": op, "pv_degC": np.round(pv + noise, 1)}


def refused(columns: Columns) -> str:
    with pytest.raises(RecordError) as caught:
        identify(Record.of(**columns))
    assert "\n" not in str(caught.value)
    assert caught.value.wrong and caught.value.remedy
    return str(caught.value)


def test_the_good_record_is_good() -> None:
    model = identify(Record.of(**good())).model
    assert model.gain_degC_per_percent == pytest.approx(1.0, rel=0.01)


def too_few(columns: Columns) -> Columns:
    return {name: values[:12] for name, values in columns.items()}


def ends_early(columns: Columns) -> Columns:
    return {name: values[:70] for name, values in columns.items()}


def changed(name: str, change: Callable[[np.ndarray], np.ndarray]) -> Callable[[Columns], Columns]:
    return lambda columns: {**columns, name: change(columns[name])}


def with_value(name: str, row: int, value: float) -> Callable[[Columns], Columns]:
    def change(values: np.ndarray) -> np.ndarray:
        values = values.copy()
        values[row] = value
        return values

    return changed(name, change)


BAD = {
    "too few samples": (too_few, "too short: 12 samples"),
    "ends before a shape shows": (ends_early, "too short to tell the gain"),
    "no excitation": (changed("op_percent", lambda op: 0 * op + 37.0), "no excitation"),
    "begins after the step": (
        lambda columns: {name: values[60:] for name, values in columns.items()},
        "no excitation",
    ),
    "output saturated": (changed("op_percent", lambda op: 0 * op + 100.0), "output is saturated"),
    "PV saturated": (changed("pv_degC", lambda pv: np.minimum(pv, 45.0)), "PV is saturated"),
    "PV saturated below": (
        changed("pv_degC", lambda pv: np.maximum(84.0 - pv, 35.0)),
        "PV is saturated",
    ),
    "dropout to nothing": (with_value("pv_degC", 200, np.nan), "dropped out at 100 s"),
    "dropout to -300": (with_value("pv_degC", 200, -300.0), "dropped out at 100 s"),
    "dropout to zero": (with_value("pv_degC", 500, 0.0), "dropped out at 250 s"),
    "dropout in the first row": (with_value("pv_degC", 0, np.inf), "dropped out at 0 s"),
    "wrong sign": (changed("pv_degC", lambda pv: 120.0 - pv), "wrong sign"),
    "time running backwards": (with_value("time_s", 100, 20.0), "runs backwards"),
    "time standing": (with_value("time_s", 100, 49.5), "stands still"),
    "time missing": (with_value("time_s", 100, np.nan), "time_s is no number in sample 101"),
    "PV constant": (changed("pv_degC", lambda pv: 0 * pv + 22.0), "PV is constant"),
    "PV hardly moves": (changed("pv_degC", lambda pv: 22 + (pv > 40) * 0.1), "moves by 0.10"),
    "output above its range": (with_value("op_percent", 50, 180.0), "op_percent is 180"),
    "output missing": (with_value("op_percent", 50, np.nan), "op_percent is nan"),
    "PV of something else": (
        changed("pv_degC", lambda pv: 60.0 + 5.0 * np.sin(np.arange(len(pv)) / 19.0)),
        "explains only",
    ),
    "feed not a number": (
        lambda columns: {**columns, "feed_mm_s": np.full(600, np.nan)},
        "feed_mm_s is no number",
    ),
    "columns of different length": (changed("op_percent", lambda op: op[:-1]), "differ in length"),
}


@pytest.mark.parametrize("kind", BAD)
def test_bad_record_is_refused(kind: str) -> None:
    spoil, why = BAD[kind]
    message = refused(spoil(good()))
    assert re.search(why, message), message


def test_a_column_must_be_a_column_of_numbers() -> None:
    with pytest.raises(RecordError, match="no number"):
        Record.of(["a"] * 30, [0.0] * 30, [0.0] * 30)
    with pytest.raises(RecordError, match="single column"):
        Record.of(np.zeros((30, 2)), np.zeros(30), np.zeros(30))


@settings(max_examples=15)
@given(level=st.floats(20.0, 100.0), lag=st.floats(10.0, 80.0), step=st.floats(0.05, 0.3))
def test_a_settled_plateau_is_not_taken_for_saturation(
    level: float, lag: float, step: float
) -> None:
    """However long a rounded PV rests at its highest value, it got there slowly."""
    time_s = np.arange(0.0, 900.0, 1.0)
    pv = 22.0 + 0.6 * level * (1.0 - np.exp(-np.clip(time_s - 30.0, 0.0, None) / lag))
    rounded = np.round(pv / step) * step
    identify(Record.of(time_s, np.where(time_s >= 27.0, level, 0.0), rounded))


@given(
    step=st.floats(0.1, 0.4),
    cycles=st.floats(0.6, 6.0),
    high=st.floats(10.0, 40.0),
    sharp=st.booleans(),
    seed=st.integers(0, 99),
)
def test_a_turning_point_is_not_taken_for_saturation(
    step: float, cycles: float, high: float, sharp: bool, seed: int
) -> None:
    """However coarse the converter, a PV that turns, sharply or not, does not stay."""
    time_s = np.arange(0.0, 600.0, 0.5)
    turn = time_s / 600.0 * cycles
    wave = 2.0 * np.abs(turn % 1.0 - 0.5) if sharp else 0.5 + 0.5 * np.cos(2.0 * np.pi * turn)
    noise = np.random.default_rng(seed).normal(0.0, 0.05, len(time_s))
    pv = np.round((80.0 + high * wave + noise) / step) * step
    require_excitation(Record.of(time_s, np.where(wave > 0.5, 0.0, 80.0), pv))


def test_part_of_a_record() -> None:
    record = Record.of(**good(), feed_mm_s=np.ones(600))
    part = record.part(10.0, 60.0)
    assert (part.time_s[0], part.time_s[-1]) == (10.0, 60.0)
    assert part.feed_mm_s is not None and len(part.feed_mm_s) == len(part.pv_degC)
    with pytest.raises(RecordError, match="too short"):
        record.part(10.0, 12.0)


# ---------------------------------------------------------------------------------------------- CSV


def write(folder: Path, header: str, rows: list[str]) -> Path:
    file = folder / "bench.csv"
    file.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return file


def good_rows() -> list[str]:
    columns = good()
    return [f"{t},{o},{p}" for t, o, p in zip(*columns.values(), strict=True)]


def test_csv_with_other_columns_order_and_empty_lines(tmp_path: Path) -> None:
    columns = good()
    rows = [f"{p},x,{t},{o},14.0" for t, o, p in zip(*columns.values(), strict=True)]
    rows.insert(10, "")
    header = "\ufeffpv_degC, note, time_s, op_percent, feed_mm_s"
    record = read_record_csv(write(tmp_path, header, rows))
    assert (record.pv_degC == columns["pv_degC"]).all()
    assert record.feed_mm_s is not None and set(record.feed_mm_s) == {14.0}


@pytest.mark.parametrize(
    ("header", "change", "why"),
    [
        ("time_s,op_percent", lambda rows: rows, "line 1: column pv_degC is missing"),
        ("t,op,pv", lambda rows: rows, "column time_s and op_percent and pv_degC is missing"),
        (
            None,
            lambda rows: [*rows[:5], "2.5,,22.0", *rows[5:]],
            "line 7, column op_percent: is empty",
        ),
        (None, lambda rows: [*rows[:5], "2.5,0.0", *rows[5:]], "line 7, column pv_degC: is empty"),
        (None, lambda rows: ["0,on,22", *rows], "line 2, column op_percent: 'on' is no number"),
        (None, lambda rows: rows[:5], "too short"),
        (None, lambda rows: [], "too short"),
        (None, lambda rows: [*rows, rows[3]], "runs backwards"),
    ],
)
def test_bad_csv_names_file_line_and_column(
    tmp_path: Path, header: str | None, change: Callable[[list[str]], list[str]], why: str
) -> None:
    file = write(tmp_path, header or "time_s,op_percent,pv_degC", change(good_rows()))
    with pytest.raises(RecordError) as caught:
        read_record_csv(file)
    assert str(caught.value).startswith(f"{file}: ") and why in str(caught.value)
    assert "\n" not in str(caught.value)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"nowhere\.csv: No such file"):
        read_record_csv(tmp_path / "nowhere.csv")
    odd = tmp_path / "odd.csv"
    odd.write_bytes(b"time_s,op_percent,pv_degC\n\xff\xfe\x00")
    with pytest.raises(RecordError, match="not a CSV file"):
        read_record_csv(odd)
    (tmp_path / "empty.csv").touch()
    with pytest.raises(RecordError, match="missing"):
        read_record_csv(tmp_path / "empty.csv")
