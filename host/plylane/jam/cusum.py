"""Page's cumulative sum, over many tracks and samples at once, in whole numbers.

E.S. Page, Continuous inspection schemes, Biometrika 41 (1954). Whole numbers add up to the same sum
in any order, so a run judged in one piece and sample by sample gives the same bits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


def page_sums(increments: Ints, start: Ints) -> Ints:
    """max(0, sum + increment) after each sample; the increments are overwritten.

    `increments` has shape (tracks, samples), `start` (tracks,) holds the sums before the first
    sample. The recursion is the running total less its running minimum, as far as that is below
    zero.
    """
    total = np.cumsum(increments, axis=1, out=increments)
    total += start[:, np.newaxis]
    low = np.minimum.accumulate(total, axis=1)
    np.minimum(low, 0, out=low)
    total -= low
    return total


def last_zero(sums: Ints, at: int) -> int:
    """Sample after which a track's sum (shape (samples,)) last stood at zero; -1 for none.

    It is Page's estimate of where the change began.
    """
    zeros = np.flatnonzero(sums[: at + 1] == 0)
    return int(zeros[-1]) if len(zeros) else -1
