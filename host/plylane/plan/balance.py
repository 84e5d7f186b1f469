"""An even stack: strips that may stand in for each other are swapped until it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from plylane.plan.strips import Floats

PASSES = 4
NEAR = 1e-6


def _over(edges: Floats, starts: Floats, ends: Floats, thick: Floats) -> Floats:
    change = np.zeros(len(edges))
    np.add.at(change, np.searchsorted(edges, starts), thick)
    np.add.at(change, np.searchsorted(edges, ends), -thick)
    return np.cumsum(change)[:-1]


def balanced(
    starts: Floats, ends: Floats, needs: Floats, lengths: Floats, thick: Floats
) -> list[int]:
    """Which strip each place gets so that the stack's thickness varies least along the cord.

    Places lie from `starts` to `ends` of the cord and take `needs` of a strip; strip k, of
    `lengths` and `thick`, stands in place k at first; all shape (n,), mm. Two strips are swapped
    where each is long enough for the other's place and the integral of the squared deviation
    falls, the best swap for each place in turn, until none helps. Returns strip numbers by place.
    """
    strip = np.arange(len(starts))
    edges = np.unique(np.concatenate([starts, ends]))
    for _ in range(PASSES):
        swapped = False
        for place in range(len(starts)):
            other = _best_swap(place, strip, edges, starts, ends, needs, lengths, thick)
            if other is not None:
                strip[[place, other]] = strip[[other, place]]
                swapped = True
        if not swapped:
            break
    return [int(number) for number in strip]


def _best_swap(
    place: int,
    strip: NDArray[np.int64],
    edges: Floats,
    starts: Floats,
    ends: Floats,
    needs: Floats,
    lengths: Floats,
    thick: Floats,
) -> int | None:
    """The place whose strip, swapped with this one's, evens the stack most; None for none."""
    t = thick[strip]
    stack = _over(edges, starts, ends, t)
    spans = np.diff(edges)
    off = stack - np.sum(stack * spans) / np.sum(spans)
    summed = np.concatenate([[0.0], np.cumsum(off * spans)])
    over = np.interp(ends, edges, summed) - np.interp(starts, edges, summed)
    width = ends - starts
    step = t - t[place]  # what this place gains and the other one loses
    both = np.clip(np.minimum(ends, ends[place]) - np.maximum(starts, starts[place]), 0.0, None)
    gain = 2 * step * (over[place] - over) + step**2 * (width[place] + width - 2 * both)
    fits = (lengths[strip] >= needs[place] - NEAR) & (lengths[strip[place]] >= needs - NEAR)
    gain = np.where(fits, gain, 0.0)
    best = int(np.argmin(gain))
    return best if gain[best] < -1e-9 else None
