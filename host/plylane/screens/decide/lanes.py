"""The lanes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from plylane.head.registers import ALARMS, LaneTelemetryRegs, Status, TelemetryRegs
from plylane.screens.decide.kinds import Kind, Said
from plylane.trends import Limits

LANE_STOPPED = next(a.number for a in ALARMS if a.name == "lane_stopped")


@dataclass(frozen=True, slots=True)
class LaneRow:
    """A lane as shown; `away_mm` is its position less the median lane's."""

    name: str
    position: Said
    away: Said
    away_mm: float
    word: Said


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
    ) -> list[LaneRow]:
        """A row a lane; `stopped` has a bit for each lane whose alarm stands."""
        positions = [lane.position_mm for lane in lanes]
        middle = median(positions) if positions else 0.0
        self._note(positions, middle)
        moving = bool(now.status & Status.MOVING)
        rows = [
            self._row(k, position, middle, moving, bool(stopped >> k & 1), limits)
            for k, position in enumerate(positions)
        ]
        return [_gone_stale(row) for row in rows] if stale else rows

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

    def _row(
        self, k: int, position: float, middle: float, moving: bool, stopped: bool, limits: Limits
    ) -> LaneRow:
        since = middle - self._median_at[k]
        return LaneRow(
            name=str(k + 1),
            position=Said(f"{position:.1f}"),
            away=Said(f"{position - middle:+.1f}"),
            away_mm=position - middle,
            word=lane_word(moving, stopped, since, limits.lane_stall_mm),
        )


def _gone_stale(row: LaneRow) -> LaneRow:
    """The row, its figures marked as old."""
    position, away, word = (
        Said(said.text, Kind.STALE) for said in (row.position, row.away, row.word)
    )
    return replace(row, position=position, away=away, word=word)


def lane_word(moving: bool, stopped: bool, others_ran_mm: float, stall_mm: float) -> Said:
    """A word on a lane: `others_ran_mm` is how far the median lane ran since this one moved."""
    if stopped:
        return Said("▲ stopped", Kind.HIGH)
    if not moving:
        return Said("at rest", Kind.QUIET)
    if others_ran_mm >= stall_mm / 2:
        return Said("◆ lags", Kind.MEDIUM)
    return Said("runs", Kind.QUIET)
