"""A smaller run of tests/benchmarks/calibration_trials.py: truth within what is stated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from benchmarks.calibration_trials import Outcome, trials

TRIALS = 20


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return trials(1000, TRIALS)


@pytest.mark.parametrize("kind", ["drive", "wheel", "lanes"])
def test_truth_within_the_stated_uncertainty(outcomes: list[Outcome], kind: str) -> None:
    """95 of 100, as often as chance allows: at least what one in a thousand would fall below. The
    five lanes of a trial share a tape, so they count as one draw.
    """
    mine = [one for one in outcomes if one.kind == kind]
    within = sum(abs(one.error) <= one.expanded for one in mine) * TRIALS / len(mine)
    assert within >= binom.ppf(0.001, TRIALS, 0.95)
    assert np.mean([one.expanded for one in mine]) < 0.003  # and not by stating much


@pytest.mark.parametrize("kind", ["drive", "wheel", "lanes"])
def test_ten_millimetres_misread_are_named(outcomes: list[Outcome], kind: str) -> None:
    mine = [one for one in outcomes if one.kind == kind]
    assert all(one.named for one in mine)
    assert np.allclose([one.off_mm for one in mine], 10.0, atol=4.0)
