"""How a run departed from its plan: setpoints, temperatures, speed, length, joints.

Rows are taken as they come and nothing of them is kept. What is summed are whole numbers
(micrometres, microseconds), so that rows one by one and a whole log give the same to the bit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import State
from plylane.plan.run_rows import Columns, RunRows
from plylane.plan.strips import Floats

SPEED_SHARE = 0.05  # a speed this far off the planned one, relative, is another speed
LENGTH_MM = 5.0
JOINT_MM = 15.0  # a wheel's scatter adds up to some millimetres over a strip
SETPOINT_K = 0.05
MOVING_MM_S = 0.1
_CORD = "output_position_mm"

Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Departure:
    """One thing that was other than planned: what, planned and found in `unit`, and in words."""

    what: str
    planned: float
    found: float
    unit: str
    text: str

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class FoundJoint:
    """A joint of the plan and where it came to lie; lanes count from 1."""

    lane: int
    planned_mm: float
    found_mm: float

    @property
    def off(self) -> bool:
        """Whether it lies elsewhere than planned."""
        return abs(self.found_mm - self.planned_mm) > JOINT_MM


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """A run held against its plan: what departed, the joints that it came to, its length."""

    departures: tuple[Departure, ...]
    joints: tuple[FoundJoint, ...]
    length_mm: float


def columns_needed(lanes: int, zones: int) -> list[str]:
    """Columns of the run log that are held against a plan."""
    names = ["time_s", "state", "output_position_mm", "feed_speed_mm_s"]
    names += [f"zone{k}_{what}_degC" for k in range(1, zones + 1) for what in ("pv", "sp")]
    return names + [f"lane{k}_position_mm" for k in range(1, lanes + 1)]


def departures(plan: Mapping[str, Any], columns: Columns) -> list[Departure]:
    """Hold the telemetry of a whole log (rows) against the plan it was made from.

    `plan` is the ``[plan]`` table of a run file; `columns` those of `columns_needed`. Where a log
    holds several starts the last one that fed counts. Empty where nothing departed.
    """
    against = AgainstPlan(plan)
    against.take(columns)
    return list(against.last().departures)


class AgainstPlan:
    """Holds runs against a plan while their rows come, in parts of any size."""

    def __init__(self, plan: Mapping[str, Any]) -> None:
        """`plan` as for `departures`."""
        self._plan = plan
        self._rows = RunRows()
        self._run: _Run | None = None
        self._ended: PlannedRun | None = None

    def take(self, columns: Columns) -> list[PlannedRun]:
        """The runs that ended within the next rows; `columns` are those of `columns_needed`."""
        ended = []
        for part in self._rows.split(columns):
            if part.begins or self._run is None:
                self._run = _Run(self._plan)
            self._run.take({name: values[part.rows] for name, values in columns.items()})
            if part.ends:
                ended.append(self._run.told())
                self._run = None
        self._ended = ended[-1] if ended else self._ended
        return ended

    @property
    def untold(self) -> bool:
        """Whether `last` is of a run that `take` has not given, or of none at all."""
        return self._run is not None or self._ended is None

    def last(self) -> PlannedRun:
        """The last run that fed, as far as it has come; that nothing was fed where none did."""
        if self._run is not None:
            return self._run.told()
        if self._ended is not None:
            return self._ended
        planned = float(self._plan["length_mm"])
        nothing = Departure("length", planned, 0.0, "mm", "nothing was fed")
        return PlannedRun((nothing,), (), 0.0)


def laid_um(run: Columns, before_mm: float | None) -> Whole:
    """Cord laid while feeding with each row of a run, from where it lay before the first."""
    cord_um = whole_parts(run["output_position_mm"], 1e3)
    before = cord_um[0] if before_mm is None else whole_parts(np.array([before_mm]), 1e3)[0]
    laid = np.maximum(np.diff(cord_um, prepend=before), 0)
    feeding = (run["state"] == State.EXECUTE) & (run["feed_speed_mm_s"] > MOVING_MM_S)
    return np.where(feeding, laid, 0)


def whole_parts(values: Floats, parts: float) -> Whole:
    """Values in whole parts of their unit; what is no number is none."""
    return np.rint(np.nan_to_num(values * parts, posinf=0.0, neginf=0.0)).astype(np.int64)


class _Run:
    """What of one run is to be known at its end."""

    def __init__(self, plan: Mapping[str, Any]) -> None:
        self._plan = plan
        self._zones = [_Zone(k, sp) for k, sp in enumerate(plan["setpoints_degC"], 1)]
        self._joints = [_Joint(**joint) for joint in plan["joints"]]
        self._at_mm: float | None = None
        self._time_s: float | None = None
        self._cord_um = self._other_speed_um = self._speed_sum = 0
        self._holds = self._held_us = 0
        self._held = False
        self._furthest: dict[str, float] = {}

    def take(self, run: Columns) -> None:
        if not len(run["state"]):
            return
        laid = laid_um(run, self._at_mm)
        self._cord_um += int(laid.sum())
        for zone in self._zones:
            zone.take(run, laid, float(self._plan["tolerance_K"]))
        self._take_speed(run["feed_speed_mm_s"], laid)
        self._take_holds(run)
        self._take_joints(run)
        self._at_mm = float(run["output_position_mm"][-1])

    def _take_speed(self, speed: Floats, laid: Whole) -> None:
        planned = float(self._plan["speed_mm_s"])
        off = (np.abs(speed - planned) > SPEED_SHARE * planned) & (laid > 0)
        self._other_speed_um += int(laid[off].sum())
        self._speed_sum += int((laid[off] * whole_parts(speed[off], 1e3)).sum())

    def _take_holds(self, run: Columns) -> None:
        held = run["state"] == State.HELD
        self._holds += int(np.sum(np.diff(held.astype(int), prepend=int(self._held)) == 1))
        time_us = whole_parts(run["time_s"], 1e6)
        before = (
            time_us[0] if self._time_s is None else whole_parts(np.array([self._time_s]), 1e6)[0]
        )
        self._held_us += int(np.diff(time_us, prepend=before)[held].sum())
        self._held, self._time_s = bool(held[-1]), float(run["time_s"][-1])

    def _take_joints(self, run: Columns) -> None:
        """A joint lies where its lane's wheel had counted the strips before it."""
        names = {_CORD, *(joint.column for joint in self._joints)}
        come = {  # the furthest that a length had come with each row
            name: np.fmax(np.fmax.accumulate(run[name]), self._furthest.get(name, -np.inf))
            for name in names
        }
        self._furthest = {name: float(furthest[-1]) for name, furthest in come.items()}
        for joint in self._joints:
            lane = come[joint.column]
            if joint.found_mm is None and lane[-1] >= joint.strip_mm:
                joint.found_mm = float(come[_CORD][np.searchsorted(lane, joint.strip_mm)])

    def told(self) -> PlannedRun:
        length_mm = 0.0 if self._at_mm is None else self._at_mm
        joints = [
            FoundJoint(one.lane, one.cord_mm, one.found_mm)
            for one in self._joints
            if one.found_mm is not None  # else the run ended before it
        ]
        found = [
            *(told for zone in self._zones for told in zone.setpoint()),
            *(told for zone in self._zones for told in zone.temperature(self._plan)),
            *self._speed(),
            *_length(self._plan, length_mm),
            *self._holding(),
            *(_joint(one) for one in joints if one.off),
            *_stagger(self._plan, [one.found_mm for one in joints]),
        ]
        return PlannedRun(tuple(found), tuple(joints), length_mm)

    def _speed(self) -> Iterator[Departure]:
        planned = float(self._plan["speed_mm_s"])
        length, whole = self._other_speed_um / 1e3, self._cord_um / 1e3
        if whole <= 0.0 or length < max(LENGTH_MM, 0.05 * whole):
            return  # starts and stops take some length
        mean = self._speed_sum / self._other_speed_um / 1e3
        text = f"{length:.0f} mm were laid at {mean:.1f} mm/s on average, planned {planned:g} mm/s"
        yield Departure("speed", planned, mean, "mm/s", text)

    def _holding(self) -> Iterator[Departure]:
        if self._holds:
            times = "once" if self._holds == 1 else f"{self._holds} times"
            text = f"held {times}, {self._held_us / 1e6:.0f} s together"
            yield Departure("holds", 0.0, self._holds, "", text)


