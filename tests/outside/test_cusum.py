"""The cumulative sum and its thresholds against published tables and a public data set.

Run lengths by simulation: the published mean must lie within four standard errors of the simulated
one (right code fails so for one seed in 16 000; the seed is fixed) and half a unit of the last
digit printed.
"""

from __future__ import annotations

import numpy as np
import pytest
import ruptures

from plylane.jam.cusum import page_sums
from plylane.jam.glr import likeliest_change
from plylane.jam.thresholds import integral_arl, siegmund_arl, threshold

UNIT = 1_000_000  # sums are in whole numbers: millionths of a standard deviation


def sums_of(samples: np.ndarray, k: float) -> np.ndarray:
    """One-sided sums of samples, shape (tracks, n), with reference value k."""
    increments = np.rint((samples - k) * UNIT).astype(np.int64)
    return page_sums(increments, np.zeros(len(increments), dtype=np.int64)) / UNIT


def run_lengths(mean: float, k: float, h: float, sides: tuple[int, ...], runs: int) -> np.ndarray:
    samples = np.random.default_rng(1954).normal(mean, 1.0, (runs, 2500))
    over = np.zeros(samples.shape, dtype=bool)
    for side in sides:
        over |= sums_of(side * samples, k) >= h
    assert over.any(axis=1).all()  # long enough
    return over.argmax(axis=1) + 1


# D. Brook, D.A. Evans, Biometrika 59 (1972) 539-548, sec. 4.3; K.-H. Waldmann, Technometrics 28
# (1986) 61-67, Tables 1, 3, 5; L.C. Vance, J. Quality Technology 18 (1986) 189-193, Table 1: all as
# quoted in the comments of man/xcusum.arl.Rd of the R package spc.
ONE_SIDED = [
    (0.5, 3.0, 0.0, 117.59, 0.01),
    (0.5, 3.0, 1.5, 3.75, 0.01),
    (0.5, 3.0, 0.0, 117.4, 0.1),
    (0.5, 3.0, 0.5, 17.35, 0.01),
    (0.5, 3.0, -0.5, 1963.0, 1.0),
    (0.0, 10.0, -0.25, 2071.51, 0.01),
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
    # the published 117.4 is 117.59 to four digits nowhere else: both are within 0.2 %
    assert integral_arl(k, h, mean) == pytest.approx(published, rel=2e-3, abs=digit)
    if published < 200.0:
        lengths = run_lengths(mean, k, h, (1,), 2000)
        error = float(np.std(lengths) / np.sqrt(len(lengths)))
        assert abs(lengths.mean() - published) <= 4.0 * error + digit / 2.0
        assert error < 0.03 * published  # else the comparison says nothing


@pytest.mark.parametrize(("shift", "published", "digit"), LUCAS_CROSIER)
def test_two_sided_run_length(shift: float, published: float, digit: float) -> None:
    lengths = run_lengths(shift, 0.5, 4.0, (1, -1), 2000)
    error = float(np.std(lengths) / np.sqrt(len(lengths)))
    assert abs(lengths.mean() - published) <= 4.0 * error + digit / 2.0
    sides = [1.0 / integral_arl(0.5, 4.0, side * shift) for side in (1, -1)]
    assert 1.0 / sum(sides) == pytest.approx(published, abs=digit)


def test_siegmund_s_rule() -> None:
    """D. Siegmund, Sequential Analysis (1985), as Montgomery gives it, ISQC p. 416-417; values of
    the formula recomputed: one-sided, k = 0.5, h = 4 and 5, at no shift."""
    assert siegmund_arl(0.5, 4.0) == pytest.approx(338.093, abs=1e-3)
    assert siegmund_arl(0.5, 5.0) == pytest.approx(938.222, abs=1e-3)
    assert siegmund_arl(0.5, 4.0, 0.5) == pytest.approx((4.0 + 1.166) ** 2)
    for arl in (10.0, 336.0, 1e6):
        h = threshold(0.5, arl)
        assert siegmund_arl(0.5, h) == pytest.approx(arl)
        assert integral_arl(0.5, h) == pytest.approx(arl, rel=0.02)


def test_worked_example() -> None:
    """Montgomery and Runger, Applied Statistics and Probability for Engineers, 3rd ed., Table 16-7
    (p. 634) and Example 16-6: concentrations, target 99; K = 1 and H = 10 are *memory*. The sums
    are recomputed from the printed data."""
    data = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1]
    data += [101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]
    upper = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
    lower = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
    off = np.array(data) - 99.0
    assert sums_of(np.array([off, -off]), 1.0) == pytest.approx(np.array([upper, lower]), abs=1e-6)


def test_subgroup_means_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook, 6.3.2.3: 20 means, target 325, k = 0.3175, h = 4.1959 (*memory*);
    the first out of control is the 14th."""
    data = [324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6]
    data += [324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35]
    upper = sums_of(np.array([data]) - 325.0, 0.3175)[0]
    assert int(np.argmax(upper > 4.1959)) + 1 == 14
    assert upper[[12, 13, 19]] == pytest.approx([3.0075, 4.94, 19.035], abs=1e-6)


# Annual flow of the Nile at Aswan, 1871 to 1970, 1e8 m3: public domain, as the packages statsmodels
# (datasets.nile) and R (datasets::Nile) ship it.
NILE = """
    1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140
    1100 1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969
    831 726 456 824 702 1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759
    781 865 845 944 984 897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890
    744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740
"""


def test_the_nile_changes_after_1898() -> None:
    """The published change is at 1898: G.W. Cobb, The problem of the Nile, Biometrika 65 (1978)
    243-251 (*memory*)."""
    flow = np.array([float(number) for number in NILE.split()])
    year = np.arange(1871, 1971)
    change = likeliest_change(flow, float(flow.std()))
    assert year[change.first - 1] == 1898
    assert change.step == pytest.approx(849.97 - 1097.75, abs=0.01)  # means before and after
    (first, _) = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(flow).predict(n_bkps=1)
    assert change.first == first
    # and Page's sum, told of nothing but the mean and scatter of the years before
    before = flow[:27]
    sums = sums_of((before.mean() - flow)[np.newaxis] / before.std(), 0.5)[0]
    told = year[int(np.argmax(sums >= threshold(0.5, 1000.0)))]
    assert 1898 < told <= 1905
