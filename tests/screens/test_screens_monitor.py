"""The Monitor: what is seen at both sizes, and what keys ask of the head."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Button, Input

from lamp_run import (
    LANE_STOPPED,
    UNDER_TEMPERATURE,
    FakeHead,
    FakeLink,
    FakeRecording,
    head_at,
    jammed,
    running,
    snapshot_at,
    with_strips,
)
from plylane.feed.lanes import LaneBook
from plylane.feed.strip_plan import Curve, StripPlan
from plylane.head.registers import ALARMS, Command, State
from plylane.head.snapshot import Snapshot
from plylane.host_alarms import STRIP_ENDS_SOON
from plylane.screens import MonitorApp
from plylane.screens.confirm import Confirm
from plylane.screens.decide import CAUTION, Kind, state_sentence, state_word
from plylane.screens.help import Help
from plylane.screens.monitor import SPANS_S, Monitor
from plylane.screens.pictures import Topic
from plylane.screens.replay import Replay
from plylane.screens.theme import DARK, LIGHT
from plylane.screens.widgets.trend import TrendPlot
from screen_driver import LARGE, SMALL, drawn, drive, press, text_of

SIZES = pytest.mark.parametrize("size", [SMALL, LARGE])


def seen(live: FakeHead, *keys: str, size: tuple[int, int] = SMALL) -> str:
    """The drawn screen after some keys."""
    return "\n".join(drive(MonitorApp(live), press(*keys), size))


def asked(live: FakeHead, *keys: str) -> list[tuple[Any, ...]]:
    """What the live was asked for by those keys."""
    drive(MonitorApp(live), press(*keys))
    return live.asked


def each(snapshots: list[Snapshot]) -> list[list[str]]:
    """The drawn small screen for one snapshot after the other."""
    live = running()

    async def script(pilot: Pilot[Any]) -> list[list[str]]:
        screens = []
        for snapshot in snapshots:
            live.latest = snapshot
            pilot.app.screen.tick()  # type: ignore[attr-defined]
            await pilot.pause()
            screens.append(text_of(pilot.app))
        return screens

    screens: list[list[str]] = drive(MonitorApp(live), script)
    return screens


class TestWhatIsSeen:
    def test_every_states_sentence_is_seen_whole(self) -> None:
        states = [state for state in State if state_sentence(state)]
        for state, screen in zip(
            states, each([snapshot_at(2.0, state=s) for s in states]), strict=True
        ):
            assert state_sentence(state) in "\n".join(screen)

    def test_a_run_without_a_plan_says_so(self) -> None:
        async def script(pilot: Pilot[Any]) -> list[str]:
            await pilot.press("n")
            await pilot.pause()
            return [notice.message for notice in pilot.app._notifications]

        (said,) = drive(MonitorApp(running()), script)
        assert said.startswith("This run has no plan")

    @SIZES
    def test_everything_of_a_run(self, size: tuple[int, int]) -> None:
        live = running()
        text = seen(live, size=size)
        now = live.latest
        assert now is not None
        wanted = [
            "pendant lamp rib", "twin, firmware 0.1.0", "link 50/s", "E X E C U T E", "Feeding.",
            f"laid {now.telemetry.output_position_mm:.1f} mm", "33 %", "to go 2006.0 mm",
            "Idle › Starting › Execute › Completing › Complete",
            "1 guide", f"{now.zones[0].pv_degC:.1f}", "110.0", "2 nip", "at setpoint",
            "14.00 mm/s", "wanted", f"{now.telemetry.output_speed_mm_s:.2f} mm/s", "apart",
            "of 15.0 mm", "from median", "984.6", "+1.2", "runs",
            "No alarms", "State execute", "h Hold", "t Stop", "b Abort", "? keys", CAUTION,
        ]  # fmt: skip
        assert [piece for piece in wanted if piece not in text] == []

    @SIZES
    def test_everything_of_a_jam(self, size: tuple[int, int]) -> None:
        text = seen(jammed(), size=size)
        wanted = [
            "H E L D", "Unhold to go on.", "2 alarms, 1 to acknowledge", "▲ high",
            "lane stopped: lane 3", "active, unack.", "◆ medium", "under temperature: zone 2 nip",
            "active, ack.", ALARMS[LANE_STOPPED].remedy, "▲ stopped", "-11.3", "u Unhold",
            "t Stop", "a Acknowledge", "b Abort", "Unhold refused: alarm standing.", CAUTION,
        ]  # fmt: skip
        assert [piece for piece in wanted if piece not in text] == []

    @SIZES
    def test_all_that_can_be_fitted_fits(self, size: tuple[int, int]) -> None:
        text = seen(head_at(221.0, zones=3, lanes=8), size=size)
        assert "zone 3" in text
        for lane in range(1, 9):
            assert re.search(rf" {lane} +9\d\d\.\d .* runs", text)

    def test_large_screens_show_all_four_trends_the_meaning_and_the_log(self) -> None:
        async def script(pilot: Pilot[Any]) -> list[str]:
            await drawn(pilot)
            return text_of(pilot.app)

        text = "\n".join(drive(MonitorApp(jammed()), script, LARGE))
        for piece in ("PV °C", "OP %", "mm/s ━ output", "feed less output, mm"):
            assert piece in text
        assert ALARMS[LANE_STOPPED].doc in text
        assert "3:57  ◆ the strip in lane 3 sticks since 236.1 s" in text

    def test_every_state_is_named(self) -> None:
        shots = [snapshot_at(221.0, state=state) for state in State]
        for state, rows in zip(State, each(shots), strict=True):
            assert " ".join(state_word(state).upper()) in "\n".join(rows)

    def test_every_alarm_says_what_to_do_on_a_small_screen(self) -> None:
        masks = [1 << alarm.number for alarm in ALARMS]
        shots = [snapshot_at(221.0, active=mask, unacknowledged=mask) for mask in masks]
        for alarm, rows in zip(ALARMS, each(shots), strict=True):
            below = next(k for k, row in enumerate(rows) if row.strip().startswith("To do:"))
            assert alarm.remedy in " ".join(" ".join(rows[below : below + 2]).split())

    def test_nothing_heard_yet(self) -> None:
        text = seen(FakeHead(link=FakeLink(False, "nobody answers on the port", 0.0)))
        assert "Waiting for the head to answer." in text
        assert "✕ no link: nobody answers on the port" in text

    def test_a_lost_link_marks_what_is_shown_as_old(self) -> None:
        live = running()
        live.link = FakeLink(False, "the port is gone", 0.0)
        text = seen(live)
        assert "Last known state: the head does not answer now." in text
        assert "✕ no link: the port is gone" in text

    @pytest.mark.parametrize("size", [(40, 12), (50, 20), (64, 24), (79, 23), (200, 60)])
    def test_other_sizes_keep_state_and_abort(self, size: tuple[int, int]) -> None:
        rows = drive(MonitorApp(jammed()), press(), size)
        assert all(len(row) == size[0] for row in rows)
        assert "HELD" in "".join(rows).replace(" ", "")
        assert "b Abort" in "".join(rows)
        assert "hard-wired stop." in " ".join(" ".join(rows).split())

    def test_narrow_screens_scroll_to_the_lanes(self) -> None:
        async def script(pilot: Pilot[Any]) -> list[str]:
            pilot.app.screen.query_one("#middle").scroll_end(animate=False)
            await pilot.pause()
            return text_of(pilot.app)

        assert "▲ stopped" in "\n".join(drive(MonitorApp(jammed()), script, (50, 20)))

    def test_new_values_reach_the_screen(self) -> None:
        live = running()

        async def script(pilot: Pilot[Any]) -> str:
            live.latest = snapshot_at(300.0, state=State.HELD)
            pilot.app.screen.tick()  # type: ignore[attr-defined]
            await pilot.pause()
            return "\n".join(text_of(pilot.app))

        assert "H E L D" in drive(MonitorApp(live), script)

    def test_a_message_stands_out_first_and_stays(self) -> None:
        live = running()
        live.messages = ["Start refused: wrong state."]

        async def script(pilot: Pilot[Any]) -> list[Kind]:
            monitor = pilot.app.screen
            assert isinstance(monitor, Monitor)
            fresh = monitor._last_message().kind
            for _ in range(200):
                monitor._ticks += 1
            return [fresh, monitor._last_message().kind]

        assert drive(MonitorApp(live), script) == [Kind.STRONG, Kind.QUIET]


class TestCommands:
    @pytest.mark.parametrize(
        ("key", "command"),
        [
            ("r", Command.RESET),
            ("h", Command.HOLD),
            ("u", Command.UNHOLD),
            ("o", Command.COMPLETE),
            ("t", Command.STOP),
            ("b", Command.ABORT),
        ],
    )
    def test_one_key_is_enough(self, key: str, command: Command) -> None:
        assert asked(running(), key) == [("command", command)]

    @pytest.mark.parametrize(("key", "command"), [("s", Command.START), ("c", Command.CLEAR)])
    def test_start_and_clear_ask_back(self, key: str, command: Command) -> None:
        for answer, result in ((("y",), [("command", command)]), (("n",), []), (("escape",), [])):
            live = running()
            live.allowed = {command}
            assert asked(live, key, *answer) == result

    def test_enter_alone_confirms_nothing(self) -> None:
        live = running()
        live.allowed = {Command.START}
        assert asked(live, "s", "enter") == []

    @SIZES
    def test_the_question_shows_the_cautions(self, size: tuple[int, int]) -> None:
        live = running()
        live.allowed = {Command.START}
        text = seen(live, "s", size=size)
        for piece in ("burn skin", "Rollers draw in", "hard-wired stop is tested", "n No", "y Yes"):
            assert piece in text

    def test_what_is_not_allowed_goes_to_the_head_to_be_refused(self) -> None:
        assert asked(running(), "s") == [("command", Command.START)]

    @pytest.mark.parametrize("opened", [("s",), ("1",), ("question_mark",), ("f",), ("q",)])
    def test_stop_and_abort_work_over_every_dialog(self, opened: tuple[str, ...]) -> None:
        live = running()
        live.allowed = {Command.START}
        wanted = [("command", Command.ABORT), ("command", Command.STOP)]
        assert asked(live, *opened, "b", "t") == wanted

    def test_buttons_do_the_same(self) -> None:
        live = running()

        async def script(pilot: Pilot[Any]) -> None:
            await pilot.click("#command-hold")
            await pilot.click("#command-abort")

        drive(MonitorApp(live), script)
        assert live.asked == [("command", Command.HOLD), ("command", Command.ABORT)]

    def test_only_allowed_buttons_are_there_and_abort_always(self) -> None:
        live = running()
        live.allowed = {Command.RESET}

        async def script(pilot: Pilot[Any]) -> set[str | None]:
            return {b.id for b in pilot.app.screen.query(Button) if b.display}

        assert drive(MonitorApp(live), script) == {"command-reset", "command-abort"}


class TestAlarms:
    def test_acknowledge_takes_the_picked_one(self) -> None:
        assert asked(jammed(), "a") == [("acknowledge", LANE_STOPPED)]
        assert asked(jammed(), "down", "a") == [("acknowledge", UNDER_TEMPERATURE)]
        assert asked(jammed(), "enter") == [("acknowledge", LANE_STOPPED)]

    def test_acknowledge_all(self) -> None:
        assert asked(jammed(), "A") == [("acknowledge", None)]

    def test_nothing_to_acknowledge(self) -> None:
        assert asked(running(), "a") == []

    def test_the_pick_stays_when_others_change_and_goes_to_a_new_one(self) -> None:
        live = jammed()

        async def script(pilot: Pilot[Any]) -> list[tuple[Any, ...]]:
            now = live.latest
            assert now is not None
            await pilot.press("down")
            for active, waiting in ((1 << 11 | 1 << 7, 0), (1 << 11 | 1 << 7 | 1, 1)):
                changed = replace(
                    now.telemetry, alarms_active=active, alarms_unacknowledged=waiting
                )
                live.latest = replace(now, telemetry=changed)
                pilot.app.screen.tick()  # type: ignore[attr-defined]
                await pilot.pause()
                await pilot.press("a")
            return live.asked

        assert drive(MonitorApp(live), script) == [
            ("acknowledge", UNDER_TEMPERATURE),
            ("acknowledge", 0),
        ]


class TestEntries:
    def test_a_setpoint(self) -> None:
        live = running()
        assert asked(live, "2", *"97.5", "enter") == [("setpoint", 1, 97.5)]

    def test_a_speed(self) -> None:
        assert asked(running(), "f", *"12,5", "enter") == [("speed", 12.5)]

    def test_out_of_range_is_told_and_not_sent(self) -> None:
        live = running()
        text = seen(live, "1", *"999", "enter")
        assert "From 0 to 140 °C." in text
        assert live.asked == []

    def test_escape_leaves_it(self) -> None:
        assert asked(running(), "1", *"80", "escape") == []

    def test_a_zone_that_is_not_fitted(self) -> None:
        async def script(pilot: Pilot[Any]) -> int:
            await pilot.press("3")
            return len(pilot.app.screen.query(Input))

        assert drive(MonitorApp(running()), script) == 0


class TestStrips:
    @SIZES
    def test_what_is_left_and_what_is_asked_for(self, size: tuple[int, int]) -> None:
        text = seen(with_strips(), size=size)
        for piece in (
            "left mm",
            "vs expected",
            "1325",
            "47 +1",
            "◆ load",
            "strip ends soon: lane 3",
        ):
            assert piece in text
        assert "hands clear of the rollers" in " ".join(text.split())

    def test_a_lane_run_out_stands_above_all(self) -> None:
        text = seen(with_strips(out=True), size=LARGE)
        assert "▲ no strip" in text
        assert text.index("strip out: lane 2") < text.index("strip ends soon: lane 3")

    def test_eight_lanes_still_fit(self) -> None:
        live = head_at(221.0, zones=3, lanes=8)
        plan = StripPlan(loaded_mm=[2000.0] * 8, next_mm=2400.0, wheel_to_nozzle_mm=150.0)
        live.strips = LaneBook(plan, 3000.0)
        text = seen(live)
        for lane in range(1, 9):
            assert re.search(rf" {lane} +2000 .* runs", text)

    def test_curves_explain_what_lanes_differ_by(self) -> None:
        live = with_strips()
        assert live.strips is not None and live.latest is not None
        bend = [Curve(start_mm=100.0, radius_mm=45.0, turn_deg=360.0)]
        live.strips = LaneBook(live.strips.plan.model_copy(update={"curve": bend}), 3000.0)
        expected = [6.283, 3.142, 0.0, -3.142, -6.283]  # 2 pi times 1, 0.5 ... mm
        lanes_mm = [900.0 + mm for mm in expected]
        live.strips.advance(lanes_mm, 900.0)
        lanes = tuple(
            replace(lane, position_mm=mm)
            for lane, mm in zip(live.latest.lanes, lanes_mm, strict=True)
        )
        live.latest = replace(live.latest, lanes=lanes)
        rows = [row for row in seen(live).splitlines() if re.search(r"[+-]0\.0 +(runs|◆)", row)]
        assert len(rows) == 5

    def test_a_strip_put_in(self) -> None:
        assert asked(with_strips(), "l", "3", "enter") == [("strip", 2, 2400.0)]
        assert asked(with_strips(), "l", "1", *"1830,5", "enter") == [("strip", 0, 1830.5)]

    def test_none_put_in_after_all(self) -> None:
        for keys in (("l", "escape"), ("l", "8", "escape"), ("l", "2", "escape")):
            assert asked(with_strips(), *keys) == []

    def test_stop_and_abort_work_over_the_question(self) -> None:
        wanted = [("command", Command.ABORT), ("command", Command.STOP)]
        assert asked(with_strips(), "l", "b", "t") == wanted

    def test_a_run_that_was_told_of_no_strips(self) -> None:
        async def script(pilot: Pilot[Any]) -> list[str]:
            await pilot.press("l")
            await pilot.pause()
            return [n.message for n in pilot.app._notifications]

        (told,) = drive(MonitorApp(running()), script)
        assert "[run.strips]" in told

    def test_the_hosts_alarms_are_acknowledged_like_the_heads(self) -> None:
        assert asked(with_strips(), "a") == [("acknowledge", STRIP_ENDS_SOON)]


class TestTrends:
    def test_v_goes_through_the_topics_and_w_through_the_spans(self) -> None:
        async def script(pilot: Pilot[Any]) -> tuple[list[Topic], list[float]]:
            monitor = pilot.app.screen
            assert isinstance(monitor, Monitor)
            topics, spans = [], []
            for _ in range(4):
                await pilot.press("v", "w")
                topics.append(monitor.query_one("#chosen", TrendPlot).topic)
                spans.append(monitor.span_s)
            return topics, spans

        topics, spans = drive(MonitorApp(running()), script)
        assert topics == [Topic.OUTPUT, Topic.SPEED, Topic.MISMATCH, Topic.TEMPERATURE]
        assert spans == [*SPANS_S[1:], SPANS_S[0]]

    def test_an_unchanged_ring_is_not_drawn_again(self) -> None:
        async def script(pilot: Pilot[Any]) -> int:
            await drawn(pilot)
            plot = pilot.app.screen.query_one("#chosen", TrendPlot)
            shown: list[object] = []
            plot.show = shown.append  # type: ignore[method-assign]
            await drawn(pilot)
            return len(shown)

        assert drive(MonitorApp(running()), script) == 0


class TestLeaving:
    def leave(self, live: FakeHead, *keys: str) -> tuple[bool, type[Any]]:
        async def script(pilot: Pilot[Any]) -> tuple[bool, type[Any]]:
            await pilot.press("q", *keys)
            await pilot.pause()
            return pilot.app._exit, type(pilot.app.screen)

        result: tuple[bool, type[Any]] = drive(MonitorApp(live), script)
        return result

    def test_from_a_run_only_after_a_question(self) -> None:
        assert self.leave(running()) == (False, Confirm)
        assert self.leave(running(), "n") == (False, Monitor)
        assert self.leave(running(), "y")[0]

    @pytest.mark.parametrize("state", [State.STOPPED, State.ABORTED])
    def test_from_a_head_at_rest_at_once(self, state: State) -> None:
        assert self.leave(head_at(221.0, state=state))[0]

    @pytest.mark.parametrize("state", [State.IDLE, State.COMPLETE])
    def test_from_a_head_that_still_heats_only_after_a_question(self, state: State) -> None:
        assert self.leave(head_at(221.0, state=state)) == (False, Confirm)

    def test_without_a_head_at_once(self) -> None:
        assert self.leave(FakeHead())[0]


class TestOtherScreens:
    def test_help_lists_the_keys_and_the_warning(self) -> None:
        text = seen(running(), "question_mark")
        for piece in ("r s h u o c", "t  b", "acknowledge all", "Local codes", "hard-wired stop"):
            assert piece in " ".join(text.split()) or piece in text

    def test_help_closes(self) -> None:
        async def script(pilot: Pilot[Any]) -> list[type[Any]]:
            await pilot.press("question_mark")
            opened = type(pilot.app.screen)
            await pilot.press("escape")
            return [opened, type(pilot.app.screen)]

        assert drive(MonitorApp(running()), script) == [Help, Monitor]

    def test_dark_and_light(self) -> None:
        async def script(pilot: Pilot[Any]) -> list[str]:
            before = pilot.app.theme
            await pilot.press("d")
            return [before, pilot.app.theme]

        assert drive(MonitorApp(running()), script) == [DARK.name, LIGHT.name]

    def replay(self, live: FakeHead, loader: Any) -> tuple[Any, ...]:
        async def script(pilot: Pilot[Any]) -> tuple[Any, ...]:
            await pilot.press("p")
            await pilot.app.workers.wait_for_complete()
            await pilot.pause()
            shown = type(pilot.app.screen)
            told = [n.message for n in pilot.app._notifications]
            await pilot.press("t", "q")
            await pilot.pause()
            return shown, told, type(pilot.app.screen)

        result: tuple[Any, ...] = drive(MonitorApp(live, loader), script)
        return result

    def test_replay_of_the_run_and_back_with_stop_at_hand(self) -> None:
        live = head_at(221.0, state=State.HELD)
        live.run_folder = Path("run-0007")
        folders: list[Path] = []

        def loader(folder: Path) -> FakeRecording:
            folders.append(folder)
            return FakeRecording(until_s=20.0)

        assert self.replay(live, loader) == (Replay, [], Monitor)
        assert folders == [live.run_folder]
        assert live.asked == [("command", Command.STOP)]

    def test_a_log_that_cannot_be_read_is_told_in_a_line(self) -> None:
        live = running()
        live.run_folder = Path("run-0007")

        def loader(folder: Path) -> FakeRecording:
            raise ValueError(f"{folder}: no telemetry yet")

        shown, told, _ = self.replay(live, loader)
        assert (shown, told) == (Monitor, ["run-0007: no telemetry yet"])

    def test_a_run_that_is_not_logged(self) -> None:
        shown, told, _ = self.replay(running(), lambda folder: FakeRecording())
        assert (shown, told) == (Monitor, ["This run is not being logged."])
