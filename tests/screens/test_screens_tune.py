"""The Tune screen: what is seen at both sizes, and what keys ask of the tuning and of the head."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from textual.pilot import Pilot

from fake_tuning import FakeTuning, applied, fresh, tuned, under_way, with_gains, with_model
from lamp_run import FakeHead, head_at
from plylane.head.registers import Command, State
from plylane.screens import MonitorApp
from plylane.screens.confirm import Confirm
from plylane.screens.decide.tuning import (
    END,
    EXPERIMENT,
    GAINS,
    INTERACTION,
    UNDO,
    keys_now,
    knob_word,
    rule_rows,
    turned,
)
from plylane.screens.monitor import Monitor
from plylane.screens.start_experiment import StartExperiment
from plylane.screens.tune import Tune
from plylane.screens.tune_pictures import Plotted, found_picture, live_picture
from plylane.tune_run import TuneStatus
from screen_driver import LARGE, SMALL, drive, press_each

SIZES = pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "140x40"])
Compare = Callable[..., bool]


def app_of(fake: FakeTuning, live: FakeHead | None = None) -> MonitorApp:
    return MonitorApp(live or head_at(120.0, state=State.IDLE), None, lambda: fake)


def seen(fake: FakeTuning, *keys: str, size: tuple[int, int] = SMALL) -> str:
    return drive(app_of(fake), press_each("z", *keys), size)[1]


def asked(fake: FakeTuning, *keys: str) -> list[tuple[Any, ...]]:
    drive(app_of(fake), press_each("z", *keys))
    return fake.asked


class TestWhatIsSeen:
    @SIZES
    def test_nothing_yet(self, size: tuple[int, int]) -> None:
        text = seen(fresh(), size=size)
        for word in ("zone 1 guide", "PV  105.8", "e begins an experiment", "Caution: blocks heat"):
            assert word in text
        assert "simc" not in text

    @SIZES
    def test_under_way_with_time_left_and_a_way_to_end_it(self, size: tuple[int, int]) -> None:
        text = seen(under_way(), size=size)
        for word in ("5 of 12 switchings", "3 min 10 s", "at most 26 min 50 s left", "x End it"):
            assert word in text
        assert "e Experiment" not in text
        assert "t Stop" in text

    @SIZES
    def test_model_with_errors_and_rules_side_by_side(self, size: tuple[int, int]) -> None:
        text = seen(with_model(), size=size)
        model = tuned().found.model
        assert f"gain {model.gain_degC_per_percent:.3f} ± {model.gain_se:.3f} °C/%" in text
        for word in ("lag 38", "dead", "GM", "PM", "over", "settles", "› simc", "g Gains"):
            assert word in text
        if size == LARGE:
            for word in ("optimum pi", "PV less model", "predicted", "noise"):
                assert word in text

    @SIZES
    def test_gains_in_force_and_verified(self, size: tuple[int, int]) -> None:
        text = seen(with_gains(), size=size)
        held = applied().held
        assert held is not None
        assert f"kp {held.kp_percent_per_degC:.2f}" in text
        for word in ("● simc", "✓ passed", "u Undo", "k Keep"):
            assert word in text

    def test_both_parts_of_the_feed_forward_and_the_way_between(self) -> None:
        held = applied().held
        assert held is not None
        fake = with_gains()
        both = replace(
            held,
            feed_forward_percent_per_mm_s=0.78,
            feed_forward_first_percent_per_mm_s=-0.35,
            feed_forward_after_mm=88.0,
        )
        fake.tunings = {0: replace(applied(), held=both)}
        text = seen(fake)
        assert "feed-forward: OP -0.35 % for the first 88 mm, then +0.78 % for each mm/s" in text
        assert "setpoint ✓ passed" in text
        fake.tunings = {0: replace(applied(), held=replace(both, feed_forward_after_mm=0.0))}
        assert "feed-forward: OP +0.78 % for each mm/s" in seen(fake)

    def test_what_speaks_against_a_picked_rule_is_seen_whole_on_a_small_screen(self) -> None:
        assert "z-nichols: △ little margin, noise 32 %" in seen(with_model(), *["down"] * 4)

    def test_a_failed_check_says_so_without_colour(self) -> None:
        check = applied().checks[0]
        failed = replace(check, verdict=replace(check.verdict, passed=False, reasons=("slow",)))
        fake = with_gains()
        fake.tunings = {0: replace(applied(), checks=(failed,))}
        assert "✕ failed" in seen(fake, size=LARGE)

    def test_trouble_stands_out(self) -> None:
        fake = fresh()
        fake.status = TuneStatus(text="x", trouble="the zone reached the ceiling: take less")
        assert "▲ the zone reached the ceiling" in seen(fake)

    def test_another_zone(self) -> None:
        text = seen(with_model(), "2")
        assert "zone 2 nip" in text and "No model of this zone yet" in text

    def test_pictures_in_turn(self) -> None:
        fake = with_gains()
        for presses, word in (
            (1, "OP %"),
            (2, "PV less model"),
            (3, "setpoint step"),
            (4, "model"),
        ):
            assert word in seen(fake, *["v"] * presses)

    @SIZES
    def test_looks(self, snap_compare: Compare, size: tuple[int, int]) -> None:
        async def to_tune(pilot: Pilot[Any]) -> None:
            await press_each("z")(pilot)
            pilot.app.screen.draw_plots()  # type: ignore[attr-defined]
            await pilot.pause()

        assert snap_compare(app_of(with_gains()), terminal_size=size, run_before=to_tune)


class TestWhatIsAsked:
    @pytest.mark.parametrize(("key", "kind"), [("1", "relay"), ("2", "step"), ("3", "doublet")])
    def test_an_experiment_after_its_cautions(self, key: str, kind: str) -> None:
        fake = fresh()
        screen, text = drive(app_of(fake), press_each("z", "e"))
        assert isinstance(screen, StartExperiment)
        for word in ("hands off", "guide is empty", "Stay with the machine"):
            assert word in text
        assert asked(fake, "e", key) == [("experiment", 0, kind, 1.5, True)]

    @pytest.mark.parametrize("keys", [("e", "n"), ("e", "escape"), ("e", "enter")])
    def test_no_experiment_without_a_choice(self, keys: tuple[str, ...]) -> None:
        assert asked(fresh(), *keys) == []

    def test_zone_two(self) -> None:
        assert asked(fresh(), "2", "e", "1") == [("experiment", 1, "relay", 1.5, True)]

    def test_ended_by_key(self) -> None:
        assert asked(under_way(), "x") == [("stop",)]

    def test_picked_rule_is_applied(self) -> None:
        assert asked(with_model(), "g") == [("apply", 0, "simc")]
        assert asked(with_model(), "down", "down", "g") == [("apply", 0, "amigo")]

    def test_undo_save_and_knob(self) -> None:
        assert asked(with_gains(), "u", "k") == [("undo", 0), ("save",)]
        assert asked(with_gains(), "minus") == [("knob", 0, 1.75)]
        assert asked(with_gains(), "plus") == [("knob", 0, 1.25)]

    def test_check_and_feed_only_after_a_question(self) -> None:
        screen, text = drive(app_of(with_gains()), press_each("z", "m"))
        assert isinstance(screen, Confirm) and "guide is empty" in text
        assert asked(with_gains(), "m", "enter") == []
        assert asked(with_gains(), "m", "y") == [("check", 0, True)]
        screen, text = drive(app_of(with_gains()), press_each("z", "f", "enter"))
        assert "rollers turn" in text and "hands clear" in text
        assert asked(with_gains(), "f", "enter", "y") == [("feed", 0, 14.0, True)]
        assert asked(with_gains(), "f", "enter", "n") == []

    def test_interaction_once_all_are_tuned(self) -> None:
        fake = with_gains()
        fake.tunings = {0: applied(), 1: tuned()}
        assert asked(fake, "i", "y") == [("interaction", [110.0, 110.0], True)]

    def test_a_refusal_is_shown(self) -> None:
        fake = with_model()
        fake.refusal = "relay is still under way: wait for it"
        assert "still under way" in seen(fake, "g", size=LARGE)

    @pytest.mark.parametrize("before", [(), ("e",), ("m",), ("f",)])
    @pytest.mark.parametrize(("key", "command"), [("t", Command.STOP), ("b", Command.ABORT)])
    def test_stop_and_abort_work_everywhere(
        self, key: str, command: Command, before: tuple[str, ...]
    ) -> None:
        live = head_at(120.0, state=State.IDLE)
        drive(app_of(with_gains(), live), press_each("z", *before, key))
        assert ("command", command) in live.asked

    @pytest.mark.parametrize("key", ["escape", "q"])
    def test_back_to_the_monitor(self, key: str) -> None:
        screen, _ = drive(app_of(fresh()), press_each("z", key))
        assert isinstance(screen, Monitor)

    def test_not_without_something_to_tune_with(self) -> None:
        screen, _ = drive(MonitorApp(head_at(120.0)), press_each("z"))
        assert isinstance(screen, Monitor)

    def test_opened_with_a_key(self) -> None:
        screen, _ = drive(app_of(fresh()), press_each("z"))
        assert isinstance(screen, Tune)


class TestDecisions:
    def test_keys_that_make_sense_now(self) -> None:
        assert keys_now(TuneStatus(job="relay"), True, True, True) == {END}
        assert keys_now(TuneStatus(), False, False, False) == {EXPERIMENT}
        now = keys_now(TuneStatus(), True, True, True)
        assert {EXPERIMENT, GAINS, UNDO, INTERACTION} <= now and END not in now

    def test_knob_stays_between_brisk_and_calm(self) -> None:
        assert turned(1.0, True) == 1.0 and turned(3.0, False) == 3.0
        assert [knob_word(k) for k in (1.0, 1.5, 3.0)] == ["brisk", "even", "calm"]

    def test_one_rule_is_marked_as_in_force(self) -> None:
        assert [row.mark for row in rule_rows(applied())].count("●") == 1
        assert [row.mark for row in rule_rows(tuned())].count("›") == 1
        assert rule_rows(None) == ()

    @pytest.mark.parametrize("plotted", list(Plotted))
    def test_pictures_hold_what_they_draw(self, plotted: Plotted) -> None:
        for tuning in (tuned(), applied()):
            picture = found_picture(plotted, tuning, None, 120, 12)
            low, high = picture.y_range
            for curve in picture.curves:
                assert curve.values.min() >= low and curve.values.max() <= high
        drawn = live_picture(plotted, fresh().log.trace(0.0), 0, 120, 12)
        assert drawn.x_range[1] == 0.0 and len(drawn.curves[0].values)
