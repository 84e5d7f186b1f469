"""Pictures of the screens; after a wanted change: `pytest tests/screens --snapshot-update`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from textual.pilot import Pilot

from lamp_run import FakeRecording, jammed, running, with_strips
from plylane.screens import MonitorApp, ReplayApp
from screen_driver import LARGE, SMALL, drawn

SIZES = pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "140x40"])
Compare = Callable[..., bool]


@SIZES
def test_monitor_normal(snap_compare: Compare, size: tuple[int, int]) -> None:
    assert snap_compare(MonitorApp(running()), terminal_size=size, run_before=drawn)


@SIZES
def test_monitor_alarm(snap_compare: Compare, size: tuple[int, int]) -> None:
    assert snap_compare(MonitorApp(jammed()), terminal_size=size, run_before=drawn)


@SIZES
def test_monitor_strips(snap_compare: Compare, size: tuple[int, int]) -> None:
    assert snap_compare(MonitorApp(with_strips()), terminal_size=size, run_before=drawn)


@SIZES
def test_which_lane(snap_compare: Compare, size: tuple[int, int]) -> None:
    async def to_question(pilot: Pilot[Any]) -> None:
        await drawn(pilot)
        await pilot.press("l")
        await pilot.pause()

    assert snap_compare(MonitorApp(with_strips()), terminal_size=size, run_before=to_question)


@SIZES
def test_replay_finding(snap_compare: Compare, size: tuple[int, int]) -> None:
    async def to_finding(pilot: Pilot[Any]) -> None:
        await pilot.pause()
        await pilot.press("n")
        await pilot.pause()

    app = ReplayApp(FakeRecording())
    assert snap_compare(app, terminal_size=size, run_before=to_finding)
