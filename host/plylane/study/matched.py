"""The optimum that theory allows: a CUSUM that knows the fault, on the same lengths.

For a known change of the mean of independent normal samples no test with as rare false alarms
tells sooner, in the worst case, than Page's CUSUM of the log likelihood ratio (G.V. Moustakides,
Annals of Statistics 14 (1986)). Here it is summed along the feed: what was lost beyond the usual
slip, less half of the known change. Two lengths are looked at, the cord's and that of the head as
a whole (the median of cord and lanes, which no single wheel can disturb).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import State
from plylane.jam import columns_needed
from plylane.jam.thresholds import integral_arl, threshold

Floats = NDArray[np.float64]

STEP_MM = 1.0
USUAL = 0.015  # share of the feed that rollers slip by: machine.expected_slip_percent
LENGTHS = ("cord", "head")
PEAKS_KEPT = 20


@dataclass(frozen=True)
class Steps:
    """A stretch of feeding in steps of about STEP_MM: ends of steps, and what each one lost."""

    time_s: Floats
    feed_mm: Floats
    fed_mm: Floats
    lost_mm: dict[str, Floats]  # by name of LENGTHS, beyond the usual


def stretches(columns: Mapping[str, NDArray[Any]], lanes: int) -> Iterator[Steps]:
    """Each stretch from entering Execute to leaving it, or to the feed going back to zero."""
    time, state, *names = columns_needed(lanes)
    feed = columns[names[0]]
    runs = columns[state] == State.EXECUTE
    begins = runs & ~np.append(False, runs[:-1] & (np.diff(feed) >= 0.0))
    at = np.flatnonzero(runs)
    for rows in np.split(at, np.flatnonzero(begins[at])[1:]):
        ends = np.append(True, np.diff(np.floor(feed[rows] / STEP_MM)) > 0.0)
        steps = rows[ends]
        if len(steps) > 1:
            lengths = np.array([columns[name][steps] for name in names])
            yield _steps(columns[time][steps], lengths)


def _steps(time_s: Floats, lengths_mm: Floats) -> Steps:
    went = lengths_mm - lengths_mm[:, :1]
    feed = went[0] * (1.0 - USUAL)
    behind = {"cord": feed - went[1], "head": feed - np.median(went[1:], axis=0)}
    lost = {name: np.diff(length) for name, length in behind.items()}
    return Steps(time_s[1:], lengths_mm[0, 1:], np.diff(went[0]), lost)


def matched_sums(steps: Steps, length: str, change: float) -> Floats:
    """The CUSUM after each step, mm, for a known change by a share of the feed."""
    total = np.cumsum(steps.lost_mm[length] - 0.5 * change * steps.fed_mm)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0.0))


def peaks(sums: Floats) -> Floats:
    """The highest of each excursion from zero, highest first, at most PEAKS_KEPT."""
    starts = np.flatnonzero(np.append(True, sums[:-1] == 0.0))
    highest = np.maximum.reduceat(sums, starts)
    return np.sort(highest[highest > 0.0])[::-1][:PEAKS_KEPT]


@dataclass(frozen=True)
class WhiteNoise:
    """What a matched CUSUM needs on independent normal steps of the same variance."""

    sigma_mm: float
    threshold_mm: float
    delay_mm: float


def same_rate_threshold(all_peaks: list[float], false_alarms: int) -> float:
    """The lowest threshold (mm) that no more peaks of normal running exceed than that."""
    ordered = sorted(all_peaks, reverse=True)
    return ordered[false_alarms] if false_alarms < len(ordered) else 0.0


def white_noise(sigma_mm: float, change: float, steps_between_alarms: float) -> WhiteNoise:
    """Delay on white noise: threshold by Siegmund's formula, delay by Page's integral equation.

    `sigma_mm` is the standard deviation of a step's loss, `change` the share of the feed lost.
    ln(ARL)/KL would not do: at practical rates it lies above what the CUSUM really takes.
    """
    shift = change * STEP_MM / sigma_mm
    high = threshold(shift / 2.0, steps_between_alarms)
    delay = integral_arl(shift / 2.0, high, shift) if math.isfinite(high) else math.nan
    return WhiteNoise(sigma_mm, high * sigma_mm, delay * STEP_MM)
