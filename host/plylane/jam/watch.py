"""Watching the feed: does every strip, and does the cord, follow what is fed?

One door to all detectors. Rows of telemetry become steps of feed (`lengths`); over each stretch of
feeding the quick tests (`abrupt`), the slow ones (`creep`) and the zones (`cold`) look at the
steps, and the permit is looked at row by row (`unlaid`). All arithmetic that decides is in whole
numbers, so rows taken one by one and in arrays of any length give the same findings to the bit.

It explains and comes early; the head's own guards protect.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.jam.abrupt import Abrupt
from plylane.jam.cold import Cold
from plylane.jam.creep import Creep
from plylane.jam.finding import STRIP_STUCK, UNKNOWN, Finding
from plylane.jam.lengths import Picker, Rows, Steps, Stretch
from plylane.jam.limits import Limits
from plylane.jam.settings import WatchSettings
from plylane.jam.strip_ends import Ends, StripEnds
from plylane.jam.unlaid import Unlaid

_ROWS_AT_ONCE = 65_536  # what fits the processor's cache
_NOTHING: tuple[int, str, int | None] = (-(2**62), "", None)
_HUSH_UM = 200_000  # the slow tests stay silent for so much feed after a quick one has spoken


class FeedWatch:
    """All detectors: sample by sample with `push`, over arrays with `judge`, same findings.

    Lengths count in state Execute; while the head brakes from there they only help to decide what
    was told undecided. When the head leaves Execute, when the feed goes backwards, when
    rows are missing or wheels are set to zero, the watch starts afresh at the next row that counts;
    what it learnt of the usual slip it keeps. Rows with a length that is no number are left out.
    """

    def __init__(self, settings: WatchSettings | None = None) -> None:
        self._settings = settings or WatchSettings()
        known = self._settings.strip_ends
        self._ends = Ends(known, self._settings.end_sd_mm)
        self._picker = Picker(self._settings.step_mm)
        self._unlaid = Unlaid()
        self._cold = Cold(self._settings)
        self._abrupt: Abrupt | None = None
        self._creep: Creep | None = None
        self._told = _NOTHING  # by the slow tests in this stretch: where, what, which lane

    def expect(self, ends: StripEnds) -> None:
        """Where a lane's strips end, told while a run goes on; before the rows it is true for."""
        self._ends.add(ends)

    def push(
        self,
        time_s: float,
        state: int,
        feed_mm: float,
        output_mm: float,
        lanes_mm: Sequence[float],
        *,
        inputs: int | None = None,
        alarms: int | None = None,
        zones: Sequence[tuple[float, float, float]] = (),
    ) -> list[Finding]:
        """Take one row; lengths in mm since the run started, one a lane. Findings decided by it.

        `inputs` are the head's switch inputs, `alarms` those that stand, `zones` (PV, SP, OP) of
        each zone; without them the permit, a hold of the head's own and the zones are not judged.
        """
        given = inputs is None or self._unlaid.passes(time_s, feed_mm, output_mm, inputs)
        if given and self._picker.skips(state, feed_mm, output_mm):
            return []
        rows = Rows(
            np.array([time_s], dtype=np.float64),
            np.array([state]),
            [np.array([mm], dtype=np.float64) for mm in (feed_mm, output_mm, *lanes_mm)],
            None if inputs is None else np.array([inputs]),
            [np.array([value], dtype=np.float64) for zone in zones for value in zone],
            None if alarms is None else np.array([alarms]),
        )
        return self._judge(rows)

    def judge(self, columns: Mapping[str, NDArray[Any]]) -> list[Finding]:
        """Take many rows at once: arrays of shape (rows,), named as `columns_used`.

        The rows follow those taken before, so a run may also be judged in parts. Raises KeyError
        for a missing column of `columns_needed`.
        """
        rows = Rows.of(columns)
        return [
            finding
            for start in range(0, len(rows), _ROWS_AT_ONCE)
            for finding in self._judge(rows.part(start, start + _ROWS_AT_ONCE))
        ]

    def _judge(self, rows: Rows) -> list[Finding]:
        found = list(self._unlaid.look(rows))
        for stretch in self._picker.pick(rows):
            rest = stretch.steps
            if stretch.brakes:
                found += self._brake(stretch)
                continue
            if stretch.begins or self._abrupt is None:
                self._begin(rest[:1])
                rest = rest[1:]
            found += self._follow(rest)
            if stretch.over:
                found += self._end(stretch.guarded)
        return sorted(found, key=lambda finding: finding.time_s)

    def _begin(self, first: Steps) -> None:
        lanes = len(first.um) - 2
        limits = Limits.of(self._settings, lanes)
        self._abrupt = Abrupt(self._settings, limits, self._ends, first)
        if self._creep is None:
            self._creep = Creep(self._settings, limits, lanes)
        self._creep.begin(first)
        self._cold.begin(first)
        self._told = _NOTHING

    def _follow(self, steps: Steps) -> Iterator[Finding]:
        assert self._abrupt is not None and self._creep is not None  # a stretch has begun
        if not len(steps):
            return
        if len(steps.zones):
            yield from self._cold.take(steps)
        done = 0
        for at, finding in self._abrupt.take(steps):
            # not with the step that decided: the quick word goes first
            yield from self._slow(steps[done:at])
            self._creep.hush(int(steps.fed_um[at]) + _HUSH_UM)
            if self._is_news(finding, int(steps.fed_um[at])):
                yield finding
            done = at
        yield from self._slow(steps[done:])

    def _slow(self, steps: Steps) -> Iterator[Finding]:
        assert self._creep is not None
        for at_um, finding in self._creep.take(steps):
            self._told = (at_um, finding.kind, finding.lane)
            yield finding

    def _is_news(self, finding: Finding, at_um: int) -> bool:
        """Whether the slow tests have not just said as much, or more."""
        told_um, kind, lane = self._told
        if at_um - told_um > _HUSH_UM:
            return True
        if kind == STRIP_STUCK:  # it holds up all the others
            return finding.lane not in (None, lane)
        return finding.kind not in (UNKNOWN, kind)

    def _brake(self, stretch: Stretch) -> list[Finding]:
        """The head comes to rest: what decides an undecided finding may still come."""
        if self._abrupt is None:
            return []
        if stretch.begins:  # rows are missing
            self._abrupt.leave()
        return self._abrupt.brake(stretch.steps)

    def _end(self, guarded: bool) -> Iterator[Finding]:
        assert self._abrupt is not None
        finding = self._abrupt.end(guarded)
        if finding is not None and self._is_news(finding, self._abrupt.fed_um):
            yield finding
