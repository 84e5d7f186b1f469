"""Watching the feed: does every strip, and does the cord, follow what is fed?

Two questions, both in the length domain, where nothing depends on speed:

- each lane's wheel against the median of the other lanes: a lane that falls behind is stuck;
- the cord and the median lane against the feed: when both fall behind, either one lane fell behind
  more than the others and is stuck (glued to them, it holds them up) or the whole head is jammed;
  when only the cord falls behind, that is said and left undecided.

What a healthy head does to these lengths is either slow (slip, dirt), bounded (slack, gaps of
joints, pulses, run-out) or a small share of the feed (curves); see `WatchSettings`. It explains and
comes early; the head's own guards protect.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from operator import sub
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import State
from plylane.jam.finding import FEED_MISMATCH, HEAD_JAM, STRIP_STUCK, Finding
from plylane.jam.residual import expected_length_mm, lane_residuals_mm, median_mm
from plylane.jam.settings import WatchSettings
from plylane.jam.track import Track

_EXECUTE = int(State.EXECUTE)
_LANE = re.compile(r"lane(\d+)_position_mm")
_Row = tuple[float, float, float, Sequence[float]]  # time_s, feed_mm, output_mm, lanes_mm


def columns_needed(lanes: int) -> tuple[str, ...]:
    """Names of the telemetry columns that `FeedWatch.judge` wants."""
    always = ("time_s", "state", "feed_position_mm", "output_position_mm")
    return (*always, *(f"lane{lane}_position_mm" for lane in range(1, lanes + 1)))


class FeedWatch:
    """The first detector: sample by sample with `push`, over arrays with `judge`, same findings.

    Only rows in state Execute count. When the head leaves it, when the feed position goes backwards
    or a length is not a number, the watch starts afresh at the next row that counts.
    """

    def __init__(self, settings: WatchSettings | None = None) -> None:
        self._settings = settings or WatchSettings()
        self._stretch: _Stretch | None = None
        self._seen_mm = math.nan  # feed of the last row, nan when it did not count
        self._start_mm = math.nan
        self._steps = 0.0

    def push(
        self, time_s: float, state: int, feed_mm: float, output_mm: float, lanes_mm: Sequence[float]
    ) -> list[Finding]:
        """Take one row; lengths in mm since the run started, one a lane. Findings decided by it."""
        counts = state == _EXECUTE and all(map(math.isfinite, (time_s, feed_mm, output_mm)))
        if not counts or not all(map(math.isfinite, lanes_mm)):
            self._seen_mm = math.nan
            return []
        begins = not feed_mm >= self._seen_mm
        self._seen_mm = feed_mm
        if begins or (feed_mm - self._start_mm) // self._settings.step_mm > self._steps:
            return self._take(begins, (time_s, feed_mm, output_mm, lanes_mm))
        return []

    def judge(self, columns: Mapping[str, NDArray[Any]]) -> list[Finding]:
        """Take many rows at once: arrays of shape (rows,), named as `columns_needed`.

        The rows follow those taken before, so a run may also be judged in parts. Finds by array
        arithmetic the few rows at which `push` would have done anything and takes only those.
        Raises KeyError for a missing column.
        """
        rows = _Rows.of(columns)
        if not len(rows.counts):
            return []
        begins, steps = self._select(rows)
        self._seen_mm = float(rows.feed_mm[-1]) if rows.counts[-1] else math.nan
        return [
            finding
            for begin, row in rows.at(np.flatnonzero(begins | steps), begins)
            for finding in self._take(begin, row)
        ]

    def _select(self, rows: _Rows) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Rows at which a stretch begins, and rows at which a step of feed is complete."""
        feed_mm = rows.feed_mm
        seen_mm = np.where(rows.counts, feed_mm, math.nan)
        begins = rows.counts & ~(feed_mm >= np.append(self._seen_mm, seen_mm[:-1]))
        begun = np.maximum.accumulate(np.where(begins, np.arange(len(begins)), -1))
        start_mm = np.where(begun >= 0, feed_mm[begun], self._start_mm)
        done = (seen_mm - start_mm) // self._settings.step_mm
        return begins, ~begins & (done > np.append(self._steps, done[:-1]))

    def _take(self, begins: bool, row: _Row) -> list[Finding]:
        if begins or self._stretch is None:
            self._stretch, self._start_mm, self._steps = _Stretch(self._settings, row), row[1], 0.0
            return []
        self._steps = (row[1] - self._start_mm) // self._settings.step_mm
        return self._stretch.step(row)


