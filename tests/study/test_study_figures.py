"""The study's figures against formulas, published values and other ways to the same."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from plylane.head.registers import State
from plylane.study.matched import (
    Steps,
    matched_sums,
    peaks,
    same_rate_threshold,
    stretches,
    white_noise,
)
from plylane.study.tally import false_alarms, tally, upper_limit

# ------------------------------------------------------------------ false alarms


def test_no_event_leaves_three() -> None:
    # exact: exp(-x) = 0.05; the "rule of three" of medical statistics (memory)
    assert upper_limit(0) == pytest.approx(math.log(20.0), rel=1e-12)


@given(st.integers(0, 200), st.sampled_from([0.9, 0.95, 0.99]))
def test_at_the_limit_so_few_events_are_as_rare_as_said(count: int, level: float) -> None:
    assert poisson.cdf(count, upper_limit(count, level)) == pytest.approx(1.0 - level, rel=1e-9)


def normal(hours: float, *kinds: str) -> dict[str, Any]:
    matched = {"steps": 100, **{name: one_length(2.0) for name in ("cord", "head")}}
    findings = [{"kind": kind} for kind in kinds]
    return {"hours": hours, "findings": findings, "raised": [], "matched": matched}


def one_length(*high: float) -> dict[str, Any]:
    return {"peaks": list(high), "sum": 0.0, "squares": 4.0}


def test_false_alarms_are_counted_in_thousands_of_hours() -> None:
    alarms = false_alarms([normal(400.0), normal(100.0, "head_jam", "unknown")])
    assert (alarms["count"], alarms["per_1000_h"]) == (2, 4.0)
    assert alarms["upper_95_per_1000_h"] == pytest.approx(2.0 * upper_limit(2))
    assert alarms["kinds"] == {"head_jam": 1, "unknown": 1}


# ------------------------------------------------------------------ diagnosis


def trial(
    fault: str,
    truth: str,
    told: str | None,
    last: dict[str, Any] | None = None,
    held: dict[str, Any] | None = None,
    **more: Any,
) -> dict[str, Any]:
    form = {"kind": told, "right": told == truth, "delay_s": 1.0, "fed_mm": 14.0, "lost_mm": 3.0}
    base = {"abrupt": True, "nominal": True, "early": 0, "guard": "", "lane": None}
    first = told and (form | more)
    words = {"told": first, "held": held or first, "last": last or first}
    return {"fault": fault, "truth": truth, **base, **words}


def test_a_confusion_table_holds_every_trial_once() -> None:
    trials = [
        trial("lane jam", "strip_stuck", "strip_stuck"),
        trial("lane jam", "strip_stuck", "strip_stuck", right=False),
        trial("lane jam", "strip_stuck", None),
        trial("head jam", "head_jam", "unknown"),
        trial("head jam", "head_jam", "strip_out", lost_mm=9.0),
    ]
    figures = tally([], [{"trials": trials[:2]}, {"trials": trials[2:]}])
    assert (
        figures["confusion"]["told"]
        == figures["confusion"]["last"]
        == {
            "lane jam": {"missed": 1, "other lane": 1, "strip_stuck": 1},
            "head jam": {"strip_out": 1, "unknown": 1},
        }
    )
    diagnosis = figures["diagnosis"]["told"]
    assert [diagnosis[name] for name in ("told", "right", "unknown", "wrong")] == [4, 1, 1, 2]
    assert diagnosis["wrong_share"] == 0.5
    assert (figures["abrupt"]["trials"], figures["abrupt"]["missed"]) == (5, 1)
    # of a sample, never between two of it
    assert figures["abrupt"]["jams_at_nominal_speed"]["lost_mm"]["p99"] == 9.0
    assert figures["slip"] is None  # no normal hours, no threshold


def test_a_warning_counts_as_one_where_the_right_finding_follows() -> None:
    right = {"kind": "head_jam", "right": True}
    trials = [
        trial("head jam, creeping", "head_jam", "slip_growing", right),
        trial("head jam, creeping", "head_jam", "slip_growing"),
        trial("head jam, creeping", "head_jam", "unknown", right),
    ]
    figures = tally([], [{"trials": trials}])
    first, last = figures["diagnosis"]["told"], figures["diagnosis"]["last"]
    assert (first["right"], first["unknown"], first["wrong"], first["warned"]) == (0, 1, 2, 1)
    assert (last["right"], last["unknown"], last["wrong"], last["warned"]) == (2, 0, 1, 0)
    assert figures["confusion"]["last"] == {
        "head jam, creeping": {"head_jam": 2, "slip_growing": 1}
    }


def test_what_is_last_where_the_host_holds_is_counted_for_itself() -> None:
    """Undecided at first; the host's hold leaves another word than feeding on would."""
    held = {"kind": "strip_out", "right": True}
    last = {"kind": "strip_stuck", "right": False}
    figures = tally([], [{"trials": [trial("strip out", "strip_out", "unknown", last, held)]}])
    counts = {
        word: [figures["diagnosis"][word][name] for name in ("right", "unknown", "wrong")]
        for word in ("told", "held", "last")
    }
    assert counts == {"told": [0, 1, 0], "held": [1, 0, 0], "last": [0, 0, 1]}
    assert figures["confusion"]["held"] == {"strip out": {"strip_out": 1}}


