"""Helpers to run the application without a terminal."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

from textual.app import App
from textual.pilot import Pilot

Script = Callable[[Pilot[Any]], Awaitable[Any]]

SMALL, LARGE = (80, 24), (140, 40)


def drive(app: App[Any], script: Script, size: tuple[int, int] = SMALL) -> Any:
    """Start the application, run the script in it, give back what the script gives."""

    async def body() -> Any:
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            return await script(pilot)

    return asyncio.run(body())


def text_of(app: App[Any]) -> list[str]:
    """The screen as it is drawn, a string a row: what is clipped or covered is not in it."""
    return [strip.text for strip in app.screen._compositor.render_strips()]


def press(*keys: str) -> Script:
    """A script that presses keys and reads the screen."""

    async def script(pilot: Pilot[Any]) -> list[str]:
        await pilot.press(*keys)
        await pilot.pause()
        return text_of(pilot.app)

    return script


def press_each(*keys: str) -> Script:
    """A script that presses keys one after another, gives back the screen and its text."""

    async def script(pilot: Pilot[Any]) -> tuple[Any, str]:
        for key in keys:
            await pilot.press(key)
            await pilot.pause()
        return pilot.app.screen, "\n".join(text_of(pilot.app))

    return script


async def drawn(pilot: Pilot[Any]) -> None:
    """Have the Monitor draw its trends now rather than at its next turn."""
    await pilot.pause()
    pilot.app.screen.draw_trends(pilot.app.live.latest)  # type: ignore[attr-defined]
    await pilot.pause()
