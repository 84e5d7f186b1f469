"""Least squares, uncertainty and the outlier test against published worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from plylane.feed.calibration import Budget, Part, coverage_factor, find_misread, fit_line
from plylane.feed.line_fit import deleted_residuals
from plylane.feed.uncertainty import arcsine, rectangular

# JCGM 100:2008, annex H.3, table H.6: calibration of a thermometer by a line fitted by least
# squares to 11 readings; correction b at temperature t, reference temperature 20 degC. *memory*
T_DEGC = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B_DEGC = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_thermometer_of_the_gum() -> None:
    fit = fit_line(np.array(T_DEGC) - 20.0, B_DEGC, offset=True)
    covariance = fit.covariance * fit.birge**2
    # H.3.3: y1 = -0.1712, s(y1) = 0.0029, y2 = 0.00218, s(y2) = 0.00067, r = -0.930, s = 0.0035
    assert fit.offset == pytest.approx(-0.1712, abs=5e-5)
    assert math.sqrt(covariance[1, 1]) == pytest.approx(0.0029, abs=5e-5)
    assert fit.slope == pytest.approx(0.00218, abs=5e-6)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(0.00067, abs=5e-6)
    correlation = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert fit.birge == pytest.approx(0.0035, abs=5e-5)
    # H.3.4: at 30 degC b = -0.1494 with u = 0.0041, 9 degrees of freedom
    at = np.array([10.0, 1.0])
    assert 10.0 * fit.slope + fit.offset == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(at @ covariance @ at) == pytest.approx(0.0041, abs=5e-5)
    assert fit.dof == 9


def test_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008, annex H.1, table H.1: u in nm and dof; uc = 32 nm, 16 effective degrees of
    freedom, t99(16) = 2.92, U99 = 93 nm. *memory*
    """
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    budget = Budget(tuple(Part("", "B", u, dof) for u, dof in parts))
    assert budget.u == pytest.approx(32.0, abs=0.5)
    assert math.floor(budget.dof) == 16
    k = coverage_factor(budget.dof, 0.99)
    assert k == pytest.approx(2.92, abs=5e-3)
    assert k * 32.0 == pytest.approx(93.0, abs=0.5)


@pytest.mark.parametrize(
    ("dof", "level", "t"),
    # JCGM 100:2008, table G.2. *memory*
    [(1, 0.95, 12.71), (2, 0.95, 4.30), (5, 0.95, 2.57), (10, 0.95, 2.23), (20, 0.95, 2.09),
     (5, 0.99, 4.03), (math.inf, 0.95, 1.960), (math.inf, 0.99, 2.576)],
)  # fmt: skip
def test_coverage_factors_of_the_gum(dof: float, level: float, t: float) -> None:
    assert coverage_factor(dof, level) == pytest.approx(t, abs=6e-3)


def test_only_whole_degrees_of_freedom_count() -> None:
    """G.4.1, note 1: cut to the next lower integer."""
    assert coverage_factor(5.9) == coverage_factor(5.0)


def test_shapes_of_distributions() -> None:
    """JCGM 100:2008 4.3.7: a/sqrt(3) within bounds of +-a; a sine of amplitude a: a/sqrt(2)."""
    phase = np.linspace(0.0, 2.0 * np.pi, 10_001)[:-1]
    assert arcsine(2.0) == pytest.approx(float(np.std(2.0 * np.sin(phase))), rel=1e-6)
    assert rectangular(2.0) == pytest.approx(float(np.std(np.linspace(-2, 2, 100_001))), rel=1e-4)


def test_outlier_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods 1.3.5.17.1, Grubbs' test: uranium masses of
    Tietjen and Moore, G = 2.4687 for 245.57, an outlier. *memory* For a mean the studentised
    deleted residual is Grubbs' G in another dress: G^2 (n-1)^-1 n = t^2 n / (n - 2 + t^2).
    """
    masses = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    fit = fit_line(np.ones(8), masses)
    _, t = deleted_residuals(fit)
    n, t2 = 8, t[7] ** 2
    assert (n - 1) / math.sqrt(n) * math.sqrt(t2 / (n - 2 + t2)) == pytest.approx(2.4687, abs=1e-4)
    misread = find_misread(fit, (0.0, math.inf))
    assert misread is not None and misread.number == 7
    assert misread.off_by == pytest.approx(245.57 - np.mean(masses[:7]))
    assert find_misread(fit_line(np.ones(7), masses[:7]), (0.0, math.inf)) is None
