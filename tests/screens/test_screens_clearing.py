"""The Clearing screen: what is seen at both sizes, and what keys ask of the head."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from textual.pilot import Pilot

from lamp_run import FakeHead, FakeLink, jammed, snapshot_at, to_clear
from plylane.clearing import Step
from plylane.head.registers import Command, State
from plylane.screens import MonitorApp
from plylane.screens.clearing import ClearingScreen
from plylane.screens.confirm import Confirm
from plylane.screens.decide import CAUTION, Kind
from plylane.screens.decide.clearing import after_clearing, clearing_says, step_rows
from plylane.screens.help import Help
from plylane.screens.monitor import Monitor
from screen_driver import LARGE, SMALL, drive, press, text_of

SIZES = pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "140x40"])
YOURS = ("isolate", "heat", "pull", "look", "cord", "strips", "hands_out")
Compare = Callable[..., bool]


def seen(live: FakeHead, *keys: str, size: tuple[int, int] = SMALL) -> str:
    return "\n".join(drive(MonitorApp(live), press("g", *keys), size))


def asked(live: FakeHead, *keys: str) -> list[tuple[Any, ...]]:
    drive(MonitorApp(live), press("g", *keys))
    return live.asked


def done() -> FakeHead:
    return to_clear(*YOURS, turned=True, calm=True)


class TestWhatIsSeen:
    @SIZES
    def test_every_step_with_its_number(self, size: tuple[int, int]) -> None:
        text = seen(to_clear("isolate"), size=size)
        wanted = [
            "H E L D", "the strip in lane 3 sticks", "✓  1  drives and heaters isolated",
            "✓  2  rollers stand", "feed 0.00 mm/s", "○  3  hot blocks", "guide 105 °C, nip 90 °C",
            "○  4  jam taken out", "11.6 mm not passed", "lane 3's wheel turned by hand",
            "moved 0.0 of 5 mm", "at least 12 mm", "stood 2 s", "○ 10  alarms acknowledged",
            "2 standing, 1 unack.", "✓ 11  permit given", "✓ 12  zones ready",
            "Isolate and lock out drives and heaters", "4 of 12 done. Open: hot blocks",
            "u unhold", CAUTION,
        ]  # fmt: skip
        assert [piece for piece in wanted if piece not in text] == []

    def test_the_picked_step_says_what_to_do(self) -> None:
        text = " ".join(seen(to_clear(), "down", "down", "down").split())
        assert "Pull the strip of lane 3 back out of the guide, against the feed" in text

    def test_large_screens_say_it_of_every_step(self) -> None:
        text = seen(to_clear(), size=LARGE)
        assert "Turn lane 3's wheel by hand" in text
        assert "the head refuses to unhold before" in text
        assert "yours to say" in text and "measured" in text

    def test_all_done(self) -> None:
        text = seen(done())
        assert "○" not in text
        assert "Every step is done. u asks once more, then unholds." in text

    def test_a_lost_link_leaves_nothing_judged(self) -> None:
        live = done()
        live.link = FakeLink(False, "the port is gone", 0.0)
        text = seen(live)
        assert "✕ The head does not answer: what is shown is old." in text
        assert "○  2  rollers stand" in text

    def test_it_is_offered_only_while_there_is_something_to_clear(self) -> None:
        assert "g clearing" in "\n".join(drive(MonitorApp(to_clear()), press()))
        assert "g clearing" not in "\n".join(drive(MonitorApp(jammed()), press()))

        async def still_there(pilot: Pilot[Any]) -> bool:
            await pilot.press("g")
            await pilot.pause()
            return isinstance(pilot.app.screen, Monitor)

        assert drive(MonitorApp(jammed()), still_there)

    def test_unheld_it_shows_the_zones_on_their_way(self) -> None:
        live = to_clear()

        async def script(pilot: Pilot[Any]) -> str:
            await pilot.press("g")
            live.clearing = None
            live.latest = snapshot_at(270.0, state=State.UNHOLDING)
            pilot.app.screen.tick()  # type: ignore[attr-defined]
            await pilot.pause()
            return "\n".join(text_of(pilot.app))

        text = drive(MonitorApp(live), script)
        assert "Heating: 1 guide" in text and "of 110 °C" in text
        assert "○" not in text

    @SIZES
    def test_looks(self, snap_compare: Compare, size: tuple[int, int]) -> None:
        async def to_screen(pilot: Pilot[Any]) -> None:
            await pilot.pause()
            await pilot.press("g", "down", "down", "down")
            await pilot.pause()

        app = MonitorApp(to_clear("isolate", "heat"))
        assert snap_compare(app, terminal_size=size, run_before=to_screen)


class TestKeys:
    def test_enter_confirms_and_takes_back(self) -> None:
        live = to_clear("isolate")
        assert asked(live, "enter", "down", "down", "enter") == [
            ("step", "isolate", False),
            ("step", "heat", True),
        ]

    def test_what_is_measured_cannot_be_said(self) -> None:
        assert asked(to_clear(), "down", "enter") == []

    def test_a_wheel_that_was_counted_may_still_be_vouched_for(self) -> None:
        live = to_clear(turned=True)
        assert asked(live, *["down"] * 5, "enter") == [("step", "wheel", True)]

    def test_unhold_asks_once_more_and_only_when_every_step_is_done(self) -> None:
        assert asked(to_clear(), "u", "y") == []
        assert asked(done(), "u") == []
        assert asked(done(), "u", "n") == []
        assert asked(done(), "u", "y") == [("command", Command.UNHOLD)]

    def test_unhold_is_not_asked_for_over_a_lost_link(self) -> None:
        live = done()
        live.link = FakeLink(False, "the port is gone", 0.0)
        assert asked(live, "u", "y") == []

    def test_stop_abort_and_acknowledge_work_from_here(self) -> None:
        assert asked(to_clear(), "t", "b", "A") == [
            ("command", Command.STOP),
            ("command", Command.ABORT),
            ("acknowledge", None),
        ]

    @pytest.mark.parametrize(
        ("keys", "screen"),
        [
            (("g",), ClearingScreen),
            (("g", "escape"), Monitor),
            (("g", "q"), Monitor),
            (("g", "question_mark"), Help),
            (("g", "question_mark", "escape"), ClearingScreen),
        ],
    )
    def test_ways_there_and_back(self, keys: tuple[str, ...], screen: type) -> None:
        async def script(pilot: Pilot[Any]) -> bool:
            await pilot.press(*keys)
            await pilot.pause()
            return isinstance(pilot.app.screen, screen)

        assert drive(MonitorApp(to_clear()), script)

    def test_the_question_is_the_monitor_s(self) -> None:
        async def script(pilot: Pilot[Any]) -> bool:
            await pilot.press("g", "u")
            await pilot.pause()
            return isinstance(pilot.app.screen, Confirm)

        assert drive(MonitorApp(done()), script)


def steps_of(live: FakeHead, *, fresh: bool = True) -> tuple[Step, ...]:
    assert live.clearing is not None and live.latest is not None
    return live.clearing.steps(live.latest, fresh=fresh)


class TestWords:
    def test_what_is_open_stands_out_and_nothing_here_is_coloured_as_an_alarm(self) -> None:
        steps = steps_of(to_clear("isolate"))
        for step, row in zip(steps, step_rows(steps), strict=True):
            assert row.label.kind is (Kind.QUIET if step.done else Kind.STRONG)
            assert row.label.text[0] == ("✓" if step.done else "○")

    def test_who_says_so(self) -> None:
        rows = {row.name: row.by.text for row in step_rows(steps_of(to_clear("heat", turned=True)))}
        assert rows["heat"] == "you said so"
        assert rows["pull"] == "yours to say"
        assert rows["wheel"] == "counted"
        assert rows["rollers"] == "measured"

    def test_old_readings_are_set_off(self) -> None:
        rows = step_rows(steps_of(done(), fresh=False), stale=True)
        assert {row.reading.kind for row in rows} == {Kind.STALE}

    def test_how_far_it_is(self) -> None:
        assert clearing_says(steps_of(to_clear())).text.startswith("3 of 12 done. Open: drives")
        assert "asks once more" in clearing_says(steps_of(done())).text
        assert clearing_says(steps_of(done()), stale=True).text.startswith("✕")

    def test_after_it(self) -> None:
        assert after_clearing(None).endswith("yet.")
        assert "Feeding." in after_clearing(snapshot_at(221.0))
        assert "keep clear" in after_clearing(snapshot_at(270.0, state=State.UNHOLDING))