class _Zone:
    """A zone's setpoint and temperature where cord was laid."""

    def __init__(self, number: int, planned: float) -> None:
        self._number, self._planned = number, float(planned)
        self._other_um = self._off_um = 0
        self._given = self._worst = 0.0

    def take(self, run: Columns, laid: Whole, band_K: float) -> None:
        given = run[f"zone{self._number}_sp_degC"]
        other = (np.abs(given - self._planned) > SETPOINT_K) & (laid > 0)
        if other.any():
            self._other_um += int(laid[other].sum())
            self._given = float(given[other][-1])
        pv = run[f"zone{self._number}_pv_degC"]
        off = np.where(laid > 0, pv - self._planned, 0.0)
        self._off_um += int(laid[np.abs(off) > band_K].sum())
        worst = float(off[np.argmax(np.abs(off))])
        self._worst = worst if abs(worst) > abs(self._worst) else self._worst

    def setpoint(self) -> Iterator[Departure]:
        length = self._other_um / 1e3
        if length >= LENGTH_MM:
            text = (
                f"zone {self._number} ran at {self._given:g} degC for {length:.0f} mm, "
                f"planned {self._planned:g} degC"
            )
            what = f"zone {self._number} setpoint"
            yield Departure(what, self._planned, self._given, "degC", text)

    def temperature(self, plan: Mapping[str, Any]) -> Iterator[Departure]:
        length = self._off_um / 1e3
        if length >= LENGTH_MM:
            worst, band = self._planned + self._worst, float(plan["tolerance_K"])
            text = (
                f"zone {self._number} was more than {band:g} K off for {length:.0f} mm of cord, "
                f"at worst {worst:.1f} degC, planned {self._planned:g} degC"
            )
            what = f"zone {self._number} temperature"
            yield Departure(what, self._planned, worst, "degC", text)


