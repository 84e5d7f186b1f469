"""The generalised likelihood ratio: when and by how much did a mean change, if nobody knows.

T.L. Lai, Sequential changepoint detection in quality control and dynamical systems, J. Royal
Statistical Society B 57 (1995), equation for the normal mean (*memory*). For independent normal
samples the ratio of "the mean changed by anything after sample k" to "it did not" is largest where
the two parts' means differ most in units of their standard error.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Change(NamedTuple):
    """The likeliest change: the first sample after it, the step, and twice the log ratio over
    sigma squared (chi-squared with one degree of freedom at a given place)."""

    first: int
    step: float
    statistic: float


def likeliest_change(
    samples: NDArray[np.float64],
    sigma: float,
    weights: NDArray[np.float64] | None = None,
    *,
    least: int = 1,
    upward: bool = False,
) -> Change:
    """The likeliest single change of the mean of `samples` (shape (n,), n of 2 `least` or more).

    `sigma` is the standard deviation of a sample of weight 1; `weights` (shape (n,), all above 0)
    say how many such samples each stands for. No part is shorter than `least` samples, for where
    samples are not normal a few at an end may win; `upward`: only a step above 0 counts. Raises
    ValueError for too few samples.
    """
    count = len(samples)
    if count < 2 * least:
        raise ValueError(f"a change needs {2 * least} samples or more")
    w = np.ones(count) if weights is None else weights
    sums, counts = np.cumsum(samples * w), np.cumsum(w)
    left, before = sums[:-1], counts[:-1]
    after = counts[-1] - before
    step = (sums[-1] - left) / after - left / before
    if upward:
        step = np.maximum(step, 0.0)
    statistic = step**2 * before * after / counts[-1] / sigma**2
    best = least - 1 + int(np.argmax(statistic[least - 1 : count - least]))
    return Change(best + 1, float(step[best]), float(statistic[best]))
