"""From the chunks' results to the study's figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from scipy.special import gammaincinv

from plylane.study.cases import FAULTS, SLIP, SLIP_SHARE
from plylane.study.matched import LENGTHS, same_rate_threshold, white_noise

Form = dict[str, Any]

WORDS = {
    "told": "first finding",
    "held": "last finding where the host holds",
    "last": "last finding",
}
"""Which finding of a fault is looked at: by name in a trial, for a person."""
UNDECIDED = frozenset({"unknown", "feed_mismatch"})
"""Kinds by which the detector says that it does not know."""


WARNING = "slip_growing"


def upper_limit(count: int, level: float = 0.95) -> float:
    """Upper confidence limit of a Poisson mean after `count` events, exact.

    F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936).
    """
    return float(gammaincinv(count + 1, level))  # half the chi-squared quantile of 2 (count + 1)


def tally(normal: Sequence[Form], faults: Sequence[Form]) -> Form:
    """All figures of the study. `normal` and `faults` are the forms of the chunks."""
    trials = [trial for chunk in faults for trial in chunk["trials"]]
    alarms = false_alarms(normal)
    return {
        "false_alarms": alarms,
        "delays": [delays(kind.name, _of(trials, kind.name)) for kind in FAULTS],
        "abrupt": abrupt(trials),
        "diagnosis": {word: diagnosis(trials, word) for word in WORDS},
        "confusion": {word: confusion(trials, word) for word in WORDS},
        "slip": optimum(normal, _of(trials, SLIP), alarms["count"]) if normal else None,
        "early": sum(trial["early"] for trial in trials),
    }


def _of(trials: Iterable[Form], fault: str) -> list[Form]:
    return [trial for trial in trials if trial["fault"] == fault]


def false_alarms(normal: Sequence[Form]) -> Form:
    """Findings in normal running, a thousand hours of feeding, and the upper 95 % limit of that."""
    hours = sum(chunk["hours"] for chunk in normal)
    findings = [finding for chunk in normal for finding in chunk["findings"]]
    per_kh = 1000.0 / hours if hours else float("inf")
    return {
        "hours": hours,
        "count": len(findings),
        "per_1000_h": len(findings) * per_kh if hours else None,
        "upper_95_per_1000_h": upper_limit(len(findings)) * per_kh if hours else None,
        "kinds": _counts(finding["kind"] for finding in findings),
        "held_by_guards": _counts(text for chunk in normal for text in chunk["raised"]),
    }


def _counts(names: Iterable[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for name in names:
        found[name] = found.get(name, 0) + 1
    return dict(sorted(found.items()))


def delays(name: str, trials: Sequence[Form]) -> Form:
    """How soon one kind of fault was told: time (s) and lost length (mm), median and 99th centile.

    Those that were never told are counted as missed and not in the delays.
    """
    told = [trial["told"] for trial in trials if trial["told"]]
    return {
        "fault": name,
        "trials": len(trials),
        "missed": len(trials) - len(told),
        "delay_s": _spread([one["delay_s"] for one in told]),
        "lost_mm": _spread([one["lost_mm"] for one in told]),
    }


def _spread(values: Sequence[float]) -> Form | None:
    if not values:
        return None
    # of a sample, not between two: a centile is never better than what was seen
    median, high = np.quantile(values, (0.5, 0.99), method="higher")
    return {"median": float(median), "p99": float(high), "mean": float(np.mean(values))}


def abrupt(trials: Sequence[Form]) -> Form:
    """Abrupt faults: how many were missed, and jams at nominal speed by lost length."""
    sudden = [trial for trial in trials if trial["abrupt"]]
    jams = [t for t in sudden if t["nominal"] and t["truth"] in ("strip_stuck", "head_jam")]
    return {
        "trials": len(sudden),
        "missed": sum(trial["told"] is None for trial in sudden),
        "jams_at_nominal_speed": delays("abrupt jam", jams),
    }


def diagnosis(trials: Sequence[Form], word: str) -> Form:
    """Shares of the told faults: right, undecided, wrong though decided.

    `warned` counts those of the wrong that were a warning of growing slip which the right finding
    followed, last of all.
    """
    told = [trial[word] for trial in trials if trial[word]]
    tests: dict[str, Callable[[Form], bool]] = {
        "right": lambda one: one["right"],
        "unknown": lambda one: one["kind"] in UNDECIDED,
        "wrong": lambda one: not one["right"] and one["kind"] not in UNDECIDED,
    }
    counts = {name: sum(map(test, told)) for name, test in tests.items()}
    shares = {
        f"{name}_share": count / len(told) if told else None for name, count in counts.items()
    }
    warned = sum(
        trial[word]["kind"] == WARNING and not trial[word]["right"] and trial["last"]["right"]
        for trial in trials
        if trial[word]
    )
    return {"told": len(told), **counts, "warned": warned, **shares}


def confusion(trials: Sequence[Form], word: str) -> Form:
    """For each kind of fault, how often each kind of finding came first, or last.

    The right kind in the wrong lane stands under "other lane", nothing at all under "missed".
    """
    table: Form = {}
    for kind in FAULTS:
        of_kind = _of(trials, kind.name)
        if of_kind:
            table[kind.name] = _counts(_verdict(trial, word) for trial in of_kind)
    return table


def _verdict(trial: Mapping[str, Any], word: str) -> str:
    told = trial[word]
    if told is None:
        return "missed"
    return "other lane" if told["kind"] == trial["truth"] and not told["right"] else told["kind"]


# ------------------------------------------------------------------------------------ the optimum


def optimum(normal: Sequence[Form], trials: Sequence[Form], alarms: int) -> Form:
    """Slip of 10 %: the detector's mean delay beside that of a CUSUM that knows the fault.

    Only faults that both told are compared, so that neither gains by missing slow ones.
    """
    return {length: _beside(length, normal, trials, alarms) for length in LENGTHS}


def _beside(length: str, normal: Sequence[Form], trials: Sequence[Form], alarms: int) -> Form:
    moments = [chunk["matched"][length] for chunk in normal]
    high_mm = same_rate_threshold([peak for part in moments for peak in part["peaks"]], alarms)
    pairs = [
        (trial["told"], mm)
        for trial in trials
        if trial["told"] and (mm := _passes(trial["matched"][length], high_mm)) is not None
    ]
    steps = sum(chunk["matched"]["steps"] for chunk in normal)
    mean = sum(part["sum"] for part in moments) / steps
    variance = sum(part["squares"] for part in moments) / steps - mean**2
    white = white_noise(variance**0.5, SLIP_SHARE, steps / max(alarms, 1))
    form: Form = {
        "threshold_mm": high_mm,
        "compared": len(pairs),
        "not_told_by_detector": sum(trial["told"] is None for trial in trials),
        "not_told_by_matched": sum(
            _passes(trial["matched"][length], high_mm) is None for trial in trials
        ),
        "white_sigma_mm": white.sigma_mm,
        "white_threshold_mm": white.threshold_mm,
        "white_delay_mm": white.delay_mm,
    }
    if pairs:
        detector = float(np.mean([told["fed_mm"] for told, _ in pairs]))
        matched = float(np.mean([mm for _, mm in pairs]))
        form |= {"detector_mm": detector, "matched_mm": matched, "ratio": detector / matched}
    return form


def _passes(passage: Sequence[Sequence[float]], high_mm: float) -> float | None:
    """Feed from the onset to where the matched CUSUM first stood above the threshold, mm."""
    return next((mm for height, mm in passage if height > high_mm), None)
