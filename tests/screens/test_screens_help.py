"""The pages of keys: all of each, and the warning, are seen at once."""

from __future__ import annotations

from typing import Any

import pytest
from textual.pilot import Pilot

from lamp_run import running
from plylane.screens import MonitorApp
from plylane.screens.help import (
    CALIBRATE_KEYS,
    CLEARING_KEYS,
    MONITOR_KEYS,
    PLAN_KEYS,
    REPLAY_KEYS,
    TUNE_KEYS,
    Help,
    Keys,
)
from screen_driver import LARGE, SMALL, drive, text_of

PAGES = [MONITOR_KEYS, REPLAY_KEYS, CLEARING_KEYS, TUNE_KEYS, CALIBRATE_KEYS, PLAN_KEYS]


@pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "140x40"])
def test_every_key_and_the_whole_warning(size: tuple[int, int]) -> None:
    async def each(pilot: Pilot[Any]) -> list[str]:
        return [await seen(pilot, keys) for keys in PAGES]

    for keys, page in zip(PAGES, drive(MonitorApp(running()), each, size), strict=True):
        missing = [what for _, what in keys if " ".join(what.split()) not in page]
        assert not missing
        assert "protects nobody" in page and "keep to them." in page


async def seen(pilot: Pilot[Any], keys: Keys) -> str:
    """A page as it is drawn, its lines joined."""
    pilot.app.push_screen(Help(keys))
    await pilot.pause()
    text = " ".join(" ".join(row.strip(" │") for row in text_of(pilot.app)).split())
    pilot.app.pop_screen()
    await pilot.pause()
    return text
