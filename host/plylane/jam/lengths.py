"""Rows of telemetry become steps of feed: the few rows that a detector needs, in whole micrometres.

A step ends with the first row at which the feed has crossed a line of a fixed grid, so nothing
depends on speed or poll rate. Where the feed stands and the output wheel turns, its own grid is
taken, so that decisions come when nothing moves as it should.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import ALARMS, State
from plylane.jam.cusum import Ints

Floats = NDArray[np.float64]

_EXECUTE, _HOLDING = int(State.EXECUTE), int(State.HOLDING)
_MISMATCH = 1 << next(alarm.number for alarm in ALARMS if alarm.name == "feed_mismatch")
_LANE = re.compile(r"lane(\d+)_position_mm")
_ZONE = re.compile(r"zone(\d+)_pv_degC")
_LEAP_UM = 20_000
"""Feed between two steps of which too little is known: rows are missing."""
_TURN_UM = 50_000
"""No wheel turns so far in a step: it was set to zero."""
_MOST_MM = 2_147_484.0
"""What a position can be (32 bits of micrometres)."""
_STANDING_PER_MM = 1.0


def columns_needed(lanes: int) -> tuple[str, ...]:
    """Names of the telemetry columns without which nothing can be judged."""
    always = ("time_s", "state", "feed_position_mm", "output_position_mm")
    return (*always, *(f"lane{lane}_position_mm" for lane in range(1, lanes + 1)))


def columns_used(lanes: int, zones: int) -> tuple[str, ...]:
    """Those, and the ones with which more can be said: permit, the head's alarms, the zones."""
    zone = (f"zone{k}_{what}" for k in range(1, zones + 1) for what in _ZONE_PARTS)
    return (*columns_needed(lanes), *_MORE, *zone)


_MORE = ("inputs", "alarms_active")
_ZONE_PARTS = ("pv_degC", "sp_degC", "op_percent")


@dataclass(frozen=True, slots=True)
class Rows:
    """Columns by meaning; `inputs` and `alarms` are None and `zones` (zone, part) empty if they are
    not logged."""

    time_s: Floats
    state: NDArray[Any]
    lengths_mm: list[Floats]  # feed, output, lanes
    inputs: NDArray[Any] | None
    zones: list[Floats]
    alarms: NDArray[Any] | None = None

    @classmethod
    def of(cls, columns: Mapping[str, NDArray[Any]]) -> Rows:
        """Raises KeyError for a missing column."""
        lanes = sum(_LANE.fullmatch(name) is not None for name in columns)
        zones = sum(_ZONE.fullmatch(name) is not None for name in columns)
        time_name, state_name, *lengths = columns_needed(lanes)
        zone_names = columns_used(lanes, zones)[len(lengths) + 2 + len(_MORE) :]
        if not columns.keys() >= set(zone_names):  # a log of another map may have a PV alone
            zone_names = ()
        return cls(
            np.asarray(columns[time_name], dtype=np.float64),
            np.asarray(columns[state_name]),
            [np.asarray(columns[name], dtype=np.float64) for name in lengths],
            columns.get("inputs"),
            [np.asarray(columns[name], dtype=np.float64) for name in zone_names],
            columns.get("alarms_active"),
        )

    def __len__(self) -> int:
        return len(self.time_s)

    def part(self, start: int, stop: int) -> Rows:
        """Some of the rows."""
        return Rows(
            self.time_s[start:stop],
            self.state[start:stop],
            [lengths[start:stop] for lengths in self.lengths_mm],
            None if self.inputs is None else self.inputs[start:stop],
            [values[start:stop] for values in self.zones],
            None if self.alarms is None else self.alarms[start:stop],
        )


@dataclass(frozen=True, slots=True)
class Steps:
    """Rows that were picked: `um` has shape (2 + lanes, n): feed, output, lanes."""

    time_s: Floats
    um: Ints
    zones: Floats  # (3 x zones, n)

    def __len__(self) -> int:
        return len(self.time_s)

    def __getitem__(self, part: slice | NDArray[np.intp]) -> Steps:
        return Steps(self.time_s[part], self.um[:, part], self.zones[:, part])

    @property
    def fed_um(self) -> Ints:
        """The feed, shape (n,)."""
        feed: Ints = self.um[0]
        return feed

    def last(self, count: int, before: Steps) -> Steps:
        """The last so many of these steps and those before them."""
        return self[-count:].after(before)[-count:]

    def after(self, before: Steps) -> Steps:
        """These steps with those that came before them."""
        return Steps(
            np.concatenate((before.time_s, self.time_s)),
            np.concatenate((before.um, self.um), axis=1),
            np.concatenate((before.zones, self.zones), axis=1),
        )


class Stretch(NamedTuple):
    """Steps of one stretch of feeding; whether it begins with them, and whether it is over.

    `guarded`: it is over and the head's guard of feed against output stands. `brakes`: the head has
    left Execute and comes to rest.
    """

    begins: bool
    over: bool
    guarded: bool
    brakes: bool
    steps: Steps


