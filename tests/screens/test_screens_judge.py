"""Replay: judged again with other settings, before and after side by side; what was told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from textual.pilot import Pilot

from lamp_run import FINDING, OUTPUT_WHEEL, SOONER, FakeRecording
from plylane.jam import WatchSettings
from plylane.screens import ReplayApp
from plylane.screens.judge_again import JudgeAgain
from plylane.screens.replay import Replay
from screen_driver import LARGE, SMALL, drive, press, text_of

SIZES = pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "140x40"])
Compare = Callable[..., bool]
OTHER = WatchSettings(patience_mm=3.0, confidence=0.9)


async def settled(pilot: Pilot[Any]) -> None:
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


def after(
    recording: FakeRecording,
    *keys: str,
    size: tuple[int, int] = SMALL,
    settings: WatchSettings | None = None,
) -> str:
    """The screen after the keys, once the judging is done."""

    async def script(pilot: Pilot[Any]) -> list[str]:
        await settled(pilot)
        await pilot.press(*keys)
        await settled(pilot)
        return text_of(pilot.app)

    return "\n".join(drive(ReplayApp(recording, settings), script, size))


class TestAsking:
    def test_every_setting_is_there_with_value_unit_and_range(self) -> None:
        text = after(FakeRecording(), "j", size=LARGE)
        for field, info in WatchSettings.model_fields.items():
            if field == "strip_ends":  # known of a run, not chosen
                continue
            words = field.replace("_mm_s", "").replace("_mm", "").replace("_degC", "")
            assert words.replace("_", " ") in text
            assert f"{info.default:g}" in text
        assert "above 0, at most 20 mm" in text
        assert "One false alarm in so many hours" in text

    def test_a_changed_value_shows_that_of_the_run(self) -> None:
        text = after(FakeRecording(), "j", "down", "down", "3")
        assert "at most 20 mm   run: 4" in text
        assert "run: " not in after(FakeRecording(), "j", "down", "down", "3", "u")

    def test_bad_values_are_told_at_their_fields_and_nothing_is_judged(self) -> None:
        recording = FakeRecording()
        keys = ("j", "down", "full_stop", "6", "down", "9", "9", "down", "backspace", "enter")
        text = after(recording, *keys)
        assert "◆ above 0.5, below 1" not in text
        assert "◆ above 0, at most 20 mm" in text
        assert "◆ above 0 mm/s" in text
        assert "patience_mm is '99', it must be a number above 0, at most 20 mm" in text
        assert recording.judged_with == []

    def test_escape_and_q_leave_all_as_it_is(self) -> None:
        for key in ("escape", "q"):
            recording = FakeRecording()
            text = after(recording, "j", "9", key)
            assert "strip stuck, lane 3, 11.6 mm lost" in text
            assert recording.judged_with == []

    def test_values_typed_are_those_judged_with(self) -> None:
        recording = FakeRecording()
        after(recording, "j", "down", "down", "2", "comma", "5", "enter")
        assert recording.judged_with == [WatchSettings(patience_mm=2.5)]
        after(recording, "j", "enter")
        assert len(recording.judged_with) == 1  # nothing changed, nothing judged


class TestBeforeAndAfter:
    @SIZES
    def test_side_by_side_in_words(self, size: tuple[int, int]) -> None:
        text = after(FakeRecording(), settings=OTHER, size=size)
        assert "With confidence 0.9 (was 0.95), patience 3 mm (was 4)" in text
        rows = [" ".join(row.split()) for row in text.splitlines()]
        assert any(r.startswith("before: 1 finding │ after: 2 findings") for r in rows)
        assert any(r.startswith("= same ◆1 3:57 strip stuck lane 3") for r in rows)
        assert any(r.startswith("+ new – │ ◆2 6:12 output wheel dirty") for r in rows)

    def test_a_finding_that_is_gone(self) -> None:
        recording = FakeRecording()
        recording.found_again = [OUTPUT_WHEEL]
        text = after(recording, "n", settings=OTHER)
        assert "− gone ◆1 3:57 strip stuck lane 3" in text
        assert "Before: since 236.10 s" in text
        assert "◇" in text or "3:57 (237.00 s)" in text

    def test_how_much_sooner_it_was_told(self) -> None:
        assert f"Told {FINDING.time_s - SOONER.time_s:.2f} s sooner" in after(
            FakeRecording(), "n", settings=OTHER
        )

    def test_keys_go_through_before_and_after(self) -> None:
        assert "6:12 (372.00 s)" in after(FakeRecording(), "n", "n", settings=OTHER)

    def test_one_key_goes_back_to_the_settings_of_the_run(self) -> None:
        recording = FakeRecording()
        text = after(recording, "u", settings=OTHER)
        assert "strip stuck, lane 3, 11.6 mm lost" in text
        assert "after:" not in text
        assert len(recording.judged_with) == 1


class TestWhileJudging:
    def judging(self, recording: FakeRecording, *keys: str) -> tuple[str, str]:
        """The screen while a judging waits and keys were pressed, and when it went on."""

        async def script(pilot: Pilot[Any]) -> tuple[str, str]:
            for _ in range(200):
                await pilot.pause(0.01)
                if " 50 %" in "\n".join(text_of(pilot.app)):
                    break
            await pilot.press(*keys)
            await pilot.pause()
            during = "\n".join(text_of(pilot.app))
            recording.hold.set()
            await pilot.pause(0.1)
            return during, "\n".join(text_of(pilot.app))

        recording.hold.clear()
        return drive(ReplayApp(recording, OTHER), script)

    def test_progress_is_shown_and_the_screen_answers(self) -> None:
        during, done = self.judging(FakeRecording(), "end")
        assert "Judging again" in during
        assert " 50 %" in during
        assert "7:20 (439.90 s)" in during
        assert "+ new" in done

    def test_x_ends_it_and_what_stood_there_stays(self) -> None:
        during, done = self.judging(FakeRecording(), "x")
        for text in (during, done):
            assert "Judging again" not in text
            assert "strip stuck, lane 3, 11.6 mm lost" in text

    def test_a_log_that_was_changed_is_told(self) -> None:
        recording = FakeRecording()

        def judge(*_: Any) -> list[Any]:
            raise ValueError("telemetry.arrows: has changed while it was read; open it again")

        async def script(pilot: Pilot[Any]) -> tuple[list[str], str]:
            await settled(pilot)
            told = [notice.message for notice in pilot.app._notifications]
            return told, "\n".join(text_of(pilot.app))

        recording.judge = judge  # type: ignore[method-assign]
        told, text = drive(ReplayApp(recording, OTHER), script)
        assert told == ["telemetry.arrows: has changed while it was read; open it again"]
        assert "Judging again" not in text


class TestTold:
    def test_beside_the_values_where_there_is_room(self) -> None:
        text = after(FakeRecording(), "n", size=LARGE)
        assert "cursor   3:57" in text
        assert "▸   3:57  State holding" in text
        assert "Lane 5: strip of 2400 mm put in" in text

    def test_in_their_place_where_there_is_not(self) -> None:
        assert "State holding" not in after(FakeRecording(), "n")
        told = after(FakeRecording(), "n", "e")
        assert "▸   3:57  State holding" in told
        assert "cursor " not in told.replace("← → cursor ", "")
        assert "cursor   3:57" in after(FakeRecording(), "n", "e", "e")

    def test_it_follows_the_cursor(self) -> None:
        text = after(FakeRecording(), "end", "e")
        assert "▸   4:11  192.0.2.7 port 40000 writes" in text

    def test_a_log_without_events(self) -> None:
        recording = FakeRecording()
        recording.events, recording.journal = [], []
        assert "The log has no events." in after(recording, "e")


class TestWhatIsSeen:
    @SIZES
    def test_looks(self, snap_compare: Compare, size: tuple[int, int]) -> None:
        async def judged(pilot: Pilot[Any]) -> None:
            await settled(pilot)
            await pilot.press("n")
            await settled(pilot)

        app = ReplayApp(FakeRecording(), OTHER)
        assert snap_compare(app, terminal_size=size, run_before=judged)

    @SIZES
    def test_looks_of_the_question(self, snap_compare: Compare, size: tuple[int, int]) -> None:
        async def asked(pilot: Pilot[Any]) -> None:
            await settled(pilot)
            await pilot.press("j", "down", "down", "9", "9", "enter")
            await pilot.pause()

        app = ReplayApp(FakeRecording())
        assert snap_compare(app, terminal_size=size, run_before=asked)


def test_stop_works_from_the_question() -> None:
    """Letters are keys, not text, while a setting is typed."""

    async def script(pilot: Pilot[Any]) -> tuple[bool, str]:
        await pilot.press("j", "t", "n")
        await pilot.pause()
        screen = pilot.app.screen
        assert isinstance(screen, JudgeAgain)
        return isinstance(pilot.app.screen_stack[-2], Replay), "\n".join(text_of(pilot.app))

    below, text = drive(ReplayApp(FakeRecording()), script)
    assert below
    assert "1000 " in text


def test_the_screen_needs_no_more_than_the_keys_line_says() -> None:
    text = "\n".join(drive(ReplayApp(FakeRecording()), press()))
    assert "e events" in text
    assert "j judge" in text