@dataclass(frozen=True, slots=True)
class _Rows:
    """The columns a watch looks at; `counts` where the head feeds and every length is a number."""

    time_s: NDArray[np.float64]
    feed_mm: NDArray[np.float64]
    output_mm: NDArray[np.float64]
    lanes_mm: list[NDArray[np.float64]]
    counts: NDArray[np.bool_]

    @classmethod
    def of(cls, columns: Mapping[str, NDArray[Any]]) -> _Rows:
        lanes = sum(_LANE.fullmatch(name) is not None for name in columns)
        names = [name for name in columns_needed(lanes) if name != "state"]
        time_s, feed_mm, output_mm, *lanes_mm = (
            np.asarray(columns[name], dtype=np.float64) for name in names
        )
        counts = np.asarray(columns["state"]) == _EXECUTE
        for lengths in (time_s, feed_mm, output_mm, *lanes_mm):
            counts &= np.isfinite(lengths)
        return cls(time_s, feed_mm, output_mm, lanes_mm, counts)

    def at(
        self, numbers: NDArray[np.intp], begins: NDArray[np.bool_]
    ) -> Iterator[tuple[bool, _Row]]:
        picked = [c[numbers].tolist() for c in (self.time_s, self.feed_mm, self.output_mm)]
        lanes = [lane[numbers].tolist() for lane in self.lanes_mm]
        lanes_mm = zip(*lanes, strict=True) if lanes else [()] * len(numbers)
        return zip(begins[numbers].tolist(), zip(*picked, lanes_mm, strict=True), strict=True)


class _Stretch:
    """One stretch of feeding, from entering Execute to leaving it."""

    def __init__(self, settings: WatchSettings, row: _Row) -> None:
        self._settings = settings
        time_s, self._feed_0_mm, self._output_0_mm, self._lanes_0_mm = row
        lane = (settings.lane_allowance, settings.lane_threshold_mm, time_s)
        feed = (settings.feed_allowance, settings.feed_threshold_mm, time_s)
        # one lane has no others to be held against
        self._lanes = [Track(settings, *lane) for _ in row[3]] if len(row[3]) > 1 else []
        self._cord = Track(settings, *feed)
        self._median = Track(settings, *feed)
        self._behind_mm = [0.0] * len(self._lanes)  # lanes' residuals when the head last kept up

    def step(self, row: _Row) -> list[Finding]:
        """Bring every track up to date with a row; what it decides."""
        time_s, feed_mm, output_mm, lanes_mm = row
        fed_mm = feed_mm - self._feed_0_mm
        expected_mm = expected_length_mm(fed_mm, self._settings.expected_slip)
        passed_mm = list(map(sub, lanes_mm, self._lanes_0_mm))
        stuck: list[int] = []
        if self._lanes:
            behind_mm = lane_residuals_mm(passed_mm)
            stuck = [
                lane
                for lane, track in enumerate(self._lanes)
                if track.push(time_s, fed_mm, behind_mm[lane])
            ]
        cord = self._cord.push(time_s, fed_mm, expected_mm - (output_mm - self._output_0_mm))
        median = bool(passed_mm) and self._median.push(
            time_s, fed_mm, expected_mm - median_mm(passed_mm)
        )
        if self._lanes and self._median.sum_mm == 0.0:
            self._behind_mm = behind_mm
        findings = [self._stuck_strip(row, lane) for lane in stuck]
        return findings + self._slowed_head(row) if cord or median else findings

    def _stuck_strip(self, row: _Row, lane: int) -> Finding:
        track = self._lanes[lane]
        track.hear()
        # what the strip did not follow the others, and what it kept all of them from following
        lost_mm = track.lost_mm + (self._median.lost_mm if self._slowed else 0.0)
        evidence = {"lane_deficit_mm": track.lost_mm}
        return self._finding(STRIP_STUCK, row, track, lost_mm, evidence, lane=lane + 1)

    def _slowed_head(self, row: _Row) -> list[Finding]:
        """What it means that cord, or the median lane, fell behind the feed."""
        cord, undecided_mm = self._cord, self._settings.undecided_threshold_mm
        if cord.silent or any(track.silent for track in self._lanes):
            return []  # told already: a strip that sticks holds up the others
        if self._slowed:
            cord.hear()
            lane, gained_mm = self._cause()
            if gained_mm >= self._settings.lane_sign_mm:
                return [self._stuck_strip(row, lane)]
            return [self._finding(HEAD_JAM, row, cord, cord.lost_mm, {})]
        if cord.sum_mm >= undecided_mm:
            cord.hear()
            evidence = {"threshold_mm": undecided_mm}
            return [self._finding(FEED_MISMATCH, row, cord, cord.lost_mm, evidence)]
        return []

    @property
    def _slowed(self) -> bool:
        """Whether cord and lanes agree that the whole head fell behind the feed."""
        return min(self._cord.sum_mm, self._median.sum_mm) >= self._cord.threshold_mm / 2.0

    def _cause(self) -> tuple[int, float]:
        """The lane that fell behind the others most since the whole head did, and by how far."""
        gained_mm = [
            track.residual_mm - before
            for track, before in zip(self._lanes, self._behind_mm, strict=True)
        ]
        worst_mm = max(gained_mm, default=0.0)
        return (gained_mm.index(worst_mm) if gained_mm else 0), worst_mm

    def _finding(
        self,
        kind: str,
        row: _Row,
        track: Track,
        lost_mm: float,
        more: dict[str, float],
        lane: int | None = None,
    ) -> Finding:
        evidence = {
            "onset_s": track.onset_s,
            "feed_mm": row[1],
            "statistic_mm": track.sum_mm,
            "threshold_mm": track.threshold_mm,
            "drift": track.drift,
            "output_deficit_mm": self._cord.lost_mm,
            "median_lane_deficit_mm": self._median.lost_mm,
            **more,
        }
        return Finding(kind, row[0], lane, lost_mm, evidence)
