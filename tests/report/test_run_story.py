"""A run read part by part: nothing that a figure shows is lost, however long the run is."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from made_run import FIVE_LANES, record
from plylane.head.registers import EventCode, State
from plylane.head.snapshot import Event
from plylane.jam import Finding
from plylane.recording import Recording
from plylane.report.figure_style import to_svg
from plylane.report.page import inline
from plylane.report.run_figures import RunFigures
from plylane.report.run_page import run_page
from plylane.report.run_story import (
    CURVE_COLUMNS,
    NEAR_COLUMNS,
    NEAR_S,
    Story,
    alarm_spans,
    away_name,
)
from plylane.runlog import Run, RunInfo
from plylane.runlog.info import RunEnd, write_info
from plylane.runlog.reader import CHUNK_ROWS
from plylane.runlog.schema import (
    EVENT_SCHEMA,
    FINDING_SCHEMA,
    JOURNAL_SCHEMA,
    telemetry_schema,
)

LONG = RunInfo(name="two hours", zones=1, drives=1, lanes=2)
PERIOD_S = 0.02
ROWS = 2 * CHUNK_ROWS + 777
PEAK_AT, HELD_FROM, HELD_TO = CHUNK_ROWS + 5, CHUNK_ROWS - 900, CHUNK_ROWS + 2100
"""A peak of one row, and a hold across the seam of two parts."""
Columns = dict[str, NDArray[np.float64]]


def made(
    folder: Path,
    info: RunInfo,
    rows: int,
    shape: Callable[[Columns], None],
    without: Collection[str] = (),
) -> Run:
    """A run written as whole columns, each of zeros until `shape` puts something else in."""
    schema = telemetry_schema(*info.fitted)
    schema = pa.schema([one for one in schema if one.name not in without])
    number = np.arange(rows, dtype=np.float64)
    columns = {name: np.zeros(rows) for name in schema.names}
    columns |= {"time_s": PERIOD_S * number, "head_ms": 20.0 * number}
    shape(columns)
    arrays = [pa.array(columns[one.name].astype(one.type.to_pandas_dtype())) for one in schema]
    table = pa.Table.from_arrays(arrays, schema=schema)
    empty = {"events": EVENT_SCHEMA, "findings": FINDING_SCHEMA, "journal": JOURNAL_SCHEMA}
    folder.mkdir()
    for name, part in {
        "telemetry": table,
        **{k: v.empty_table() for k, v in empty.items()},
    }.items():
        with pa.ipc.new_stream(folder / f"{name}.arrows", part.schema) as out:
            out.write_table(part, max_chunksize=5000)
    end = RunEnd(state="complete", telemetry_rows=rows, event_rows=0, finding_rows=0)
    write_info(folder, info.model_copy(update={"end": end}))
    return Run.open(folder)


def long_shape(columns: Columns) -> None:
    noise = np.random.default_rng(3)
    rows = len(columns["time_s"])
    columns["state"][:] = State.EXECUTE
    columns["state"][HELD_FROM:HELD_TO] = State.HELD
    for name in ("feed_speed_mm_s", "output_speed_mm_s", "mismatch_mm", "zone1_op_percent"):
        columns[name][:] = noise.normal(10.0, 1.0, rows).round(2)
    columns["mismatch_mm"][PEAK_AT] = 55.5
    columns["zone1_pv_degC"][:] = 110.0
    columns["zone1_pv_degC"][40] = -300.0  # a sensor that could not be read
    columns["lane2_position_mm"][-10:] = 8.0
    columns["feed_position_mm"][:] = np.arange(rows) * 0.01
    columns["output_position_mm"][:] = np.arange(rows) * 0.0098


@pytest.fixture(scope="module")
def long_run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return made(tmp_path_factory.mktemp("long") / "run", LONG, ROWS, long_shape)


@pytest.fixture(scope="module")
def story(long_run: Run) -> Story:
    return Story.of(long_run)


class TestLongRun:
    @pytest.mark.parametrize("name", ["mismatch_mm", "feed_speed_mm_s", "zone1_op_percent"])
    def test_curves_keep_lowest_and_highest_in_few_points(
        self, long_run: Run, story: Story, name: str
    ) -> None:
        (values,) = long_run.columns([name]).values()
        time_s, shown = story.curves[name]
        assert (shown.min(), shown.max()) == (values.min(), values.max())
        assert len(time_s) <= 2 * (CURVE_COLUMNS + 3)  # a part more rounds up
        assert (np.diff(time_s) >= 0).all()

    def test_a_state_across_two_parts_is_one(self, story: Story) -> None:
        assert [band.state for band in story.bands] == [
            State.EXECUTE,
            State.HELD,
            State.EXECUTE,
        ]
        held = story.bands[1]
        assert (held.start_s, held.end_s) == pytest.approx(
            (HELD_FROM * PERIOD_S, HELD_TO * PERIOD_S)
        )
        assert all(a.end_s == b.start_s for a, b in pairwise(story.bands))

    def test_ends(self, story: Story) -> None:
        assert (story.first_s, story.last_s) == pytest.approx((0.0, (ROWS - 1) * PERIOD_S))
        assert story.laid_mm == pytest.approx((ROWS - 1) * 0.0098, abs=0.001)

    def test_what_could_not_be_read_is_not_drawn(self, story: Story) -> None:
        _, shown = story.curves["zone1_pv_degC"]
        assert shown.min() == 110.0

    @pytest.mark.parametrize("at", [PEAK_AT, 3, ROWS - 1, CHUNK_ROWS])
    def test_close_up_takes_in_every_row_around(self, long_run: Run, story: Story, at: int) -> None:
        at_s = at * PERIOD_S
        time_s, shown = story.near(long_run, at_s)["mismatch_mm"]
        columns = long_run.columns(["time_s", "mismatch_mm"])
        inside = np.abs(columns["time_s"] - at_s) <= NEAR_S
        assert shown.max() == columns["mismatch_mm"][inside].max()
        assert shown.min() == columns["mismatch_mm"][inside].min()
        assert len(time_s) <= 2 * NEAR_COLUMNS
        assert time_s[0] >= at_s - NEAR_S and time_s[-1] <= at_s + NEAR_S

    def test_page_can_be_sent(self, long_run: Run) -> None:
        assert len(run_page(Recording.open(long_run.folder)).encode()) < 1_000_000


def test_lanes_are_shown_against_their_median(tmp_path: Path) -> None:
    info = RunInfo(name="three lanes", zones=1, drives=1, lanes=3)

    def shape(columns: Columns) -> None:
        for lane, mm in ((1, 5.0), (2, 2.0), (3, 12.5)):
            columns[f"lane{lane}_position_mm"][:] = mm

    story = Story.of(made(tmp_path / "run", info, 50, shape))
    for lane, away_mm in ((1, 0.0), (2, -3.0), (3, 7.5)):
        assert set(story.curves[away_name(lane)][1]) == {away_mm}


def test_no_line_across_a_gap(tmp_path: Path) -> None:
    def shape(columns: Columns) -> None:
        columns["time_s"][100:] += 30.0
        columns["head_ms"][100:] += 30_000.0

    folder = tmp_path / "run"
    made(folder, LONG, 200, shape)
    recording = Recording.open(folder)
    story = Story.of(recording.run, recording.breaks)
    time_s, shown = story.curves["mismatch_mm"]
    (at,) = np.flatnonzero(np.isnan(shown))
    assert (time_s[at - 1], time_s[at + 1]) == pytest.approx((1.98, 32.0))


class TestOddLogs:
    """A page comes of them all the same."""

    def page_of(self, folder: Path, shape: Callable[[Columns], None], *without: str) -> str:
        run = made(folder, LONG, 3000, shape, without)
        finding = Finding("strip_stuck", 30.0, 2, 4.0, {"zone": 1.0})
        return run_page(replace(Recording.open(run.folder), findings=[finding]))

    def test_of_another_register_map(self, tmp_path: Path) -> None:
        lacks = ("mismatch_mm", "feed_speed_mm_s", "zone1_sp_degC", "zone1_op_percent")
        page = self.page_of(tmp_path / "run", lambda columns: None, *lacks)
        assert "Not recorded (another register map): " in page
        assert page.count("<svg") == 5

    def test_time_that_runs_back(self, tmp_path: Path) -> None:
        def shape(columns: Columns) -> None:
            columns["time_s"][1500:] -= 50.0

        assert "Time runs back by " in self.page_of(tmp_path / "run", shape)

    def test_a_sensor_never_read_and_a_state_from_later(self, tmp_path: Path) -> None:
        def shape(columns: Columns) -> None:
            columns["zone1_pv_degC"][:] = -300.0
            columns["state"][:] = 99

        assert self.page_of(tmp_path / "run", shape).count("<svg") == 5


class TestFigures:
    def test_timeline_has_a_bar_a_state_and_a_line_a_finding(self, story: Story) -> None:
        findings = [Finding("head_jam", 2000.0, None, 3.0), Finding("head_jam", 5000.0, None, 3.0)]
        spans = alarm_spans([event(EventCode.ALARM_RAISED, 10 << 8, 100.0)])
        (axes,) = RunFigures(story, findings, []).timeline(spans).axes
        bars = [(bar.get_x(), bar.get_width()) for bar in axes.containers for bar in bar]
        assert bars == [(b.start_s, b.end_s - b.start_s) for b in story.bands]
        alarm, _, marks = axes.lines
        assert tuple(alarm.get_xdata()) == (100.0, story.last_s)
        assert list(marks.get_xdata()[::3]) == [2000.0, 5000.0]
        assert {"◆1", "◆2"} <= {text.get_text() for text in axes.texts}

    def test_alarms_beyond_the_rows_are_told_of(self, long_run: Run) -> None:
        events = [event(EventCode.ALARM_RAISED, 11 << 8 | k, 1.0 + k) for k in range(15)]
        page = run_page(replace(Recording.open(long_run.folder), events=events))
        assert "the first 12 of 15 alarms" in page

    def test_close_up_of_a_zone_shows_its_heat(self, tmp_path: Path) -> None:
        record(tmp_path / "run", FIVE_LANES).close("complete")
        run = Run.open(tmp_path / "run")
        story = Story.of(run)
        finding = Finding("zone_too_cold", 1.0, None, 0.0, {"zone": 2.0, "onset_s": 0.4})
        near = story.near(run, finding.time_s)
        panels = RunFigures(story, [finding], []).close_up(finding, near, 5).axes
        assert [axes.get_ylabel() for axes in panels][-1] == "2 nip, °C"
        upright = {line.get_xdata()[0] for line in panels[0].lines if line.get_ydata()[0] == 0}
        assert {1.0, 0.4} <= upright

    def test_in_a_page_ids_are_its_own_and_paths_stay_in_place(self, story: Story) -> None:
        svg = to_svg(RunFigures(story, [], []).feed(8.0))
        first, second = inline(svg, "one"), inline(svg, "two")
        assert 'id="one-figure_1"' in first and 'id="two-figure_1"' in second
        assert "<metadata" not in first
        assert len(first) < 0.8 * len(svg)


def event(code: EventCode, argument: int, time_s: float) -> Event:
    return Event(1, code, argument, 0, time_s)


class TestAlarmSpans:
    CODES = (EventCode.ALARM_RAISED, EventCode.ALARM_CLEARED, EventCode.ALARM_ACKNOWLEDGED)

    @given(st.lists(st.tuples(st.sampled_from(CODES), st.sampled_from([2818, 2819, 7 << 8]))))
    def test_every_alarm_raised_is_there_and_over_after_it(
        self, told: list[tuple[EventCode, int]]
    ) -> None:
        spans = alarm_spans([event(code, which, float(k)) for k, (code, which) in enumerate(told)])
        raised = [float(k) for k, (code, _) in enumerate(told) if code is self.CODES[0]]
        assert sorted(s.raised_s for s in spans if s.raised_s is not None) == raised
        for span in spans:
            after = [s for s in (span.over_s, span.acknowledged_s) if s is not None]
            assert span.raised_s is None or all(s > span.raised_s for s in after)

    def test_an_alarm_from_before_the_log_and_an_unknown_one(self) -> None:
        before, unknown = alarm_spans(
            [event(EventCode.ALARM_CLEARED, 2818, 1.0), event(EventCode.ALARM_RAISED, 60 << 8, 2.0)]
        )
        assert before.raised_s is None and before.text == "lane stopped: lane 3"
        assert unknown.alarm is None and unknown.text == "number 60"
