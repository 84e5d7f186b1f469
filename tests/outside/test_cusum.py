"""The cumulative sum inside `Track` against published tables.

Run lengths by simulation: the published mean must lie within four standard errors of the simulated
one (right code fails so for one seed in 16 000; the seed is fixed) and half a unit of the last
digit printed.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from plylane.jam.settings import WatchSettings
from plylane.jam.track import Track

NO_DRIFT = WatchSettings(baseline_limit=0.0)


def one_sided(k: float, h: float) -> Track:
    return Track(NO_DRIFT, k, h, 0.0)


def speaks(track: Track, sample: int, total: float) -> bool:
    """A sample is one length fed, so the residual is the running total of the samples."""
    return track.push(float(sample), float(sample), total)


def run_length(xs: Iterator[float], k: float, h: float, sides: tuple[int, ...]) -> int:
    tracks, total = [one_sided(k, h) for _ in sides], 0.0
    for sample, x in enumerate(xs, start=1):
        total += x
        said = [speaks(t, sample, side * total) for t, side in zip(tracks, sides, strict=True)]
        if any(said):
            return sample
    raise AssertionError("ran dry")


def samples(rng: np.random.Generator, mean: float) -> Iterator[float]:
    while True:
        yield from rng.normal(mean, 1.0, 64).tolist()


def mean_and_error(
    mean: float, k: float, h: float, sides: tuple[int, ...], runs: int
) -> tuple[float, float]:
    rng = np.random.default_rng(1954)
    lengths = [run_length(samples(rng, mean), k, h, sides) for _ in range(runs)]
    return float(np.mean(lengths)), float(np.std(lengths) / np.sqrt(runs))


# D. Brook, D.A. Evans, Biometrika 59 (1972) 539-548, sec. 4.3; K.-H. Waldmann, Technometrics 28
# (1986) 61-67, Tables 1, 3, 5; L.C. Vance, J. Quality Technology 18 (1986) 189-193, Table 1: all as
# quoted in the comments of man/xcusum.arl.Rd of the R package spc.
ONE_SIDED = [
    (0.5, 3.0, 0.0, 117.59, 0.01),
    (0.5, 3.0, 1.5, 3.75, 0.01),
    (0.5, 3.0, 0.0, 117.4, 0.1),
    (0.5, 3.0, 0.5, 17.35, 0.01),
    (0.0, 10.0, 0.0, 124.66, 0.01),
    (0.0, 10.0, 0.25, 36.71, 0.01),
    (0.0, 10.0, 1.0, 10.75, 0.01),
]

# J.M. Lucas, R.B. Crosier, Technometrics 24 (1982) 199-205, Table 1 (k = 0.5, h = 4, no head
# start), quoted in the same place. Two-sided: at no shift half the one-sided value.
LUCAS_CROSIER = [(0.0, 168.0, 1.0), (0.5, 26.6, 0.1), (1.0, 8.38, 0.01), (2.0, 3.34, 0.01)]


@pytest.mark.parametrize(("k", "h", "mean", "published", "digit"), ONE_SIDED)
def test_one_sided_run_length(
    k: float, h: float, mean: float, published: float, digit: float
) -> None:
    simulated, error = mean_and_error(mean, k, h, (1,), 3000)
    assert abs(simulated - published) <= 4.0 * error + digit / 2.0
    assert error < 0.025 * published  # else the comparison says nothing


@pytest.mark.parametrize(("shift", "published", "digit"), LUCAS_CROSIER)
def test_two_sided_run_length(shift: float, published: float, digit: float) -> None:
    simulated, error = mean_and_error(shift, 0.5, 4.0, (1, -1), 2500)
    assert abs(simulated - published) <= 4.0 * error + digit / 2.0
    assert error < 0.025 * published


def test_worked_example() -> None:
    """Montgomery and Runger, Applied Statistics and Probability for Engineers, 3rd ed., Table 16-7
    (p. 634) and Example 16-6: concentrations, target 99; K = 1 and H = 10 are *memory*. The sums
    are recomputed from the printed data."""
    data = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1]
    data += [101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]
    upper = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
    lower = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
    for side, sums in ((1, upper), (-1, lower)):
        track, total, found = one_sided(1.0, 10.0), 0.0, []
        for sample, x in enumerate(data, start=1):
            total += side * (x - 99.0)
            assert not speaks(track, sample, total)
            found.append(track.sum_mm)
        assert found == pytest.approx(sums, abs=1e-9)
