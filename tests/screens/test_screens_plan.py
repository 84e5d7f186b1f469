"""The Plan screen, over a plan that can be run and one that cannot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from textual.pilot import Pilot

from lamp_run import running
from plylane.head.registers import Command
from plylane.plan.plan import CordPlan, work_out
from plylane.plan_command import DEMO_PLAN
from plylane.plan_file import read_plan
from plylane.screens import MonitorApp, PlanApp
from plylane.screens.plan import Plan
from screen_driver import LARGE, SMALL, drive, press

SIZES = pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "140x40"])
Compare = Callable[..., bool]


@cache
def good() -> CordPlan:
    return work_out(read_plan(DEMO_PLAN)[1])


@cache
def bad() -> CordPlan:
    """Too fast for its heat window, and with a single strip."""
    job = read_plan(DEMO_PLAN)[1]
    return work_out(replace(job, speed_mm_s=30.0, strips=job.strips[:1]))


def seen(plan: CordPlan, *keys: str, size: tuple[int, int] = SMALL) -> str:
    return "\n".join(drive(PlanApp(plan), press(*keys), size))


@SIZES
def test_figures_limits_and_lanes(size: tuple[int, int]) -> None:
    text = seen(good(), size=size)
    wanted = [
        "Plan  pendant lamp rib", "ready", "mm/s", "▒", "● planned", "glue line", "14.00 mm/s",
        "113.6 / 95.0 °C", "block at least 108.4 °C, else", "wood surface too hot",
        "lane 5", "┃", "3000 mm", "? keys", "sacrificial stack",
    ]  # fmt: skip
    assert [piece for piece in wanted if piece not in text] == []


@SIZES
def test_what_cannot_be_run_and_what_to_change(size: tuple[int, int]) -> None:
    text = " ".join(seen(bad(), size=size).split())
    wanted = [
        "cannot be run: 2 problems",
        "the heat window is empty",
        "go slower",
    ]
    assert [piece for piece in wanted if piece not in text] == []


def test_all_problems_have_a_view_of_their_own_on_a_small_screen() -> None:
    """Both to their ends, which the figures leave no room for."""
    few = work_out(replace(bad().job, strips=good().job.strips[:9]))
    last = "is not enough, proved)"
    assert "lane 5" not in seen(few) and last not in " ".join(seen(few).split())
    shown = " ".join(seen(few, "v", "v", "v").split())
    assert last in shown.split("lane 5")[1] and "● planned" not in shown
    assert "● planned" in seen(few, "v", "v", "v", "v")


def test_values_and_strips_take_turns_on_a_small_screen() -> None:
    values, strips = seen(good(), "v"), seen(good(), "v", "v")
    assert "heater power" in values and "heater power" not in strips
    assert "ash 10" in strips or "ash 9" in strips
    assert "planned" in seen(good(), "v", "v", "v")


def test_a_large_screen_shows_all_at_once() -> None:
    text = seen(good(), size=LARGE)
    for piece in ("heater power", "ash 10", "● planned", "lane 1"):
        assert piece in text
    text = seen(bad(), size=LARGE)
    for piece in ("smallest radius", "● planned", "With 9 more strips", "lane 5", "sacrificial"):
        assert piece in text


def test_over_the_monitor_and_back() -> None:
    async def script(pilot: Pilot[Any]) -> list[bool]:
        found = [isinstance(pilot.app.screen, Plan)]
        for key in ("n", "escape"):
            await pilot.press(key)
            await pilot.pause()
            found.append(isinstance(pilot.app.screen, Plan))
        return found

    assert drive(MonitorApp(running(), plan=good()), script) == [False, True, False]
    assert drive(MonitorApp(running()), script) == [False, False, False]


def test_stop_works_from_here() -> None:
    live = running()

    async def script(pilot: Pilot[Any]) -> None:
        await pilot.press("n", "t")
        await pilot.pause()

    drive(MonitorApp(live, plan=good()), script)
    assert live.asked == [("command", Command.STOP)]


def test_help() -> None:
    assert "the strips to load" in seen(good(), "question_mark")


@SIZES
def test_looks(snap_compare: Compare, size: tuple[int, int]) -> None:
    assert snap_compare(PlanApp(good()), terminal_size=size)


@SIZES
def test_looks_with_problems(snap_compare: Compare, size: tuple[int, int]) -> None:
    assert snap_compare(PlanApp(bad()), terminal_size=size)


def test_a_low_window_keeps_what_is_in_the_way() -> None:
    text = seen(bad(), size=(60, 16))
    assert "30.00 mm/s" in text and "the heat window is empty" in text
    assert "sacrificial" in text
