"""The strip schedule on large cases: how near its proved bound, and how long it takes.

    python tests/benchmarks/strip_schedule.py

8 lanes, 400 m of cord along a path of many bends, 1,000 strips. Other staggers, equal strips and
strips with no length to spare stand beside it.
"""

from __future__ import annotations

import time

import numpy as np

from plylane.feed.lane_map import LaneMap
from plylane.plan.schedule import schedule
from plylane.plan.strips import ScheduleError, StaggerRule, Strip

LANES, LENGTH_MM, STRIPS, SEEDS = 8, 400_000.0, 1000, range(5)


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
        print(f"{name:<34} {time.perf_counter() - start:5.1f} s  {error}")
        return
    seconds = time.perf_counter() - start
    print(
        f"{name:<34} {seconds:5.1f} s  gap {100 * plan.gap:6.3f} %  "
        f"{len(plan.pieces)} of {len(strips)} strips, closest joints {plan.closest_mm:.1f} mm"
    )


def main() -> None:
    """Every case."""
    for seed in SEEDS:
        show(
            f"stagger 100 mm, seed {seed}", lengths(seed, 2800, 4200, STRIPS), lane_maps(seed), 100
        )
    for stagger_mm in (200.0, 300.0, 350.0):
        strips = lengths(0, 2800, 4200, STRIPS)
        show(f"stagger {stagger_mm:g} mm, seed 0", strips, lane_maps(0), stagger_mm)
    show("1,400 equal strips of 2.4 m", [2400.0] * 1400, lane_maps(0), 100)
    scarce = lengths(0, 2800, 4200, 925)
    show("a percent of length to spare", scarce, lane_maps(0), 100)


if __name__ == "__main__":
    main()
