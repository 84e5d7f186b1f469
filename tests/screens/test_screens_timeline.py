"""Time and curves: windows, bands, marks, thinning, the ring."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from textual.geometry import Region
from textual_plot.plot_widget import map_coordinate_to_pixel

from lamp_run import FINDING, FakeRecording, snapshot_at
from plylane.curves import state_bands, thinned
from plylane.head.registers import State
from plylane.jam.finding import Finding
from plylane.screens.pictures import (
    Topic,
    draw,
    fetch_overview,
    fetch_trends,
    spread_labels,
    time_labels,
)
from plylane.screens.readings import readings, run_detail
from plylane.screens.timeline import (
    View,
    band_cells,
    finding_marks,
    finding_title,
    next_finding,
)
from plylane.trends import Trends, trend_names, trend_values
from plylane.words import clock

RUN = FakeRecording()
WHOLE = View(0.0, 440.0, 0.0, 440.0)


class TestThinning:
    @given(
        arrays(np.float64, st.integers(0, 400), elements=st.floats(-1e3, 1e3)),
        st.integers(1, 60),
    )
    def test_keeps_lowest_and_highest_in_few_points(self, values: np.ndarray, columns: int) -> None:
        time_s = np.arange(len(values), dtype=np.float64)
        t, v = thinned(time_s, values, -1.0, 1e6, columns)
        assert len(t) == len(v) <= max(2 * columns, 0)
        assert np.all(np.diff(t) >= 0)
        if len(values):
            assert v.min() == values.min()
            assert v.max() == values.max()

    def test_a_window_takes_in_the_row_on_either_side(self) -> None:
        t, _ = thinned(np.arange(10.0), np.arange(10.0), 3.5, 5.5, 50)
        assert t.tolist() == [3.0, 4.0, 5.0, 6.0]

    def test_what_is_no_number_is_left_out(self) -> None:
        t, v = thinned(np.arange(4.0), np.array([1.0, np.nan, np.inf, 2.0]), 0.0, 3.0, 50)
        assert (t.tolist(), v.tolist()) == ([0.0, 3.0], [1.0, 2.0])


class TestRing:
    @given(st.lists(st.floats(0.0, 50.0), max_size=60), st.integers(1, 20), st.floats(0.0, 60.0))
    def test_is_the_tail_of_everything_written(
        self, times: list[float], capacity: int, since_s: float
    ) -> None:
        times = sorted(times)
        ring = Trends(("a", "b"), capacity, period_s=0.0)
        for t in times:
            ring.append(t, (2 * t, 3 * t))
        kept = [t for t in times[-capacity:] if t >= since_s]
        time_s, (b,) = ring.window(since_s, ("b",))
        assert time_s.tolist() == kept
        assert b.tolist() == [3 * t for t in kept]
        assert len(ring) == min(len(times), capacity)

    def test_samples_too_close_together_are_skipped(self) -> None:
        ring = Trends(("a",), 10, period_s=0.2)
        for k in range(50):
            ring.append(k * 0.02, (0.0,))
        assert len(ring) == 5

    def test_refuses_another_number_of_values(self) -> None:
        with pytest.raises(ValueError, match="2 values wanted, got 1"):
            Trends(("a", "b")).append(0.0, (1.0,))

    @pytest.mark.parametrize("zones", [1, 2, 3])
    def test_names_and_values_go_together(self, zones: int) -> None:
        snapshot = snapshot_at(221.0, zones=zones)
        named = dict(zip(trend_names(zones), trend_values(snapshot), strict=True))
        assert named[f"zone{zones}_sp_degC"] == snapshot.zones[-1].sp_degC
        assert named["mismatch_mm"] == snapshot.telemetry.mismatch_mm


class TestView:
    @given(st.floats(0.0, 440.0), st.floats(0.1, 10.0), st.floats(0.1, 10.0))
    def test_zoom_stays_inside_and_keeps_the_cursor_in_it(
        self, cursor_s: float, first: float, second: float
    ) -> None:
        view = WHOLE.zoomed(first, cursor_s).zoomed(second, cursor_s)
        assert view.first_s <= view.start_s < view.end_s <= view.last_s + 1e-9
        assert view.start_s - 1e-6 <= cursor_s <= view.end_s + 1e-6

    def test_zoom_keeps_the_cursor_in_its_place(self) -> None:
        view = WHOLE.zoomed(0.5, 110.0)
        assert view.cell(110.0, 100) == WHOLE.cell(110.0, 100) == 25

    def test_an_empty_run_has_a_view(self) -> None:
        assert View.whole(0.0, 0.0).span_s == 1.0

    @given(st.floats(0.0, 440.0), st.integers(1, 200))
    @example(120.0, 99)  # an edge just missed from below
    def test_cells_agree_with_the_plot_library(self, time_s: float, width: int) -> None:
        """The strip above must stand over the curves, which textual-plot places."""
        x, _ = map_coordinate_to_pixel(time_s, 0, 0.0, 440.0, 0, 1, Region(0, 0, width, 5))
        cell = WHOLE.cell(time_s, width)
        assert cell is not None
        cells = time_s / 440 * width
        on_an_edge = abs(cells - round(cells)) < 1e-6  # rounding may put it on either side
        assert abs(cell - min(x, width - 1)) <= (1 if on_an_edge else 0)


class TestBands:
    def test_the_run_is_cut_where_its_state_changes(self) -> None:
        bands = state_bands(RUN.time_s, RUN.columns["state"])
        assert [b.state.name for b in bands] == [
            "IDLE", "STARTING", "EXECUTE", "HOLDING", "HELD", "UNHOLDING", "EXECUTE",
            "COMPLETING", "COMPLETE",
        ]  # fmt: skip
        assert all(a.end_s == b.start_s for a, b in pairwise(bands))

    @given(st.integers(1, 200), st.floats(0.0, 400.0), st.floats(1.0, 440.0))
    def test_pieces_fill_the_width(self, width: int, start_s: float, span_s: float) -> None:
        bands = state_bands(RUN.time_s, RUN.columns["state"])
        view = View(0.0, 440.0, start_s, min(440.0, start_s + span_s))
        assert sum(len(text) for text, _ in band_cells(bands, view, width)) == width

    def test_a_short_hold_is_never_squeezed_out(self) -> None:
        states = np.full(10_000, int(State.EXECUTE))
        states[5000] = int(State.HELD)
        bands = state_bands(np.arange(10_000.0), states)
        pieces = band_cells(bands, View.whole(0.0, 9999.0), 40)
        assert State.HELD in {state for _, state in pieces}

    def test_no_rows_no_bands(self) -> None:
        assert state_bands(np.array([]), np.array([])) == []


class TestFindings:
    TWO = (Finding("head_jam", 100.0, None, 5.0, {}), FINDING)

    def test_marks_stand_at_their_times(self) -> None:
        marks = finding_marks(self.TWO, WHOLE, 44)
        assert marks[WHOLE.cell(100.0, 44) or 0 :].startswith("◆1")
        assert marks[WHOLE.cell(237.0, 44) or 0 :].startswith("◆2")
        assert len(marks) == 44

    def test_two_in_one_place_are_told(self) -> None:
        assert "◆+" in finding_marks((FINDING, FINDING), WHOLE, 44)

    @pytest.mark.parametrize(
        ("at_s", "step", "index"),
        [
            (0.0, 1, 0),
            (100.0, 1, 1),
            (237.0, 1, None),
            (300.0, -1, 1),
            (237.0, -1, 0),
            (9.0, -1, None),
        ],
    )
    def test_next_and_previous(self, at_s: float, step: int, index: int | None) -> None:
        assert next_finding(self.TWO, at_s, step) == index

    def test_words(self) -> None:
        assert finding_title(1, FINDING) == "◆1  3:57  strip stuck, lane 3, 11.6 mm lost"


class TestReadings:
    def told(self, at_s: float) -> str:
        return "\n".join(
            "".join(str(part if isinstance(part, str) else part.text) for part in row)
            for row in readings(RUN.overview, at_s)
        )

    def test_values_are_those_of_the_row_at_the_cursor(self) -> None:
        text = self.told(240.04)
        row = np.flatnonzero(RUN.time_s <= 240.04)[-1]
        assert "4:00 (240.04 s)  Held" in text
        assert f"laid {RUN.columns['output_position_mm'][row]:.1f} mm" in text
        assert f"mismatch {RUN.columns['mismatch_mm'][row]:+.2f} mm" in text
        assert "3 -11.3" in text

    def test_a_log_without_rows_says_so(self) -> None:
        empty = FakeRecording()
        empty.columns = {name: column[:0] for name, column in empty.columns.items()}
        assert readings(empty.overview, 0.0) == [["The log has no rows."]]
        assert run_detail(empty).startswith("0:00")


class TestAxes:
    @given(
        st.lists(st.tuples(st.floats(0.0, 300.0), st.text(max_size=3)), max_size=8),
        st.integers(1, 20),
    )
    def test_no_two_labels_share_a_row(self, wanted: list[tuple[float, str]], rows: int) -> None:
        labels = spread_labels(wanted, (0.0, 300.0), rows)
        region = Region(0, 0, 10, rows)
        placed = [map_coordinate_to_pixel(0, v, 0, 1, 0.0, 300.0, region)[1] for v in labels]
        assert len(set(placed)) == len(placed)
        if wanted:
            assert wanted[0][0] in labels

    @given(st.floats(0.0, 400.0), st.floats(1.0, 440.0), st.integers(20, 200))
    def test_time_labels_are_inside_and_apart(
        self, start_s: float, span_s: float, width: int
    ) -> None:
        view = View(0.0, 1000.0, start_s, start_s + span_s)
        at = list(time_labels(view, width))
        cells = [t for t in at if view.start_s - 1e-9 <= t <= view.end_s + 1e-9]
        assert cells == at
        assert all((b - a) / span_s * width >= 6 for a, b in pairwise(at))

    def test_clock(self) -> None:
        assert [clock(s) for s in (0, 59.6, 128, 3723, -120)] == [
            "0:00", "1:00", "2:08", "1:02:03", "-2:00",
        ]  # fmt: skip


class TestPictures:
    @pytest.mark.parametrize("topic", Topic)
    def test_of_a_recording(self, topic: Topic) -> None:
        picture = draw(topic, fetch_overview(RUN.overview, WHOLE, 60), 2, 6, 8.0, (0.0, 440.0), {})
        low, high = picture.y_range
        for curve in picture.curves:
            assert len(curve.time_s) <= 120
            assert low <= curve.values.min() or curve.colour == "reference"
            assert curve.values.max() <= high or curve.colour == "reference"

    def test_setpoints_are_named_on_the_axis(self) -> None:
        view = View(0.0, 440.0, 160.0, 230.0)
        fetch = fetch_overview(RUN.overview, view, 60)
        picture = draw(Topic.TEMPERATURE, fetch, 2, 8, 8.0, (160.0, 230.0), {})
        assert picture.y_labels[110.0] == "guide 110"
        assert picture.y_labels[95.0] == "nip 95"

    def test_a_sensor_without_reading_leaves_a_gap(self) -> None:
        def fetch(name: str) -> tuple[np.ndarray, np.ndarray]:
            values = np.array([-300.0, 90.0]) if "pv" in name else np.array([95.0, 95.0])
            return np.array([0.0, 1.0]), values

        picture = draw(Topic.TEMPERATURE, fetch, 1, 8, 8.0, (0.0, 1.0), {})
        assert picture.curves[-1].values.tolist() == [90.0]
        assert picture.y_range[0] > 0.0

    @pytest.mark.parametrize("topic", Topic)
    def test_of_an_empty_ring(self, topic: Topic) -> None:
        fetch = fetch_trends(Trends(trend_names(2)), 120.0, 60)
        picture = draw(topic, fetch, 2, 6, 8.0, (-120.0, 0.0), {})
        assert picture.y_range[0] < picture.y_range[1]
