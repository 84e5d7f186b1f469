"""How soon slip of 10 % is told, beside the Page-Hinkley test of the library river.

Both look at the same made-up runs and at the same residuals of them: what the cord and each lane
lose. The library's test runs on each and the first to say so counts. Its thresholds, one for the
cord and one for the lanes, are the lowest of a ladder at which it, too, raises no false alarm on
the healthy runs; its delta is half of the change it is to find. `pytest -s` prints the figures.
"""

from __future__ import annotations

import itertools

import numpy as np
from river.drift import PageHinkley

import made_feed as made
from plylane.jam import FeedWatch, columns_needed

GRID_MM = 2.0
AT_MM = 1500.0
SLIP = 0.10
LADDER = [0.5 * 2.0 ** (k / 2.0) for k in range(12)]
LENGTHS = ("output_position_mm", *(f"lane{k}_position_mm" for k in range(1, 6)))


def slipping(seed: int) -> made.Columns:
    columns = made.run(seed, 2200.0, hold_every_mm=2200.0)
    since = int(np.searchsorted(columns["feed_position_mm"], AT_MM))
    for name in columns_needed(5)[3:]:
        lengths = columns[name]
        lengths[since:] -= SLIP * (lengths[since:] - lengths[since])
    return columns


def losses(columns: made.Columns, length: str) -> tuple[np.ndarray, np.ndarray]:
    """Feed at the ends of steps, and what one length lost in each, mm."""
    fed, passed = columns["feed_position_mm"], columns[length]
    ends = np.flatnonzero(np.diff(fed // GRID_MM)) + 1
    return fed[ends][1:], np.diff(fed[ends]) - np.diff(passed[ends])


def told_by_river(columns: made.Columns, length: str, threshold: float) -> float:
    """Feed at which it first says so of one length, mm; infinite if never."""
    test = PageHinkley(delta=SLIP * GRID_MM / 2.0, threshold=threshold, alpha=1.0, mode="up")
    for fed_mm, lost_mm in zip(*losses(columns, length), strict=True):
        test.update(float(lost_mm))
        if test.drift_detected:
            return float(fed_mm)
    return np.inf


def quiet_threshold(healthy: list[made.Columns], lengths: tuple[str, ...]) -> float:
    """The lowest with no false alarm on these lengths: a higher one gives no more."""
    ladder = iter(LADDER)
    threshold = next(ladder)
    for columns, length in itertools.product(healthy, lengths):
        while told_by_river(columns, length, threshold) < np.inf:
            threshold = next(ladder)
    return threshold


def told(columns: made.Columns) -> float:
    found = FeedWatch().judge(columns)[0]
    return float(np.interp(found.time_s, columns["time_s"], columns["feed_position_mm"]))


def test_slip_is_told_sooner_than_by_page_hinkley_at_no_more_false_alarms() -> None:
    healthy = [made.run(seed, 9000.0, hold_every_mm=9000.0) for seed in range(12)]
    assert all(FeedWatch().judge(columns) == [] for columns in healthy)
    cord, lane = quiet_threshold(healthy, LENGTHS[:1]), quiet_threshold(healthy, LENGTHS[1:])
    thresholds = dict.fromkeys(LENGTHS, lane) | {LENGTHS[0]: cord}
    runs = [slipping(seed) for seed in range(100, 112)]
    ours = np.array([told(columns) for columns in runs]) - AT_MM
    first = [min(told_by_river(run, *one) for one in thresholds.items()) for run in runs]
    theirs = np.array(first) - AT_MM
    for who, delays in (("plylane", ours), ("river", theirs)):
        print(f"{who}: mean {delays.mean():.1f} mm, median {np.median(delays):.1f} mm of feed")
    print(f"river's thresholds: cord {cord:.2f} mm, lanes {lane:.2f} mm")
    assert (ours > 0.0).all() and (theirs > 0.0).all()
    assert np.median(ours) < np.median(theirs)
    assert ours.mean() < 30.0
