"""How a run departed from its plan: setpoints, temperatures, speed, length, joints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.plan.strips import Floats

SPEED_SHARE = 0.05  # a speed this far off the planned one, relative, is another speed
LENGTH_MM = 5.0
JOINT_MM = 15.0  # a wheel's scatter adds up to some millimetres over a strip
SETPOINT_K = 0.05
MOVING_MM_S = 0.1
ANEW_MM = 20.0  # lengths that fall from above this to nothing begin anew
EXECUTE = 6  # state number of the head
HELD = 11

Columns = Mapping[str, NDArray[Any]]


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


def columns_needed(lanes: int, zones: int) -> list[str]:
    """Columns of the run log that `departures` reads."""
    names = ["time_s", "state", "output_position_mm", "feed_speed_mm_s"]
    names += [f"zone{k}_{what}_degC" for k in range(1, zones + 1) for what in ("pv", "sp")]
    return names + [f"lane{k}_position_mm" for k in range(1, lanes + 1)]


def departures(plan: Mapping[str, Any], columns: Columns) -> list[Departure]:
    """Hold the telemetry of a run (rows) against the plan it was made from.

    `plan` is the ``[plan]`` table of a run file; `columns` those of `columns_needed`, from the
    start of the log. Where a log holds several starts the last one that fed counts. Empty where
    nothing departed.
    """
    run = _last_run(columns)
    if run is None:
        planned = float(plan["length_mm"])
        return [Departure("length", planned, 0.0, "mm", "nothing was fed")]
    laid = np.clip(
        np.diff(run["output_position_mm"], prepend=run["output_position_mm"][0]), 0, None
    )
    feeding = (run["state"] == EXECUTE) & (run["feed_speed_mm_s"] > MOVING_MM_S)
    cord = np.where(feeding, laid, 0.0)
    found = _setpoints(plan, run, cord) + _temperatures(plan, run, cord)
    found += _speed(plan, run, cord) + _length(plan, run) + _holds(run)
    return found + _joints(plan, run)


def _last_run(columns: Columns) -> Columns | None:
    """The rows from where the head last began to feed until its lengths begin anew; None: never."""
    laid = columns["output_position_mm"]
    anew = np.flatnonzero((laid[:-1] > ANEW_MM) & (laid[1:] < 1.0)) + 1
    edges = [0, *(int(at) for at in anew), len(laid)]
    for start, stop in reversed(list(pairwise(edges))):
        begun = np.flatnonzero(columns["state"][start:stop] == EXECUTE)
        if len(begun):
            return {k: values[start + begun[0] : stop] for k, values in columns.items()}
    return None


def _setpoints(plan: Mapping[str, Any], run: Columns, cord: Floats) -> list[Departure]:
    found = []
    for zone, planned in enumerate(plan["setpoints_degC"], 1):
        given = run[f"zone{zone}_sp_degC"]
        other = (np.abs(given - planned) > SETPOINT_K) & (cord > 0.0)
        length = float(cord[other].sum())
        if length >= LENGTH_MM:
            last = float(given[other][-1])
            text = f"zone {zone} ran at {last:g} degC for {length:.0f} mm, planned {planned:g} degC"
            found.append(Departure(f"zone {zone} setpoint", planned, last, "degC", text))
    return found


def _temperatures(plan: Mapping[str, Any], run: Columns, cord: Floats) -> list[Departure]:
    found = []
    band = float(plan["tolerance_K"])
    for zone, planned in enumerate(plan["setpoints_degC"], 1):
        off = np.where(cord > 0.0, run[f"zone{zone}_pv_degC"] - planned, 0.0)
        length = float(cord[np.abs(off) > band].sum())
        if length >= LENGTH_MM:
            worst = planned + float(off[np.argmax(np.abs(off))])
            text = (
                f"zone {zone} was more than {band:g} K off for {length:.0f} mm of cord, "
                f"at worst {worst:.1f} degC, planned {planned:g} degC"
            )
            found.append(Departure(f"zone {zone} temperature", planned, worst, "degC", text))
    return found


def _speed(plan: Mapping[str, Any], run: Columns, cord: Floats) -> list[Departure]:
    planned = float(plan["speed_mm_s"])
    speed = run["feed_speed_mm_s"]
    off = (np.abs(speed - planned) > SPEED_SHARE * planned) & (cord > 0.0)
    length, whole = float(cord[off].sum()), float(cord.sum())
    if whole <= 0.0 or length < max(LENGTH_MM, 0.05 * whole):  # starts and stops take some length
        return []
    mean = float(np.average(speed[off], weights=cord[off]))
    text = f"{length:.0f} mm were laid at {mean:.1f} mm/s on average, planned {planned:g} mm/s"
    return [Departure("speed", planned, mean, "mm/s", text)]


def _length(plan: Mapping[str, Any], run: Columns) -> list[Departure]:
    planned, found = float(plan["length_mm"]), float(run["output_position_mm"][-1])
    if abs(found - planned) < LENGTH_MM:
        return []
    what = "shorter" if found < planned else "longer"
    text = f"{found:.1f} mm of cord, {abs(found - planned):.1f} mm {what} than planned"
    return [Departure("length", planned, found, "mm", text)]


def _holds(run: Columns) -> list[Departure]:
    held = run["state"] == HELD
    count = int(np.sum(np.diff(held.astype(int), prepend=0) == 1))
    if not count:
        return []
    seconds = float(np.diff(run["time_s"], prepend=run["time_s"][0])[held].sum())
    times = "once" if count == 1 else f"{count} times"
    return [Departure("holds", 0.0, count, "", f"held {times}, {seconds:.0f} s together")]


def _joints(plan: Mapping[str, Any], run: Columns) -> list[Departure]:
    """Where each joint came to lie: where its lane's wheel had counted the strips before it."""
    found, places = [], []
    cord = np.maximum.accumulate(run["output_position_mm"])
    for joint in plan["joints"]:
        lane = np.maximum.accumulate(run[f"lane{joint['lane']}_position_mm"])
        if lane[-1] < joint["strip_mm"]:
            continue  # the run ended before it
        at = float(cord[np.searchsorted(lane, joint["strip_mm"])])
        places.append(at)
        if abs(at - joint["cord_mm"]) > JOINT_MM:
            text = (
                f"the joint of lane {joint['lane']} planned at {joint['cord_mm']:.0f} mm "
                f"came at {at:.0f} mm"
            )
            name = f"joint of lane {joint['lane']}"
            found.append(Departure(name, joint["cord_mm"], at, "mm", text))
    return found + _stagger(plan, places)


def _stagger(plan: Mapping[str, Any], places: Sequence[float]) -> list[Departure]:
    rule = float(plan["stagger_mm"])
    closest = min((b - a for a, b in pairwise(sorted(places))), default=rule)
    if closest >= rule - JOINT_MM:
        return []
    text = f"two joints came as close as {closest:.0f} mm, the rule is {rule:g} mm"
    return [Departure("stagger", rule, closest, "mm", text)]
