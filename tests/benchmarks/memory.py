"""How much memory a long run takes to be judged, looked at on the Replay screen and judged again.

    python tests/benchmarks/memory.py [--hours 100] [--folder FOLDER]

The demo's log is written over and over until it has that many hours of 50 rows a second, 256 bytes
each: a hundred hours are 4.6 GB of disk; it ends where that does not fit. Every step is taken in a
process of its own, which tells the most memory it ever had (resident, with what the interpreter and
the libraries take) and the time.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from plylane.demo import Demo
from plylane.recording import Recording
from plylane.screens import ReplayApp
from plylane.twin_door import demo_scenario
from speed import lengthened

ROWS_PER_H = 3600 * 50
ROW_BYTES = 270
LOOKS = (*["n"] * 3, *["plus"] * 4, "shift+right", "0", "end", "p", *["minus"] * 8, "v", "0")


def looked_at(folder: Path) -> None:
    """Opened on a large screen, keys pressed."""

    async def body() -> None:
        app = ReplayApp(Recording.open(folder))
        async with app.run_test(size=(140, 40)) as pilot:
            await pilot.pause()
            for key in LOOKS:
                begin = time.perf_counter()
                await pilot.press(key)
                await pilot.pause()
                slowest.append((time.perf_counter() - begin, key))

    slowest: list[tuple[float, str]] = []
    asyncio.run(body())
    seconds, key = max(slowest)
    print(f"slowest key                 {seconds:8.2f} s  ({key})")


def judged_again(folder: Path) -> None:
    """Judged, then judged again with a setting changed."""
    recording = Recording.open(folder)
    begin = time.perf_counter()
    found = recording.judge(recording.settings.model_copy(update={"patience_mm": 3.0}))
    print(f"judged again in             {time.perf_counter() - begin:8.1f} s")
    print(f"findings                    {len(recording.findings):8d} before, {len(found)} after")


def measured(what: str, work: Callable[[Path], object], folder: Path) -> None:
    """Do it in a process of its own and print what that took."""
    sys.stdout.flush()
    process = multiprocessing.get_context("spawn").Process(target=told, args=(what, work, folder))
    process.start()
    process.join()
    if process.exitcode:
        raise SystemExit(f"{what}: failed")


def told(what: str, work: Callable[[Path], object], folder: Path) -> None:
    """In the process."""
    begin = time.perf_counter()
    work(folder)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what:<28}{most:8.0f} MiB at most, {time.perf_counter() - begin:.1f} s")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=100.0, help="hours of log")
    parser.add_argument("--folder", type=Path, help="where to write it; the system's own place")
    given = parser.parse_args()
    rows = round(given.hours * ROWS_PER_H)
    with tempfile.TemporaryDirectory(dir=given.folder) as scratch:
        need, free = rows * ROW_BYTES, shutil.disk_usage(scratch).free
        if need > 0.8 * free:
            raise SystemExit(f"{need / 1e9:.1f} GB wanted, {free / 1e9:.1f} GB free: fewer --hours")
        outcome = Demo(demo_scenario(), 7, "virtual", Path(scratch)).play(3600.0, lambda *_: None)
        folder = lengthened(outcome.run, Path(scratch) / "long", rows)
        size = (folder / "telemetry.arrows").stat().st_size
        print(f"{given.hours:g} h: {rows} rows, {size / 1e9:.2f} GB", flush=True)
        measured("opened and judged", Recording.open, folder)
        measured("judged again", judged_again, folder)
        measured("looked at on the screen", looked_at, folder)


if __name__ == "__main__":
    main()
