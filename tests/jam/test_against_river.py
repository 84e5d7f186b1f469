"""How soon slip of 10 % is told, beside the Page-Hinkley test of the library river.

Both look at the same made-up runs. The library's threshold is the lowest of a ladder at which it,
too, raises no false alarm on the healthy runs; its delta is half of the change it is to find.
"""

from __future__ import annotations

import numpy as np
from river.drift import PageHinkley

import made_feed as made
from plylane.jam import FeedWatch, columns_needed

GRID_MM = 2.0
AT_MM = 1500.0
SLIP = 0.10
LADDER = [0.5 * 2.0**k for k in range(8)]


def slipping(seed: int) -> made.Columns:
    columns = made.run(seed, 2200.0, hold_every_mm=2200.0)
    since = int(np.searchsorted(columns["feed_position_mm"], AT_MM))
    for name in columns_needed(5)[3:]:
        lengths = columns[name]
        lengths[since:] -= SLIP * (lengths[since:] - lengths[since])
    return columns


def cord_losses(columns: made.Columns) -> tuple[np.ndarray, np.ndarray]:
    """Feed at the ends of steps, and what the cord lost in each, mm."""
    fed, cord = columns["feed_position_mm"], columns["output_position_mm"]
    ends = np.flatnonzero(np.diff(fed // GRID_MM)) + 1
    return fed[ends][1:], np.diff(fed[ends]) - np.diff(cord[ends])


def told_by_river(columns: made.Columns, threshold: float) -> float | None:
    """Feed at which it first says so, mm."""
    test = PageHinkley(delta=SLIP * GRID_MM / 2.0, threshold=threshold, alpha=1.0, mode="up")
    for fed_mm, lost_mm in zip(*cord_losses(columns), strict=True):
        test.update(float(lost_mm))
        if test.drift_detected:
            return float(fed_mm)
    return None


def told(columns: made.Columns) -> float:
    found = FeedWatch().judge(columns)[0]
    return float(np.interp(found.time_s, columns["time_s"], columns["feed_position_mm"]))


def test_slip_is_told_sooner_than_by_page_hinkley_at_no_more_false_alarms() -> None:
    healthy = [made.run(seed, 9000.0, hold_every_mm=9000.0) for seed in range(12)]
    assert all(FeedWatch().judge(columns) == [] for columns in healthy)
    threshold = next(
        h for h in LADDER if all(told_by_river(columns, h) is None for columns in healthy)
    )
    runs = [slipping(seed) for seed in range(100, 112)]
    ours = np.array([told(columns) for columns in runs]) - AT_MM
    theirs = np.array([told_by_river(columns, threshold) or np.inf for columns in runs]) - AT_MM
    assert (ours > 0.0).all()
    assert np.median(ours) < np.median(theirs)
    assert ours.mean() < 30.0
