"""Draw docs/monitor.svg: the Monitor while the demo is held by the jam.

python docs/picture.py
"""

from __future__ import annotations

import asyncio
import re
import tempfile
from pathlib import Path

from plylane.demo import Demo
from plylane.head.registers import State
from plylane.screens import MonitorApp
from plylane.twin_door import demo_scenario

SIZE = (120, 36)
HELD_S = 5.0  # long enough for the events to be there


def play_to_the_jam(folder: Path) -> Demo:
    """A demo that has been held for a few seconds."""
    demo = Demo(demo_scenario(), 7, "virtual", folder)
    held_s = None
    while held_s is None or demo.time_s < held_s + HELD_S:
        demo.poller.step()
        latest = demo.run.latest
        if held_s is None and latest is not None and latest.telemetry.state == State.HELD:
            held_s = demo.time_s
    return demo


def self_contained(svg: str) -> str:
    """Without the fonts that would be fetched from elsewhere; any monospace font will do."""
    return re.sub(r"@font-face \{.*?\}\s*", "", svg, flags=re.DOTALL)


async def draw(demo: Demo, path: Path) -> None:
    """Show what the demo has come to and keep the picture."""
    screen = MonitorApp(demo.run)
    async with screen.run_test(size=SIZE) as pilot:
        await pilot.pause(1.0)
        path.write_text(self_contained(screen.export_screenshot(title="plylane demo")))


def main() -> None:
    """Play and draw."""
    with tempfile.TemporaryDirectory() as folder:
        demo = play_to_the_jam(Path(folder))
        asyncio.run(draw(demo, Path(__file__).with_name("monitor.svg")))
        demo.close()


if __name__ == "__main__":
    main()