class Picker:
    """Picks the rows that matter, and says where a stretch of feeding begins anew.

    That is when the head enters Execute, when the feed goes backwards, and when rows are missing
    or a wheel was set to zero. Rows with a length that is no number are left out.
    """

    def __init__(self, step_mm: float) -> None:
        self._per_mm = 1.0 / step_mm
        self._counted = False
        self._line = math.nan
        self._feed_mm = math.nan
        self._output_line = math.nan
        self._before = np.zeros(0, dtype=np.int64)  # lengths of the last step
        self._begins = True

    def skips(self, state: int, feed_mm: float, output_mm: float) -> bool:
        """Whether `pick` would make nothing of a row; then it counts as seen."""
        counted = state == _EXECUTE
        line = _floor(feed_mm * self._per_mm)
        out = _floor(output_mm * _STANDING_PER_MM)
        if counted != self._counted:
            return False
        stood = feed_mm == self._feed_mm and out != self._output_line
        if (counted or state == _HOLDING) and (line != self._line or stood):
            return False
        self._line, self._feed_mm, self._output_line = line, feed_mm, out
        return True

    def pick(self, rows: Rows) -> Iterator[Stretch]:
        """The stretches of feeding in these rows, or parts of them."""
        at, begins, leaves = self._select(rows)
        um, good = _whole_um([lengths[at] for lengths in rows.lengths_mm])
        good &= np.isfinite(rows.time_s[at])
        begins, leaves, at = self._pass_on(begins, good), leaves[good], at[good]
        steps = Steps(
            rows.time_s[at],
            um[:, good],
            np.array([values[at] for values in rows.zones]).reshape(len(rows.zones), len(at)),
        )
        if not len(steps):
            return
        brakes = (rows.state[at] != _EXECUTE) & ~leaves
        leaps = self._leaps(steps.um)
        begins |= leaps & ~leaves
        for end in np.flatnonzero(leaps & leaves).tolist():  # a stretch does not end with a leap
            steps.um[:, end] = steps.um[:, end - 1] if end else self._before
        self._before = steps.um[:, -1].copy()
        changes = brakes[1:] != brakes[:-1]
        edges = np.flatnonzero(begins | np.append(True, changes)).tolist()
        for start, stop in pairwise([*edges, len(steps)]):
            over = bool(leaves[stop - 1])
            yield Stretch(
                bool(begins[start]),
                over,
                over and rows.alarms is not None and bool(rows.alarms[at[stop - 1]] & _MISMATCH),
                bool(brakes[start]),
                steps[start:stop],
            )

    def _select(self, rows: Rows) -> tuple[NDArray[np.intp], NDArray[np.bool_], NDArray[np.bool_]]:
        """Rows that end a step; which of them enter Execute, which have just left it."""
        feed_mm, output_mm = rows.lengths_mm[:2]
        with np.errstate(invalid="ignore", over="ignore"):
            line = np.floor(feed_mm * self._per_mm)
            output = np.floor(output_mm * _STANDING_PER_MM)
        counts = rows.state == _EXECUTE
        before = np.append(self._counted, counts[:-1])
        enters, leaves = counts & ~before, before & ~counts
        picked = line != np.append(self._line, line[:-1])
        stands = feed_mm == np.append(self._feed_mm, feed_mm[:-1])
        if stands.any():
            picked |= stands & (output != np.append(self._output_line, output[:-1]))
        picked &= counts | (rows.state == _HOLDING)
        picked |= enters
        picked |= leaves
        self._counted, self._line = bool(counts[-1]), float(line[-1])
        self._feed_mm, self._output_line = float(feed_mm[-1]), float(output[-1])
        at = np.flatnonzero(picked)
        return at, enters[at], leaves[at]

    def _pass_on(self, begins: NDArray[np.bool_], good: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """A beginning whose row is left out is that of the next row."""
        if not len(begins):
            return begins
        number = np.cumsum(begins)
        kept = number[good]
        before = np.append(-1 if self._begins else 0, kept[:-1])
        last = int(kept[-1]) if len(kept) else (-1 if self._begins else 0)
        self._begins = int(number[-1]) != last
        result: NDArray[np.bool_] = kept != before
        return result

    def _leaps(self, um: Ints) -> NDArray[np.bool_]:
        if len(self._before) != len(um):
            self._before = um[:, 0].copy()
        moved = np.diff(um, axis=1, prepend=self._before[:, np.newaxis])
        leaps: NDArray[np.bool_] = (moved[0] < 0) | (moved[0] > _LEAP_UM)
        return leaps | (np.abs(moved[1:]) > _TURN_UM).any(axis=0)


def _floor(x: float) -> float:
    return math.floor(x) if math.isfinite(x) else math.nan


def _whole_um(lengths_mm: list[Floats]) -> tuple[Ints, NDArray[np.bool_]]:
    """Lengths in whole micrometres, shape (tracks, n), and which columns are all numbers."""
    lengths = np.array(lengths_mm)
    with np.errstate(invalid="ignore"):
        good: NDArray[np.bool_] = np.all(np.abs(lengths) < _MOST_MM, axis=0)
    um = np.rint(np.where(good, lengths, 0.0) * 1000.0).astype(np.int64)
    return um, good
