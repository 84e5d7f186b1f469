"""Holds a live run against its plan, and tells how it departed as soon as it has ended."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from plylane.head.snapshot import Snapshot
from plylane.plan.departures import AgainstPlan, columns_needed
from plylane.run_plan import entries_of, plan_of
from plylane.runlog import Entry

ROWS = 500  # ten seconds together take less than row by row


class PlanWatch:
    """Follows the snapshots that a log is made of; in one thread at a time."""

    def __init__(self, cord: Mapping[str, Any], *, zones: int, lanes: int) -> None:
        """`cord`: the ``[plan]`` table. Raises ValueError where it is none."""
        plan = plan_of(cord, zones=zones, lanes=lanes)
        self._zones, self._lanes = len(plan["setpoints_degC"]), lanes
        self._names = columns_needed(self._lanes, self._zones)
        self._against = AgainstPlan(plan)
        self._waiting: list[tuple[float, ...]] = []
        self._state: int | None = None
        self._time_s = 0.0

    def on_snapshot(self, snapshot: Snapshot) -> list[Entry]:
        """Lines for the journal where a run has ended with this snapshot; mostly none."""
        state = snapshot.telemetry.state
        self._waiting.append(self._row(snapshot))
        self._time_s = snapshot.time_s
        another, self._state = state != self._state, state
        return self._take() if another or len(self._waiting) >= ROWS else []

    def close(self) -> list[Entry]:
        """Lines for the log that ends now: of a run under way, or that nothing was fed in it."""
        entries = self._take()
        if self._against.untold:
            entries += entries_of(self._against.last().departures, self._time_s)
        return entries

    def _take(self) -> list[Entry]:
        if not self._waiting:
            return []
        columns = dict(zip(self._names, np.array(self._waiting, dtype=np.float64).T, strict=True))
        self._waiting = []
        ended = self._against.take(columns)
        return [line for run in ended for line in entries_of(run.departures, self._time_s)]

    def _row(self, snapshot: Snapshot) -> tuple[float, ...]:
        """In the order of `columns_needed`."""
        now = snapshot.telemetry
        return (
            snapshot.time_s,
            now.state,
            now.output_position_mm,
            now.feed_speed_mm_s,
            *(
                degC
                for zone in snapshot.zones[: self._zones]
                for degC in (zone.pv_degC, zone.sp_degC)
            ),
            *(lane.position_mm for lane in snapshot.lanes[: self._lanes]),
        )
