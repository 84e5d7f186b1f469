"""What is missing: lengths that should have passed and did not, and what was usual of it."""

from __future__ import annotations

import numpy as np

from plylane.jam.cusum import Ints

PPM = 1_000_000
"""Lengths are whole micrometres, shares whole ppm: their product, a millionth of a micrometre, is
the unit of every sum."""
MM = 1000 * PPM
"""A millimetre in that unit."""


def losses(fed_um: Ints, passed_um: Ints) -> Ints:
    """What was fed (shape (n,)) and did not pass (shape (tracks, n)), in the unit of the sums."""
    return (fed_um - passed_um) * PPM


class Usual:
    """The loss that is usual: slip, dirt and calibration, learnt from the feed so far.

    The mean loss of each track over the last `blocks` blocks of feed, the newest `lag` left out so
    that what is just beginning does not excuse itself; no block counts for more than `limit_ppm`
    beside the expected slip. Until so many blocks have passed, the expected slip stands for them.
    """

    def __init__(
        self, tracks: int, expected_ppm: int, limit_ppm: int, block_um: int, blocks: int, lag: int
    ) -> None:
        kept = blocks + lag
        self._fed = np.full(kept, block_um, dtype=np.int64)
        self._lost = np.full((tracks, kept), block_um * expected_ppm, dtype=np.int64)
        self._low = expected_ppm - limit_ppm
        self._high = np.full((tracks, 1), expected_ppm + limit_ppm, dtype=np.int64)
        self._blocks, self._kept = blocks, kept
        self._rates = np.full((tracks, 1), expected_ppm, dtype=np.int64)

    def learn(self, fed_um: Ints, lost: Ints) -> Ints:
        """Take blocks, `fed_um` shape (n,) and `lost` (tracks, n).

        Returns the usual loss in ppm before each of them and after the last, (tracks, n + 1).
        """
        if not len(fed_um):
            return self._rates
        bounded = np.clip(lost, self._low * fed_um, self._high * fed_um)
        fed = np.concatenate((self._fed, fed_um))
        all_lost = np.concatenate((self._lost, bounded), axis=1)
        rates = _moving(all_lost, self._blocks, len(fed_um)) // _moving(
            fed[np.newaxis], self._blocks, len(fed_um)
        )
        before = self._rates
        self._fed, self._lost = fed[-self._kept :], all_lost[:, -self._kept :]
        self._rates = rates[:, -1:]
        return np.concatenate((before, rates), axis=1)

    @property
    def state(self) -> tuple[Ints, Ints, Ints, Ints]:
        """All that was learnt; set it to forget what came after."""
        return self._fed, self._lost, self._rates, self._high

    @state.setter
    def state(self, state: tuple[Ints, Ints, Ints, Ints]) -> None:
        self._fed, self._lost, self._rates, self._high = state

    def accept(self, rates_ppm: Ints) -> None:
        """What has been told is usual from now on, shape (tracks,): only more is told again."""
        told = rates_ppm[:, np.newaxis]
        self._high = np.maximum(self._high, told)
        self._lost = np.maximum(self._lost, told * self._fed)
        self._rates = np.maximum(self._rates, told)


def _moving(values: Ints, width: int, count: int) -> Ints:
    """Sums over `width` values, the first of the `count` sums one value into the array."""
    totals = np.cumsum(values, axis=1)
    return totals[:, width : width + count] - totals[:, :count]
