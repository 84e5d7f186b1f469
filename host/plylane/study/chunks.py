"""The work of the study in chunks: an hour of normal running, or some faults. Runs in a worker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from plylane.head.registers import State
from plylane.jam import FeedWatch, Finding, WatchSettings
from plylane.reaction import HOLD_LIKELIHOOD, spoiling_likelihood
from plylane.study.cases import LANES, NOMINAL_MM_S, SLIP, SLIP_SHARE, Case, fault_case, normal_hour
from plylane.study.drive import HOUR_S, Columns, placed, play_fault, play_normal
from plylane.study.matched import LENGTHS, PEAKS_KEPT, matched_sums, peaks, stretches

Form = dict[str, Any]
POLLS_PER_S = 50.0


@dataclass(frozen=True)
class NormalChunk:
    """So many hours of normal running, by seed and number. Every finding is a false alarm."""

    seed: int
    number: int
    hours: float

    def run(self) -> Form:
        """Hours fed, findings, what the head's own guards said, the peaks of the optimum."""
        columns, raised = play_normal(normal_hour(self.seed, self.number), self.hours)
        fed_s = float(np.count_nonzero(columns["state"] == State.EXECUTE)) / POLLS_PER_S
        return {
            "hours": fed_s / HOUR_S,
            "findings": [finding.to_json() for finding in FeedWatch().judge(columns)],
            "raised": raised,
            "matched": _matched_in_normal(columns),
        }


@dataclass(frozen=True)
class FaultChunk:
    """Some faults, by seed and numbers from `first` on."""

    seed: int
    first: int
    count: int

    def run(self) -> Form:
        """What was told of each."""
        numbers = range(self.first, self.first + self.count)
        return {"trials": [trial(placed(fault_case(self.seed, number))) for number in numbers]}


def _matched_in_normal(columns: Columns) -> Form:
    """Peaks and moments of the lengths' losses, for the threshold and for the white noise."""
    parts = list(stretches(columns, LANES))
    form: Form = {"steps": sum(len(steps.fed_mm) for steps in parts)}
    for length in LENGTHS:
        high = [peaks(matched_sums(steps, length, SLIP_SHARE)) for steps in parts]
        lost = np.concatenate([steps.lost_mm[length] for steps in parts])
        form[length] = {
            "peaks": np.sort(np.concatenate(high))[::-1][:PEAKS_KEPT].tolist(),
            "sum": float(np.sum(lost)),
            "squares": float(np.sum(lost**2)),
        }
    return form


def trial(case: Case) -> Form:
    """One fault: the first finding from its onset on and the last until the head stopped the feed
    or the watch was over; None where there was none.

    `held` is the last where the host holds the feed, as it does by default.
    """
    columns, guard = play_fault(case)
    findings = _judged(case, columns)
    since = [finding for finding in findings if finding.time_s >= case.onset_s]
    held = _with_hold(case, since)
    form: Form = {
        "number": case.number,
        "fault": case.fault,
        "truth": case.truth,
        "lane": case.lane,
        "abrupt": case.abrupt,
        "nominal": case.speed_mm_s == NOMINAL_MM_S,
        "guard": guard,
        "early": sum(finding.time_s < case.onset_s for finding in findings),
        "told": _told(case, columns, since[0]) if since else None,
        "held": held or (_told(case, columns, since[-1]) if since else None),
        "last": _told(case, columns, since[-1]) if since else None,
    }
    if case.fault == SLIP:
        form["matched"] = {length: _passage(case, columns, length) for length in LENGTHS}
    return form


def _judged(case: Case, columns: Columns) -> list[Finding]:
    return FeedWatch(WatchSettings(strip_ends=case.strip_ends)).judge(columns)


def _with_hold(case: Case, since: list[Finding]) -> Form | None:
    """The last word in the same run if the host holds the feed; None where no finding makes it."""
    why = (finding.time_s for finding in since if spoiling_likelihood(finding) >= HOLD_LIKELIHOOD)
    hold_s = next(why, None)
    if hold_s is None:
        return None
    columns, _ = play_fault(case, hold_s)
    return _told(case, columns, _judged(case, columns)[-1])


def _told(case: Case, columns: Columns, finding: Finding) -> Form:
    lane_right = case.lane is None or finding.lane == case.lane
    return {
        "kind": finding.kind,
        "right": finding.kind == case.truth and lane_right,
        "delay_s": finding.time_s - case.onset_s,
        "fed_mm": _went(columns, "feed_position_mm", case.onset_s, finding.time_s),
        "lost_mm": lost_mm(case, columns, finding.time_s),
    }


def lost_mm(case: Case, columns: Columns, time_s: float) -> float:
    """Strip fed from the fault's onset to a time that did not become cord.

    Where strips stand all that is fed is lost. Else it is what the fault's wheel fell behind: the
    lane's where the fault is in a lane, the output wheel's otherwise.
    """
    fed = _went(columns, "feed_position_mm", case.onset_s, time_s)
    if case.abrupt and case.truth in ("strip_stuck", "head_jam"):
        return fed
    wheel = "output" if case.lane is None else f"lane{case.lane}"
    return fed - _went(columns, f"{wheel}_position_mm", case.onset_s, time_s)


def _went(columns: Columns, name: str, start_s: float, stop_s: float) -> float:
    start, stop = np.interp([start_s, stop_s], columns["time_s"], columns[name])
    return float(stop - start)


def _passage(case: Case, columns: Columns, length: str) -> list[list[float]]:
    """New heights of the matched CUSUM after the onset: height, and feed since, mm."""
    *_, steps = stretches(columns, LANES)
    sums = matched_sums(steps, length, SLIP_SHARE)
    onset_mm = float(np.interp(case.onset_s, columns["time_s"], columns["feed_position_mm"]))
    found: list[list[float]] = []
    for k in np.flatnonzero(steps.time_s >= case.onset_s).tolist():
        if not found or sums[k] > found[-1][0]:
            found.append([float(sums[k]), float(steps.feed_mm[k]) - onset_mm])
    return found
