"""What values say: the plain functions behind the Monitor."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamp_run import FakeLink, snapshot_at
from plylane.head.registers import ALARMS, Command, LaneTelemetryRegs, State, Status, ZoneMode
from plylane.head.registers import ZoneTelemetryRegs as Zone
from plylane.screens import decide
from plylane.screens.decide import Kind, LaneWatch, Said
from plylane.trends import Limits
from plylane.words import quantity, zone_name

LIMITS = Limits()
MASKS = st.integers(0, 2 ** len(ALARMS) - 1)
ABNORMAL = {Kind.LOW, Kind.MEDIUM, Kind.HIGH}
SYMBOLS = "▲◆▽✕"


def has_symbol_when_abnormal(said: Said) -> bool:
    """Never colour alone: practice under ANSI/ISA-101.01-2015, the clause itself from memory."""
    return said.kind not in ABNORMAL or said.text.strip()[0] in SYMBOLS


class TestState:
    @pytest.mark.parametrize("state", State)
    def test_every_state_says_what_it_means_and_where_it_leads(self, state: State) -> None:
        assert decide.state_sentence(state).endswith(".")
        way = decide.state_way(state)
        assert next(name for name, now in way if now) == decide.state_word(state)
        assert sum(now for _, now in way) == 1

    def test_only_held_and_aborted_and_the_ways_there_are_abnormal(self) -> None:
        abnormal = {s for s in State if decide.state_kind(s) in ABNORMAL}
        assert abnormal == {State.HOLDING, State.HELD, State.ABORTING, State.ABORTED}

    @pytest.mark.parametrize(
        ("state", "active"),
        [
            (None, False),
            (State.IDLE, False),
            (State.STARTING, True),
            (State.HELD, True),
            (State.COMPLETING, True),
            (State.COMPLETE, False),
            (State.ABORTED, False),
        ],
    )
    def test_a_run_is_active_until_the_head_rests(self, state: State | None, active: bool) -> None:
        assert decide.run_is_active(state) is active

    def test_heat_that_stays_on_counts_as_a_run(self) -> None:
        assert decide.run_is_active(State.IDLE, Status.HEATERS_ENABLED)


class TestZone:
    @pytest.mark.parametrize(
        ("pv", "sp", "mode", "word"),
        [
            (109.5, 110.0, ZoneMode.AUTOMATIC, "at setpoint"),
            (90.0, 110.0, ZoneMode.AUTOMATIC, "warming"),
            (111.5, 110.0, ZoneMode.AUTOMATIC, "cooling"),
            (22.0, 0.0, ZoneMode.OFF, "off"),
            (80.0, 0.0, ZoneMode.MANUAL, "manual"),
            (-300.0, 110.0, ZoneMode.AUTOMATIC, "✕ no reading"),
            (165.0, 110.0, ZoneMode.AUTOMATIC, "▲ too hot"),
            (165.0, 0.0, ZoneMode.OFF, "▲ too hot"),
        ],
    )
    def test_word(self, pv: float, sp: float, mode: ZoneMode, word: str) -> None:
        assert decide.zone_word(0, Zone(pv, sp, 0.0, mode), LIMITS).text == word

    def test_a_missing_reading_is_never_shown_as_a_number(self) -> None:
        row = decide.zone_row(0, Zone(-300.0, 110.0, 0.0, ZoneMode.AUTOMATIC), LIMITS)
        assert row.pv == Said("?", Kind.HIGH)

    def test_names_count_from_one(self) -> None:
        assert [zone_name(k) for k in range(3)] == ["1 guide", "2 nip", "zone 3"]

    def test_old_values_are_marked(self) -> None:
        row = decide.zone_row(1, Zone(95.0, 95.0, 30.0, ZoneMode.AUTOMATIC), LIMITS, stale=True)
        assert {s.kind for s in (row.pv, row.sp, row.op, row.word)} == {Kind.STALE}

    @given(st.floats(-300, 320), st.floats(0, 250), st.sampled_from(ZoneMode))
    def test_never_colour_alone(self, pv: float, sp: float, mode: ZoneMode) -> None:
        assert has_symbol_when_abnormal(decide.zone_word(0, Zone(pv, sp, 0.0, mode), LIMITS))


class TestFeed:
    @given(st.floats(-300, 300), st.floats(0.5, 300), st.integers(5, 40))
    def test_the_gauge_has_one_mark_on_the_right_side(
        self, value: float, limit: float, width: int
    ) -> None:
        drawn = decide.gauge(value, limit, width)
        marks = [k for k, c in enumerate(drawn) if c in "●◀▶"]
        assert len(drawn) == width - 1 + width % 2
        assert len(marks) == 1
        away = marks[0] - len(drawn) // 2
        assert away == 0 or (away > 0) == (value > 0)
        assert (drawn[marks[0]] in "◀▶") == (abs(value) > limit)

    def test_words_go_with_the_share_of_the_limit(self) -> None:
        words = [decide.mismatch_word(m, 8.0).text for m in (0.0, -3.9, 4.0, -7.9, 8.0, -9.0)]
        assert words == [
            "within", "within", "◆ growing", "◆ growing", "▲ past limit", "▲ past limit",
        ]  # fmt: skip

    @given(st.floats(-300, 300))
    def test_never_colour_alone(self, mismatch: float) -> None:
        assert has_symbol_when_abnormal(decide.mismatch_word(mismatch, 8.0))

    def test_difference_is_feed_less_output(self) -> None:
        view = decide.feed_view(snapshot_at(221.0).telemetry, LIMITS)
        assert float(view.difference.text) == pytest.approx(
            float(view.feed.text) - float(view.output.text)
        )

    def test_old_values_are_marked(self) -> None:
        view = decide.feed_view(snapshot_at(221.0).telemetry, LIMITS, stale=True)
        said = (view.feed, view.target, view.output, view.difference, view.mismatch, view.word)
        assert {one.kind for one in said} == {Kind.STALE}


class TestProgress:
    def test_half_way(self) -> None:
        done = decide.progress(snapshot_at(200.0).telemetry)
        assert done.share == pytest.approx(700.0 / 3000.0)
        assert done.to_go_mm == pytest.approx(2300.0)
        assert done.left == "2 min 44 s left"  # 2300 mm at 14 mm/s

    @given(st.floats(150, 460), st.integers(20, 130))
    def test_the_line_fits(self, time_s: float, width: int) -> None:
        text = decide.progress_line(decide.progress(snapshot_at(time_s).telemetry), width)
        assert len(text) <= max(width, len("laid 2955.0 mm, 100 %  to go 2999.9 mm"))


class TestLanes:
    def feed(self, watch: LaneWatch, positions: list[float], stopped: int = 0) -> list[str]:
        now = snapshot_at(221.0).telemetry
        lanes = [LaneTelemetryRegs(p) for p in positions]
        return [row.word.text for row in watch.rows(lanes, now, stopped, LIMITS)]

    def test_a_lane_that_stands_while_others_run_lags_before_the_guard_trips(self) -> None:
        watch = LaneWatch()
        for k in range(12):
            run = 100.0 + k
            words = self.feed(watch, [run, run, 103.0 if k > 3 else run, run, run])
        assert words == ["runs", "runs", "◆ lags", "runs", "runs"]

    def test_the_alarm_makes_it_stopped(self) -> None:
        assert self.feed(LaneWatch(), [10.0, 10.0], stopped=0b10) == ["runs", "▲ stopped"]

    def test_a_new_run_is_no_lag(self) -> None:
        watch = LaneWatch()
        self.feed(watch, [2000.0, 2000.0, 1980.0])
        assert self.feed(watch, [0.0, 0.0, 0.0]) == ["runs"] * 3

    def test_difference_is_from_the_median(self) -> None:
        lanes = [LaneTelemetryRegs(p) for p in (10.0, 12.0, 2.0, 11.0, 11.5)]
        rows = LaneWatch().rows(lanes, snapshot_at(221.0).telemetry, 0, LIMITS)
        assert [row.away_mm for row in rows] == [-1.0, 1.0, -9.0, 0.0, 0.5]
        assert [row.name for row in rows] == ["1", "2", "3", "4", "5"]


class TestAlarms:
    @given(MASKS, MASKS)
    def test_each_shown_once_unacknowledged_first_then_by_priority(
        self, active: int, waiting: int
    ) -> None:
        rows = decide.alarm_rows(active, waiting, {})
        shown = {n for n in range(len(ALARMS)) if (active | waiting) >> n & 1}
        assert sorted(row.number for row in rows) == sorted(shown)
        order = ["high", "medium", "low"]
        keys = [(not row.unacknowledged, order.index(ALARMS[row.number].priority)) for row in rows]
        assert keys == sorted(keys)

    @given(MASKS, MASKS)
    def test_priority_and_state_are_words_too(self, active: int, waiting: int) -> None:
        for row in decide.alarm_rows(active, waiting, {}):
            assert has_symbol_when_abnormal(row.priority)
            assert ALARMS[row.number].priority in row.priority.text
            assert row.remedy

    @pytest.mark.parametrize(
        ("active", "waiting", "state"),
        [
            # states B, C, D of the alarm state diagram of ANSI/ISA-18.2, memory
            (True, True, "active, unacknowledged"),
            (True, False, "active, acknowledged"),
            (False, True, "returned to normal, unacknowledged"),
        ],
    )
    def test_states(self, active: bool, waiting: bool, state: str) -> None:
        assert decide.alarm_state(active, waiting) == state

    @pytest.mark.parametrize(
        ("name", "instances", "text"),
        [
            ("lane_stopped", 0b100, "lane stopped: lane 3"),
            ("lane_stopped", 0b10001, "lane stopped: lanes 1, 5"),
            ("over_temperature", 0b1, "over temperature: zone 1 guide"),
            ("over_temperature", 0b100, "over temperature: zone 3"),
            ("pulse_overrun", 0b110, "pulse overrun: press, outfeed"),
            ("stop_input", 0b1, "stop input"),
            ("lane_stopped", 0, "lane stopped"),
        ],
    )
    def test_text_names_whom_it_concerns(self, name: str, instances: int, text: str) -> None:
        alarm = next(a for a in ALARMS if a.name == name)
        assert decide.alarm_text(alarm, instances) == text


class TestCommands:
    @given(st.sets(st.sampled_from(Command)))
    def test_only_what_is_allowed_and_abort_always(self, allowed: set[Command]) -> None:
        shown = {entry.command for entry in decide.shown_commands(allowed)}
        assert shown == (allowed - {Command.NONE}) | {Command.ABORT}

    def test_only_what_leads_to_heat_and_motion_asks_back(self) -> None:
        asking = {c for c in Command if decide.needs_confirmation(c)}
        assert asking == {Command.RESET, Command.START, Command.UNHOLD, Command.CLEAR}

    def test_each_key_is_a_letter_of_its_word_and_taken_once(self) -> None:
        keys = [entry.key for entry in decide.COMMAND_KEYS]
        assert len(set(keys)) == len(keys)
        assert all(entry.key in entry.word.lower() for entry in decide.COMMAND_KEYS)

    def test_the_cautions_tell_of_burns_rollers_and_the_wired_stop(self) -> None:
        text = " ".join(decide.cautions(Command.START)[1]).lower()
        assert all(word in text for word in ("burn", "rollers", "hard-wired stop"))


class TestFigures:
    @pytest.mark.parametrize(
        ("name", "value", "text"),
        [
            ("onset_s", 41.25, "onset 41.25 s"),
            ("output_speed_mm_s", 13.8, "output speed 13.80 mm/s"),
            ("statistic_mm", 9.4, "statistic 9.40 mm"),
            ("zone_pv_degC", 95.0, "zone pv 95.00 °C"),
            ("count", 3.0, "count 3"),
        ],
    )
    def test_quantities_say_their_unit(self, name: str, value: float, text: str) -> None:
        assert quantity(name, value) == text

    def test_durations(self) -> None:
        told = [decide.duration(s) for s in (-1.0, 48.2, 59.7, 128.0, 3840.0)]
        assert told == ["0 s", "48 s", "1 min 00 s", "2 min 08 s", "1 h 04 min"]

    @pytest.mark.parametrize("text", ["", "abc", "nan", "inf", "-1", "141", "1e9"])
    def test_entries_out_of_range_or_no_numbers_are_refused(self, text: str) -> None:
        assert decide.number_problem(text, 0.0, 140.0, "°C") is not None

    @pytest.mark.parametrize("text", ["0", "95", "95.5", "95,5", "140"])
    def test_entries_in_range_are_taken(self, text: str) -> None:
        assert decide.number_problem(text, 0.0, 140.0, "°C") is None


class TestLink:
    def test_silence_is_told_with_its_reason(self) -> None:
        said = decide.link_says(FakeLink(False, "port /dev/ttyX is gone", 0.0), 1.0)
        assert said == Said("✕ no link: port /dev/ttyX is gone", Kind.HIGH)

    def test_pace_is_told_where_it_is_not_real_time(self) -> None:
        assert "20 real time" in decide.link_says(FakeLink(), 20.0).text
        assert "real time" not in decide.link_says(FakeLink(), 1.0).text
