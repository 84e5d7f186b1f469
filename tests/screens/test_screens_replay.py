"""Replay: the timeline, jumping to findings, values at the cursor."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from textual.pilot import Pilot

from lamp_run import FINDING, FakeRecording
from plylane.jam.finding import Finding
from plylane.screens import ReplayApp
from plylane.screens.replay import Replay
from screen_driver import LARGE, SMALL, drive, press, text_of

SIZES = pytest.mark.parametrize("size", [SMALL, LARGE])
RUN = FakeRecording()
SECOND = Finding("head_jam", 400.0, None, 22.5, {"onset_s": 398.0})


def seen(recording: FakeRecording, *keys: str, size: tuple[int, int] = SMALL) -> str:
    return "\n".join(drive(ReplayApp(recording), press(*keys), size))


def cursor_after(recording: FakeRecording, *keys: str) -> Replay:
    async def script(pilot: Pilot[Any]) -> Replay:
        await pilot.press(*keys)
        assert isinstance(pilot.app.screen, Replay)
        return pilot.app.screen

    replay: Replay = drive(ReplayApp(recording), script)
    return replay


def spans_after(*keys: str) -> list[float]:
    """How much time is shown after each key."""

    async def script(pilot: Pilot[Any]) -> list[float]:
        spans = []
        for key in keys:
            await pilot.press(key)
            assert isinstance(pilot.app.screen, Replay)
            spans.append(pilot.app.screen.view.span_s)
        return spans

    spans: list[float] = drive(ReplayApp(RUN), script)
    return spans


@pytest.fixture
def two() -> FakeRecording:
    recording = FakeRecording()
    recording.findings = [FINDING, SECOND]
    return recording


class TestWhatIsSeen:
    @SIZES
    def test_the_whole_run(self, size: tuple[int, int]) -> None:
        text = seen(RUN, size=size)
        wanted = [
            "Replay", "run-0007", "7:20, pendant lamp rib, complete", "1 finding", "findings",
            "◆1", "state", "Starting", "Execute", "Held", "PV °C", "feed less output, mm",
            "4:00", "0:00 (0.00 s)  Idle", "1 guide 22.0", "2 nip 22.0", "mismatch +0.00 mm",
            "lanes", "strip stuck, lane 3, 11.6 mm lost", "n p finding", "? keys",
        ]  # fmt: skip
        assert [piece for piece in wanted if piece not in text] == []

    @SIZES
    def test_a_finding_with_its_evidence(self, size: tuple[int, int]) -> None:
        text = " ".join(seen(RUN, "n", size=size).split())
        for piece in ("3:57 (237.00 s)", "since 236.10 s", "told from 8.00 mm", "median -11.20 mm"):
            assert piece in text

    def test_a_torn_log_says_so(self) -> None:
        torn = FakeRecording(torn="telemetry.arrows ends in the middle of a batch", until_s=30.0)
        assert "◆ The log is torn: telemetry.arrows ends in the middle" in seen(torn)
        assert "torn" not in seen(RUN)

    def test_a_run_that_is_being_logged_says_so(self) -> None:
        recording = FakeRecording(until_s=30.0)
        recording.going_on = True
        assert "0:30, pendant lamp rib, still going on" in seen(recording)

    def test_a_run_judged_otherwise_than_live_says_so(self) -> None:
        recording = FakeRecording()
        recording.otherwise = "Judged otherwise than while it ran: 1 finding now, 0 then"
        assert "◆ Judged otherwise than while it ran: 1 finding now" in seen(recording)

    def test_a_run_without_findings_says_so(self) -> None:
        assert "No findings in this run." in seen(FakeRecording(until_s=60.0))

    def test_an_empty_log(self) -> None:
        empty = FakeRecording(until_s=1.0)
        empty.columns = {name: column[:0] for name, column in empty.columns.items()}
        assert "The log has no rows." in seen(empty, "right", "n", "plus", "end")

    def test_a_log_with_missing_columns(self) -> None:
        poor = FakeRecording(until_s=60.0)
        del poor.columns["length_to_go_mm"], poor.columns["zone1_sp_degC"]
        assert "to go nan" in seen(poor)

    @pytest.mark.parametrize("size", [(40, 16), (60, 20), (200, 60)])
    def test_other_sizes(self, size: tuple[int, int]) -> None:
        rows = drive(ReplayApp(RUN), press("n"), size)
        assert all(len(row) == size[0] for row in rows)
        assert "3:57" in "".join(rows)

    def test_large_screens_show_four_plots_small_ones_the_next_pair(self) -> None:
        assert "OP %" in seen(RUN, size=LARGE)
        assert "OP %" not in seen(RUN)
        assert "OP %" in seen(RUN, "v")
        assert "PV °C" in seen(RUN, "v", "v")


class TestMoving:
    def test_to_findings_and_no_further(self, two: FakeRecording) -> None:
        assert cursor_after(two, "n").cursor_s == FINDING.time_s
        assert cursor_after(two, "n", "n").cursor_s == SECOND.time_s
        assert cursor_after(two, "n", "n", "n").cursor_s == SECOND.time_s
        assert cursor_after(two, "n", "n", "p").cursor_s == FINDING.time_s
        assert cursor_after(two, "end", "p", "p", "p").cursor_s == FINDING.time_s

    def test_a_jump_comes_close_and_keeps_what_led_up_to_it(self, two: FakeRecording) -> None:
        view = cursor_after(two, "n").view
        assert view.span_s == pytest.approx(60.0)
        assert view.start_s <= FINDING.time_s - 20.0

    def test_enter_in_the_list_jumps(self, two: FakeRecording) -> None:
        assert cursor_after(two, "down", "down", "enter").cursor_s == SECOND.time_s

    def test_home_and_end(self) -> None:
        assert cursor_after(RUN, "end").cursor_s == pytest.approx(RUN.time_s[-1])
        assert cursor_after(RUN, "end", "home").cursor_s == 0.0

    def test_the_cursor_stays_in_the_run_and_in_view(self) -> None:
        assert cursor_after(RUN, "left").cursor_s == 0.0
        replay = cursor_after(RUN, "n", "plus", "plus", *["shift+right"] * 8)
        assert replay.view.start_s <= replay.cursor_s <= replay.view.end_s
        assert replay.view.start_s > FINDING.time_s

    def test_shift_goes_ten_times_as_far(self) -> None:
        one, ten = cursor_after(RUN, "right"), cursor_after(RUN, "shift+right")
        assert ten.cursor_s == pytest.approx(10 * one.cursor_s)

    def test_zoom(self) -> None:
        whole = RUN.time_s[-1] - RUN.time_s[0]
        assert spans_after("plus", "minus", "minus", "n", "0") == pytest.approx(
            [whole / 2, whole, whole, 60.0, whole]
        )
        assert spans_after(*["plus"] * 10)[-1] == 1.0

    def test_keys_without_a_head_do_nothing_dangerous(self) -> None:
        assert "Held" in seen(RUN, "t", "b", "s", "n")


class TestAround:
    def after(self, script: Callable[[Pilot[Any]], Awaitable[Any]]) -> Any:
        return drive(ReplayApp(RUN), script)

    @pytest.mark.parametrize("key", ["q", "escape"])
    def test_leaves(self, key: str) -> None:
        async def script(pilot: Pilot[Any]) -> bool:
            await pilot.press(key)
            await pilot.pause()
            return pilot.app._exit

        assert self.after(script)

    def test_help(self) -> None:
        async def script(pilot: Pilot[Any]) -> str:
            await pilot.press("question_mark")
            return "\n".join(text_of(pilot.app))

        assert "next, previous finding" in self.after(script)

    def test_resizing_draws_anew(self) -> None:
        async def script(pilot: Pilot[Any]) -> list[int]:
            await pilot.resize_terminal(120, 40)
            await pilot.pause()
            return [len(row) for row in text_of(pilot.app)]

        assert self.after(script) == [120] * 40
