"""A smaller run of the study of random plants, see tests/benchmarks/tuning_study.py."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, norm

from benchmarks.tuning_study import LIMITED, Outcome, study

PLANTS = 20
LOOP_RULES = ("simc", "optimum_pi", "optimum")


@pytest.fixture(scope="module")
def relay_outcomes() -> list[Outcome]:
    return study(PLANTS, 23, "relay", LOOP_RULES)


@pytest.fixture(scope="module")
def all_outcomes(relay_outcomes: list[Outcome]) -> dict[str, list[Outcome]]:
    rest = {name: study(PLANTS // 2, 31, name, ()) for name in ("step", "doublet")}
    return {"relay": relay_outcomes, **rest}


def test_identified_parameters_are_near_the_truth(all_outcomes: dict[str, list[Outcome]]) -> None:
    errors = np.array([one.errors for outcomes in all_outcomes.values() for one in outcomes])
    assert (np.median(errors, axis=0) <= 0.05).all()
    assert (np.percentile(errors, 95, axis=0) <= 0.15).all()


def test_relay_records_tell_most(relay_outcomes: list[Outcome]) -> None:
    """Many switches, each of which shows the dead time: the reason to recommend the relay."""
    errors = np.array([outcome.errors for outcome in relay_outcomes])
    assert (np.median(errors, axis=0) <= 0.01).all()
    assert (np.percentile(errors, 95, axis=0) <= 0.05).all()


def test_truth_lies_within_two_standard_errors(all_outcomes: dict[str, list[Outcome]]) -> None:
    """As often as chance allows under a normal law: binomial bounds, one in a thousand outside.

    Within two all may lie, so it is the truth within one that shows errors wider than they need be.
    The three parameters of one plant are not independent, so each is judged alone.
    """
    scores = np.array([one.scores for outcomes in all_outcomes.values() for one in outcomes])
    for within in (1.0, 2.0):
        share = norm.cdf(within) - norm.cdf(-within)
        low, high = binom.interval(0.999, len(scores), share)
        for inside in np.sum(scores <= within, axis=0):
            assert low <= inside <= high, (within, inside)


def test_tuned_loops_are_near_the_best(relay_outcomes: list[Outcome]) -> None:
    """Load IAE of the optimum for the identified model, run on the true plant, against that of the
    best PID there at the same Ms: within 15 % at the median and the 90th percentile. With the noise
    limit that a technician gets, against the best PID that keeps to it too.
    """
    optimum = np.array([outcome.ratios["optimum"].pid for outcome in relay_outcomes])
    limited = np.array([outcome.ratios[LIMITED].like for outcome in relay_outcomes])
    pi = np.array([outcome.ratios["optimum_pi"].like for outcome in relay_outcomes])
    for ratios in (optimum, limited, pi):
        assert np.median(ratios) <= 1.15
        assert np.percentile(ratios, 90) <= 1.15
    # a rule that does not look for it is far off: the measure can tell them apart
    assert np.median([outcome.ratios["simc"].pid for outcome in relay_outcomes]) > 1.15
    assert np.percentile([one.ratios[LIMITED].pid for one in relay_outcomes], 90) > 1.15
