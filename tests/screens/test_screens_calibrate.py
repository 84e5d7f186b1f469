"""The Calibrate screen: what is seen at both sizes, what keys ask of the calibration."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from textual.pilot import Pilot

from fake_calibration import (
    FakeCalibration,
    complete,
    feeding,
    fresh,
    in_force,
    misread,
    ratio,
    slip,
    to_feed,
    waiting,
)
from lamp_run import FakeHead, head_at
from plylane.head.registers import Command, State
from plylane.screens import MonitorApp
from plylane.screens.calibrate import Calibrate, WriteNote
from plylane.screens.calibrate_pictures import found_picture
from plylane.screens.confirm import Confirm
from plylane.screens.decide.calibrating import (
    END,
    FEED,
    MEASURED,
    TASKS,
    UNDO,
    WRITE,
    budget_rows,
    keys_now,
    length_rows,
)
from plylane.screens.entry import NumberEntry
from plylane.screens.monitor import Monitor
from plylane.tune_run import TuneStatus
from screen_driver import LARGE, SMALL, drive, press_each

SIZES = pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "140x40"])
Compare = Callable[..., bool]


def app_of(fake: FakeCalibration, live: FakeHead | None = None) -> MonitorApp:
    return MonitorApp(live or head_at(2.0, state=State.IDLE), None, None, lambda: fake)


def seen(fake: FakeCalibration, *keys: str, size: tuple[int, int] = SMALL) -> str:
    return drive(app_of(fake), press_each("i", *keys), size)[1]


def asked(fake: FakeCalibration, *keys: str) -> list[tuple[Any, ...]]:
    drive(app_of(fake), press_each("i", *keys))
    return fake.asked


class TestWhatIsSeen:
    @SIZES
    def test_nothing_begun(self, size: tuple[int, int]) -> None:
        text = seen(fresh(), size=size)
        for word in ("Choose by 1 to 7", "2 press", "7 ratio", "rollers turn and draw in"):
            assert word in text

    @SIZES
    def test_the_next_step_is_said(self, size: tuple[int, int]) -> None:
        text = seen(to_feed(), size=size)
        for word in (
            "›2 press",
            "drive 2 (press): put a mark, then f feeds length 3 of 6",
            "439",
            "f Feed",
        ):
            assert word in text
        assert "m Measured" not in text and "w Write" not in text

    @SIZES
    def test_under_way_there_is_a_way_to_end_it(self, size: tuple[int, int]) -> None:
        text = seen(feeding(), size=size)
        for word in ("Feeding length 3 of 6", "x End it", "t Stop"):
            assert word in text
        assert "f Feed" not in text

    @SIZES
    def test_a_length_is_waited_for(self, size: tuple[int, int]) -> None:
        text = seen(waiting(), size=size)
        assert "measure length 3 of 6, about 188 mm, and press m" in text and "m Measured" in text

    @SIZES
    def test_fit_residuals_uncertainty_and_what_will_be_written(
        self, size: tuple[int, int]
    ) -> None:
        fake = complete()
        text = seen(fake, size=size)
        (scale,) = fake.found  # type: ignore[misc]
        for word in (
            f"{scale.counts_per_m:.2f} a metre ± {100 * scale.budget.expanded:.3f} %",
            "limit of error of the gauge", "scatter of the readings", "✓ repeats", "less fit",
            f"{scale.fit.residuals[0]:+.2f}", "would write: drive settings 2 pulses_per_m",
            "w Write", "u Undo",
        ):  # fmt: skip
            assert word in text, word
        if size == LARGE:
            assert "measured less fit, mm" in text

    @SIZES
    def test_a_misread_length_is_named_without_colour(self, size: tuple[int, int]) -> None:
        text = seen(misread(), size=size)
        for word in ("▲ length 4 (449.5 mm) is", "▲ misread?", "Not to be written", "n Again"):
            assert word in text
        assert "w Write" not in text

    @SIZES
    def test_written(self, size: tuple[int, int]) -> None:
        text = seen(in_force(), size=size)
        for word in ("In force in the head", "k Keep", "u Undo", "written (20260101-101500"):
            assert word in text
        assert "w Write" not in text

    def test_lanes_in_turn(self) -> None:
        fake = complete("lanes")
        assert "lane 1: 0.49" in seen(fake) or "lane 1: 0.5" in seen(fake)
        assert "lane 2: " in seen(fake, "v")
        assert "lane 1: " in seen(fake, *["v"] * 5)

    @SIZES
    def test_slip_and_ratio(self, size: tuple[int, int]) -> None:
        text = seen(slip(), size=size)
        assert "slip 1.5" in text and "for 10 mm/s more" in text and "over speed" in text
        text = seen(ratio(), size=size)
        assert "press over infeed 1.01" in text and "dragged below" in text
        assert "over infeed ratio" in text

    def test_trouble_of_a_job_stands_out(self) -> None:
        fake = to_feed()
        fake.status = TuneStatus(text="x", trouble="zone 1 is at 90 degC: let it cool")
        assert "▲ zone 1 is at 90 degC" in seen(fake)

    @SIZES
    @pytest.mark.parametrize("made", [waiting, complete, misread, ratio])
    def test_looks(
        self, snap_compare: Compare, size: tuple[int, int], made: Callable[[], FakeCalibration]
    ) -> None:
        async def to_calibrate(pilot: Pilot[Any]) -> None:
            await press_each("i")(pilot)
            pilot.app.screen.draw_plot()  # type: ignore[attr-defined]
            await pilot.pause()

        assert snap_compare(app_of(made()), terminal_size=size, run_before=to_calibrate)


class TestWhatIsAsked:
    @pytest.mark.parametrize("key", ["1", "4", "5", "7"])
    def test_begun_only_after_cautions(self, key: str) -> None:
        fake = fresh()
        screen, text = drive(app_of(fake), press_each("i", key))
        assert isinstance(screen, Confirm) and "hands clear" in text and "stop is tested" in text
        assert asked(fake, key, "enter", key, "n") == []

    def test_every_task_warns(self) -> None:
        for task in TASKS:
            assert any("hands clear" in point for point in task.points)

    @pytest.mark.parametrize(
        ("key", "what"),
        [
            ("1", ("begin", "drive", 0)), ("3", ("begin", "drive", 2)),
            ("4", ("begin", "wheel", 0)), ("5", ("begin", "lanes", 0)),
            ("6", ("slip",)), ("7", ("ratio",)),
        ],
    )  # fmt: skip
    def test_what_is_begun(self, key: str, what: tuple[Any, ...]) -> None:
        assert asked(fresh(), key, "y") == [what]

    def test_fed_and_measured(self) -> None:
        assert asked(to_feed(), "f") == [("feed",)]
        screen, _ = drive(app_of(waiting()), press_each("i", "m"))
        assert isinstance(screen, NumberEntry)
        keys = ("m", *"188", "full_stop", "5", "enter")
        assert asked(waiting(), *keys) == [("measured", 188.5)]
        assert asked(waiting(), "m", *"188", "comma", "5", "enter") == [("measured", 188.5)]

    @pytest.mark.parametrize("typed", ["minus 5", "0", "", "1 comma 2 comma 3", "9 9 9 9 9"])
    def test_no_length_is_not_taken(self, typed: str) -> None:
        screen, _ = drive(app_of(waiting()), press_each("i", "m", *typed.split(), "enter"))
        assert isinstance(screen, NumberEntry)
        assert asked(waiting(), "m", *typed.split(), "enter", "escape") == []

    def test_measuring_what_was_not_fed(self) -> None:
        assert "f feeds" in seen(to_feed(), "m")

    def test_again_and_left_out_go_by_the_picked_length(self) -> None:
        assert asked(misread(), "n") == [("again", 3)]  # the misread one is picked
        assert asked(misread(), "o") == [("leave out", 3)]
        assert asked(complete(), "up", "up", "n") == [("again", 3)]
        assert asked(waiting(), "n") == [("again", None)]

    def test_written_with_a_note(self) -> None:
        screen, text = drive(app_of(complete()), press_each("i", "w"))
        assert isinstance(screen, WriteNote) and "drive settings 2 pulses_per_m" in text
        assert asked(complete(), "w", "enter") == []
        assert asked(complete(), "w", "3") == [("write", "new part")]

    def test_a_misread_set_is_refused(self) -> None:
        fake = misread()
        fake.refusal = fake.trouble
        assert asked(fake, "w") == []

    def test_undo_and_keep(self) -> None:
        assert asked(in_force(), "u", "k") == [("undo",), ("save",)]

    def test_a_refusal_is_shown(self) -> None:
        fake = to_feed()
        fake.refusal = "feed is still under way: wait for it or end it first"
        assert "▲ feed is still under way" in seen(fake, "f")

    def test_nothing_else_is_begun_meanwhile(self) -> None:
        assert "x ends it" in seen(feeding(), "4")
        assert asked(feeding(), "x")[0] == ("stop",)

    @pytest.mark.parametrize("before", [(), ("4",), ("m",), ("w",)])
    @pytest.mark.parametrize(("key", "command"), [("t", Command.STOP), ("b", Command.ABORT)])
    def test_stop_and_abort_work_everywhere(
        self, key: str, command: Command, before: tuple[str, ...]
    ) -> None:
        live = head_at(2.0, state=State.IDLE)
        fake = waiting() if before == ("m",) else complete()
        drive(app_of(fake, live), press_each("i", *before, key))
        assert ("command", command) in live.asked

    @pytest.mark.parametrize("key", ["escape", "q"])
    def test_back_to_the_monitor_ends_a_feed(self, key: str) -> None:
        fake = feeding()
        screen, _ = drive(app_of(fake), press_each("i", key))
        assert isinstance(screen, Monitor)
        assert ("stop",) in fake.asked

    def test_opened_with_a_key_where_there_is_something_to_calibrate(self) -> None:
        screen, _ = drive(app_of(fresh()), press_each("i"))
        assert isinstance(screen, Calibrate)
        screen, _ = drive(MonitorApp(head_at(2.0)), press_each("i"))
        assert isinstance(screen, Monitor)


class TestDecisions:
    def test_keys_that_make_sense_now(self) -> None:
        assert keys_now(TuneStatus(job="feed"), to_feed().sitting, False, False) == {END}
        assert keys_now(TuneStatus(), None, False, False) == {UNDO}
        assert FEED in keys_now(TuneStatus(), to_feed().sitting, False, False)
        assert MEASURED in keys_now(TuneStatus(), waiting().sitting, False, False)
        assert WRITE in keys_now(TuneStatus(), complete().sitting, True, False)
        assert WRITE not in keys_now(TuneStatus(), complete().sitting, True, True)

    def test_parts_that_count_come_first_and_largest(self) -> None:
        rows = budget_rows(complete().found, 0)
        counted = [float(row.u) for row in rows if not row.quiet]
        assert counted == sorted(counted, reverse=True)
        assert [row.quiet for row in rows] == sorted(row.quiet for row in rows)

    def test_a_length_left_out_has_no_residual(self) -> None:
        fake = complete()
        assert fake.sitting is not None
        out = fake.sitting.leave_out(2)
        row = length_rows(out, out.find(), 0)[2]
        assert row.word.text == "left out" and row.cells[-1] == "-"

    @pytest.mark.parametrize("made", [complete, slip, ratio])
    def test_pictures_hold_what_they_draw(self, made: Callable[[], FakeCalibration]) -> None:
        picture = found_picture(made().found, 0, 12)
        assert picture is not None
        for curve in picture.curves:
            assert curve.values.min() >= picture.y_range[0]
            assert curve.values.max() <= picture.y_range[1]
        assert found_picture(None, 0, 12) is None