@dataclass(slots=True)
class _Joint:
    cord_mm: float
    lane: int
    strip_mm: float
    found_mm: float | None = None

    @property
    def column(self) -> str:
        return f"lane{self.lane}_position_mm"


def _length(plan: Mapping[str, Any], found: float) -> Iterator[Departure]:
    planned = float(plan["length_mm"])
    if abs(found - planned) >= LENGTH_MM:
        what = "shorter" if found < planned else "longer"
        text = f"{found:.1f} mm of cord, {abs(found - planned):.1f} mm {what} than planned"
        yield Departure("length", planned, found, "mm", text)


def _joint(one: FoundJoint) -> Departure:
    text = (
        f"the joint of lane {one.lane} planned at {one.planned_mm:.0f} mm "
        f"came at {one.found_mm:.0f} mm"
    )
    return Departure(f"joint of lane {one.lane}", one.planned_mm, one.found_mm, "mm", text)


def _stagger(plan: Mapping[str, Any], places: Sequence[float]) -> Iterator[Departure]:
    rule = float(plan["stagger_mm"])
    closest = min((b - a for a, b in pairwise(sorted(places))), default=rule)
    if closest < rule - JOINT_MM:
        text = f"two joints came as close as {closest:.0f} mm, the rule is {rule:g} mm"
        yield Departure("stagger", rule, closest, "mm", text)
