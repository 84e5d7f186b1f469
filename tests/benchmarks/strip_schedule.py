"""The strip schedule on large and on middling cases: what is proved, and how long it takes.

    python tests/benchmarks/strip_schedule.py
    python tests/benchmarks/strip_schedule.py --middling 40 [--from 0] [--without-solver]

Large: 8 lanes, 400 m of cord along a path of many bends, 1,000 strips. Other staggers, equal strips
and strips with no length to spare stand beside it. Middling: 20 to 32 strips in 3 to 8 lanes, up to
10 % of length to spare, a stagger of 30 % to all of what the cord has room for, straight or bent;
how many end with a schedule proved least, with one above its bound, with a proof that there is
none, or open. Seconds are those of the processor.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import numpy as np

from plylane.feed.lane_map import LaneMap
from plylane.plan.schedule import USUAL, Effort, schedule
from plylane.plan.strips import ScheduleError, StaggerRule, Strip

LANES, LENGTH_MM, STRIPS, SEEDS = 8, 400_000.0, 1000, range(5)
WIDE_MM = (380.0, 390.0, 400.0, 410.0, 415.0, 420.0, 423.0, 425.0)
"""Staggers that only a grid of joints keeps, and one more."""


def lane_maps(seed: int, length_mm: float = LENGTH_MM, lanes: int = LANES) -> list[LaneMap]:
    """Bends at random, a hundred millimetres each."""
    rng = np.random.default_rng(seed)
    cord = np.linspace(0.0, length_mm, int(length_mm / 100.0) + 1)
    bends = rng.choice([0.0, 1 / 45, -1 / 60, 1 / 120, -1 / 45], len(cord) - 1)
    turned = np.concatenate([[0.0], np.cumsum(np.diff(cord) * bends)])
    return [LaneMap(cord, turned, (0.5 * (lanes - 1) - k) * 0.5) for k in range(lanes)]


def lengths(seed: int, low_mm: float, high_mm: float, count: int) -> list[float]:
    """Lengths at random, to a tenth of a millimetre."""
    rng = np.random.default_rng(seed + 100)
    return [float(length) for length in rng.uniform(low_mm, high_mm, count).round(1)]


def show(name: str, strips: list[float], lanes: list[LaneMap], stagger_mm: float) -> None:
    """One case in one line."""
    at_hand = [Strip(f"strip {k}", length) for k, length in enumerate(strips)]
    start = time.perf_counter()
    try:
        plan = schedule(at_hand, lanes, StaggerRule(stagger_mm, 100.0, 150.0))
    except ScheduleError as error:
        proved = "proved" if error.proven else "open"
        print(f"{name:<34} {time.perf_counter() - start:5.1f} s  {proved}: {error}")
        return
    seconds = time.perf_counter() - start
    print(
        f"{name:<34} {seconds:5.1f} s  gap {100 * plan.gap:6.3f} %  "
        f"{len(plan.pieces)} of {len(strips)} strips, closest joints {plan.closest_mm:.1f} mm"
    )


def middling(seed: int) -> tuple[list[Strip], list[LaneMap], StaggerRule]:
    """A tight case: lengths even at random, of three sizes, or all a little under 2.4 m."""
    rng = np.random.default_rng(1000 + seed)
    lanes = int(rng.integers(3, 9))
    count = int(rng.integers(max(20, 2 * lanes + 2), 33))
    sizes = [
        rng.uniform(1500, 3000, count).round(1),
        rng.choice([1800.0, 2100.0, 2400.0], count),
        (2400 - rng.uniform(0, 400, count)).round(1),
    ][rng.integers(3)]
    cord_mm = round(float(sizes.sum() / lanes / (1 + rng.uniform(0, 0.10))), 1)
    stagger_mm = round(float(rng.uniform(0.3, 1.0) * (cord_mm - 120) / (count - lanes)))
    cord = np.linspace(0.0, cord_mm, max(2, int(cord_mm / 200) + 1))
    bent = rng.random() >= 0.5
    bends = rng.choice([0.0, 0.0, 1 / 90, -1 / 60, 1 / 120, -1 / 90], len(cord) - 1) * bent
    turned = np.concatenate([[0.0], np.cumsum(np.diff(cord) * bends)])
    maps = [LaneMap(cord, turned, (0.5 * (lanes - 1) - k) * 0.53) for k in range(lanes)]
    strips = [Strip(f"strip {k}", float(length)) for k, length in enumerate(sizes)]
    return strips, maps, StaggerRule(stagger_mm, 60.0, 250.0)


def show_middling(seeds: range, effort: Effort) -> None:
    """A line a case, and the counts."""
    counts: Counter[str] = Counter()
    slowest_s = 0.0
    for seed in seeds:
        strips, lanes, rule = middling(seed)
        start = time.process_time()
        try:
            plan = schedule(strips, lanes, rule, effort=effort)
            outcome = "proved least" if plan.optimal else "above its bound"
            more = f"{100 * plan.gap:.2f} %"
        except ScheduleError as error:
            outcome = "proved impossible" if error.proven else "open"
            more = str(error)
        seconds = time.process_time() - start
        counts[outcome] += 1
        slowest_s = max(slowest_s, seconds)
        print(
            f"{seed:4} {len(lanes)} lanes, {len(strips)} strips {seconds:5.1f} s  {outcome}: {more}"
        )
    print(f"{dict(counts)}, slowest {slowest_s:.1f} s")


def main() -> None:
    """Large cases, or as many middling ones as are asked for."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--middling", type=int, default=0)
    arguments.add_argument("--from", type=int, default=0, dest="first")
    arguments.add_argument("--without-solver", action="store_true")
    given = arguments.parse_args()
    if given.middling:
        seeds = range(given.first, given.first + given.middling)
        show_middling(seeds, Effort(questions=()) if given.without_solver else USUAL)
    else:
        show_large()


def show_large() -> None:
    """Every large case."""
    for seed in SEEDS:
        show(
            f"stagger 100 mm, seed {seed}", lengths(seed, 2800, 4200, STRIPS), lane_maps(seed), 100
        )
    for stagger_mm in (200.0, 300.0, 350.0, 370.0, *WIDE_MM, 440.0, 470.0):
        strips = lengths(0, 2800, 4200, STRIPS)
        show(f"stagger {stagger_mm:g} mm, seed 0", strips, lane_maps(0), stagger_mm)
    show("1,400 equal strips of 2.4 m", [2400.0] * 1400, lane_maps(0), 100)
    scarce = lengths(0, 2800, 4200, 925)
    show("a percent of length to spare", scarce, lane_maps(0), 100)
    show("too short", lengths(0, 2800, 4200, 880), lane_maps(0), 100)


if __name__ == "__main__":
    main()
