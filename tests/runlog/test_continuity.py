"""Logs whose rows do not follow on one another: told, and judged all the same."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

import made_run as made
from plylane.recording import Recording
from plylane.runlog import Continuity, Run, RunError

WRAP_MS = 2**32


def rows(seconds: float, start_ms: int = 0) -> tuple[np.ndarray, np.ndarray]:
    ms = np.arange(0, round(seconds * 1000), 20)
    return ms / 1000.0, (start_ms + ms) % WRAP_MS


def told(time_s: np.ndarray, head_ms: np.ndarray, cut: int = 0) -> list[str]:
    continuity = Continuity()
    continuity.follow(time_s[:cut], head_ms[:cut])
    continuity.follow(time_s[cut:], head_ms[cut:])
    return [one.text for one in continuity.breaks]


@given(start=st.integers(0, WRAP_MS - 1), cut=st.integers(0, 500))
def test_a_log_that_runs_through_says_nothing_wherever_the_clock_wraps(
    start: int, cut: int
) -> None:
    assert told(*rows(10.0, start), cut) == []


@given(cut=st.integers(0, 500))
def test_a_gap_a_reset_and_time_that_runs_back_are_told_with_place_and_length(cut: int) -> None:
    time_s, head_ms = rows(10.0, WRAP_MS - 3000)
    gap = time_s + np.where(time_s >= 4.0, 30.0, 0.0)
    assert told(gap, (head_ms + np.where(time_s >= 4.0, 30_000, 0)) % WRAP_MS, cut) == [
        "no rows for 30.0 s after 4.0 s"
    ]
    reset = np.where(time_s >= 6.0, np.round((time_s - 6.0) * 1000), head_ms)
    assert told(time_s, reset, cut) == ["the head was reset at 6.0 s"]
    back = np.where(time_s >= 7.0, time_s - 0.3, time_s)
    assert "time runs back by 0.280 s at 6.7 s" in told(back, head_ms, cut)


def test_a_computer_that_slept_is_told() -> None:
    time_s, head_ms = rows(10.0)
    texts = told(time_s + np.where(time_s >= 5.0, 0.8, 0.0), head_ms)
    assert texts == ["the head's clock and the host's parted by 0.8 s at 5.8 s"]


# ------------------------------------------------------- runs of another register map


def rewrite(folder: Path, change: object) -> None:
    """Telemetry as another version would have written it."""
    file = folder / "telemetry.arrows"
    table = pa.ipc.open_stream(file.read_bytes()).read_all()
    table = change(table)  # type: ignore[operator]
    with pa.OSFile(str(file), "wb") as sink, pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table, max_chunksize=50)


@pytest.fixture
def run(tmp_path: Path) -> Path:
    made.record(tmp_path / "run", made.FIVE_LANES, rows=200).close("complete")
    return tmp_path / "run"


def test_a_log_of_an_older_map_is_read_and_what_it_lacks_named(run: Path) -> None:
    whole = Run.open(run).columns(["time_s", "zone2_pv_degC"])
    rewrite(run, lambda table: table.drop_columns(["trim_ppm", "pulse_overruns"]))
    old = Run.open(run)
    assert old.missing == ("trim_ppm", "pulse_overruns") and old.torn is None
    for name, values in old.columns(["time_s", "zone2_pv_degC"]).items():
        assert np.array_equal(values, whole[name])
    with pytest.raises(RunError, match=r"no column trim_ppm: .*open it with plylane 0\.1\.0"):
        old.columns(["trim_ppm"])
    recording = Recording.open(run)
    assert recording.to_json()["missing"] == ["trim_ppm", "pulse_overruns"]
    assert any("trim_ppm" in remark for remark in recording.remarks)
    assert "trim_ppm" not in recording.overview.values_at(1.0)


@pytest.mark.parametrize("name", ["inputs", "zone2_sp_degC", "zone1_op_percent", "mismatch_mm"])
def test_what_can_be_judged_without_a_column_is_judged(run: Path, name: str) -> None:
    whole = Recording.open(run)
    rewrite(run, lambda table: table.drop_columns([name]))
    poor = Recording.open(run)
    assert poor.findings == whole.findings == poor.judge(poor.settings)
    assert any(name in remark for remark in poor.remarks)
    assert len(poor.overview.curve(name, 0.0, 9.0, 50)[0]) == 0


def test_columns_of_a_later_map_are_passed_over(run: Path) -> None:
    whole = Run.open(run).telemetry
    more = pa.field("humidity_percent", pa.float64(), metadata={"unit": "%"})
    rewrite(run, lambda table: table.add_column(3, more, [[5.0] * table.num_rows]))
    later = Run.open(run)
    assert later.telemetry.equals(whole) and later.missing == ()


@pytest.mark.parametrize("name", ["time_s", "lane3_position_mm", "zone1_pv_degC", "state"])
def test_a_log_without_feed_or_heat_is_refused(run: Path, name: str) -> None:
    rewrite(run, lambda table: table.drop_columns([name]))
    with pytest.raises(RunError, match=f"{name} is missing"):
        Run.open(run)


def test_a_column_in_another_unit_is_not_taken_for_the_same(run: Path) -> None:
    def in_fahrenheit(table: pa.Table) -> pa.Table:
        at = table.schema.get_field_index("zone2_pv_degC")
        field = table.schema.field(at).with_metadata({"unit": "degF"})
        return table.set_column(at, field, table.column(at))

    rewrite(run, in_fahrenheit)
    with pytest.raises(RunError, match="zone2_pv_degC is missing"):
        Run.open(run)


# ------------------------------------------------------------------ part by part


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("parts") / "run"
    made.record(folder, rows=230).close("complete")
    return Run.open(folder)


@given(rows=st.integers(1, 400), first=st.integers(0, 250), length=st.integers(0, 250))
def test_any_part_in_chunks_of_any_size_is_the_same_rows(
    quiet: Run, rows: int, first: int, length: int
) -> None:
    whole = quiet.columns(["time_s", "state"])
    parts = list(quiet.chunks(["time_s", "state"], rows, first, first + length))
    assert all(len(part["time_s"]) <= rows for part in parts)
    for name, column in whole.items():
        got = np.concatenate([part[name] for part in parts]) if parts else np.array([])
        assert np.array_equal(got, column[first : first + length])