# ------------------------------------------------------------------ the matched CUSUM

LOSSES = st.lists(st.floats(-3.0, 3.0), min_size=1, max_size=60)


def made(lost_mm: list[float] | np.ndarray) -> Steps:
    lost = np.asarray(lost_mm, dtype=float)
    fed = np.ones(len(lost))
    return Steps(np.cumsum(fed) / 14.0, np.cumsum(fed), fed, {"cord": lost, "head": lost})


@given(LOSSES, st.floats(0.0, 2.0))
def test_sums_are_page_s_recursion(lost_mm: list[float], change: float) -> None:
    expected, now = [], 0.0
    for lost in lost_mm:
        now = max(0.0, now + lost - change / 2.0)
        expected.append(now)
    sums = matched_sums(made(lost_mm), "cord", change)
    assert np.allclose(sums, expected, rtol=0.0, atol=1e-9)


@given(LOSSES, st.integers(0, 5))
def test_the_threshold_lets_so_many_excursions_pass(lost_mm: list[float], alarms: int) -> None:
    sums = matched_sums(made(lost_mm), "cord", 0.5)
    found = peaks(sums).tolist()
    high = same_rate_threshold(found, alarms)
    assert sum(peak > high for peak in found) <= alarms
    assert max(found, default=0.0) == max(0.0, float(np.max(sums)))


def test_white_noise_against_the_published_chart() -> None:
    # k = 0.5, h = 5: one-sided run lengths 930.89 without a change and 10.376 at a shift of one
    # sigma; integral equation of Page 1954 by Goel and Wu, Technometrics 13 (1971) (recomputed)
    white = white_noise(1.0, 1.0, 930.887)
    assert white.threshold_mm == pytest.approx(5.0, rel=0.005)
    assert white.delay_mm == pytest.approx(10.376, rel=0.005)


def test_white_noise_against_a_simulation() -> None:
    """The formula beside the very sums that the study forms, on noise that is white."""
    sigma, change, rng = 0.4, 0.5, np.random.default_rng(5)
    white = white_noise(sigma, change, 2000.0)
    before = matched_sums(made(rng.normal(0.0, sigma, 400_000)), "cord", change)
    # by renewal the mean time between alarms is that of the first; count upcrossings from zero
    assert len(before) / 2000.0 * 0.7 < sum(peaks_above(before, white.threshold_mm)) < 260
    delays = [
        1 + int(np.argmax(sums >= white.threshold_mm))
        for sums in (
            matched_sums(made(rng.normal(change, sigma, 200)), "cord", change) for _ in range(1500)
        )
    ]
    assert np.mean(delays) == pytest.approx(white.delay_mm, rel=0.03)


def peaks_above(sums: np.ndarray, high: float) -> np.ndarray:
    starts = np.flatnonzero(np.append(True, sums[:-1] == 0.0))
    return np.maximum.reduceat(sums, starts) >= high


def test_stretches_end_where_feeding_does() -> None:
    feed = np.concatenate((np.arange(0.0, 50.0, 0.3), np.arange(0.0, 30.0, 0.3)))
    state = np.full(len(feed), int(State.EXECUTE))
    state[60:70] = int(State.HELD)
    columns = {"time_s": np.arange(len(feed)) / 50.0, "state": state, "feed_position_mm": feed}
    columns |= {f"lane{k}_position_mm": 0.9 * feed for k in range(1, 6)}
    columns["output_position_mm"] = 0.9 * feed
    found = list(stretches(columns, 5))
    assert len(found) == 3  # before the hold, after it, and once the feed began anew
    for steps in found:
        lost = (0.985 - 0.9) * steps.fed_mm
        assert np.allclose(steps.lost_mm["cord"], lost) and np.allclose(steps.lost_mm["head"], lost)
        assert np.all(steps.fed_mm > 0.6) and np.all(steps.fed_mm < 1.4)
