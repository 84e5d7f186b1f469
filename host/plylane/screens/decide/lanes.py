"""The lanes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from plylane.feed.lanes import LaneBook
from plylane.head.registers import ALARMS, LaneTelemetryRegs, Status, TelemetryRegs
from plylane.host_alarms import STRIP_ENDS_SOON, STRIP_OUT, HostAlarms
from plylane.screens.decide.kinds import Kind, Said
from plylane.trends import Limits

LANE_STOPPED = next(a.number for a in ALARMS if a.name == "lane_stopped")


@dataclass(frozen=True, slots=True)
class LaneRow:
    """A lane as shown; `away_mm` is its position less the median lane's.

    `left` is what the lane has of strip before its wheel; None where nobody told of strips.
    """

    name: str
    position: Said
    left: Said | None
    away: Said
    away_mm: float
    word: Said


@dataclass(frozen=True, slots=True)
class Strips:
    """What is known of the strips: their book, and what the host asks for."""

    book: LaneBook
    alarms: HostAlarms

    def word(self, lane: int) -> Said | None:
        """What the host asks of a lane; None where it asks nothing."""
        if self.alarms.lanes_of(STRIP_OUT) >> lane & 1:
            return Said("▲ no strip", Kind.HIGH)
        if self.alarms.lanes_of(STRIP_ENDS_SOON) >> lane & 1:
            return Said("◆ load", Kind.MEDIUM)
        return None


class LaneWatch:
    """Remembers how far the lanes ran since each last moved, to say which one lags.

    It only chooses words for the screen; the head's own guard raises the alarm.
    """

    def __init__(self) -> None:
        self._seen: list[float] = []
        self._median_at: list[float] = []

    def rows(
        self,
        lanes: Sequence[LaneTelemetryRegs],
        now: TelemetryRegs,
        stopped: int,
        limits: Limits,
        stale: bool = False,
        strips: Strips | None = None,
    ) -> list[LaneRow]:
        """A row a lane; `stopped` has a bit for each lane whose alarm stands.

        Where strips are known, what curves make of the differences is taken off.
        """
        positions = [lane.position_mm for lane in lanes]
        self._note(positions, median(positions) if positions else 0.0)
        if strips is not None and strips.book.lanes != len(positions):
            strips = None
        away_mm = away_from_expected(positions, strips.book.expected_mm() if strips else None)
        words = self._words(positions, bool(now.status & Status.MOVING), stopped, limits)
        rows = [
            LaneRow(
                name=str(k + 1),
                position=Said(f"{position:.1f}"),
                left=None,
                away=Said(f"{away_mm[k]:+.1f}"),
                away_mm=away_mm[k],
                word=words[k],
            )
            for k, position in enumerate(positions)
        ]
        if strips is not None:
            rows = [_with_strip(row, k, strips) for k, row in enumerate(rows)]
        return [_gone_stale(row) for row in rows] if stale else rows

    def _words(
        self, positions: Sequence[float], moving: bool, stopped: int, limits: Limits
    ) -> list[Said]:
        middle = median(positions) if positions else 0.0
        return [
            lane_word(moving, bool(stopped >> k & 1), middle - seen_mm, limits.lane_stall_mm)
            for k, seen_mm in enumerate(self._median_at)
        ]

    def _note(self, positions: list[float], middle: float) -> None:
        restarted = len(positions) != len(self._seen) or any(
            new < old - 100.0 for new, old in zip(positions, self._seen, strict=True)
        )
        if restarted:
            self._seen, self._median_at = list(positions), [middle] * len(positions)
            return
        for k, position in enumerate(positions):
            if position != self._seen[k]:
                self._seen[k], self._median_at[k] = position, middle


def away_from_expected(
    positions: Sequence[float], expected_mm: Sequence[float] | None
) -> list[float]:
    """How far each lane is from the median one, once what the curves explain is taken off."""
    curves_mm = expected_mm or [0.0] * len(positions)
    rest = [mm - curve_mm for mm, curve_mm in zip(positions, curves_mm, strict=True)]
    middle = median(rest) if rest else 0.0
    return [mm - middle for mm in rest]


def _with_strip(row: LaneRow, lane: int, strips: Strips) -> LaneRow:
    """The row with what is left of strip, and a word where the lane wants the next one."""
    strip = strips.book.strip(lane)
    waiting = f" +{strip.waiting}" if strip.waiting else ""
    left = f"{max(0.0, strip.left_mm):.0f}{waiting}"
    word = _worse(row.word, strips.word(lane))
    return replace(row, left=Said(left), word=word)


def _worse(word: Said, other: Said | None) -> Said:
    """The word that matters more; the first where both do alike."""
    rank = {Kind.HIGH: 2, Kind.MEDIUM: 1}
    if other is None or rank.get(word.kind, 0) >= rank.get(other.kind, 0):
        return word
    return other


def _gone_stale(row: LaneRow) -> LaneRow:
    """The row, its figures marked as old."""
    position, away, word = (
        Said(said.text, Kind.STALE) for said in (row.position, row.away, row.word)
    )
    left = None if row.left is None else Said(row.left.text, Kind.STALE)
    return replace(row, position=position, left=left, away=away, word=word)


def lane_word(moving: bool, stopped: bool, others_ran_mm: float, stall_mm: float) -> Said:
    """A word on a lane: `others_ran_mm` is how far the median lane ran since this one moved."""
    if stopped:
        return Said("▲ stopped", Kind.HIGH)
    if not moving:
        return Said("at rest", Kind.QUIET)
    if others_ran_mm >= stall_mm / 2:
        return Said("◆ lags", Kind.MEDIUM)
    return Said("runs", Kind.QUIET)
