# ruff: noqa: N802  (units are written as the trade writes them)
"""Speeds and block temperatures at which every glue line gets hot and no wood surface too hot.

The window at a speed is where the ranges that all limits leave to the chosen block meet; the
fastest safe speed is the last at which it is still twice the tolerance wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plylane.plan.bounds import Bounds, Split, bounds
from plylane.plan.conduction import Course, Floats, passage
from plylane.plan.heat_case import HeatCase, Limit, Limits

Bools = NDArray[np.bool_]

_SPEED_WITHIN = 1e-4


@dataclass(frozen=True, slots=True)
class Point:
    """One choice of speed and block temperature, and what it comes to.

    `glue_degC` the coldest glue line (`glue_line`, from 0) where it is pressed; `above_s` shortest
    time of a glue line above its limit; `face_degC` hottest wood face; `heater_W` of every zone;
    `lowest_degC` and `highest_degC` what the block may have at this speed, by `lower_by` and
    `upper_by`. `safe` when the block keeps its tolerance to both.
    """

    speed_mm_s: float
    block_degC: float
    glue_degC: float
    glue_line: int
    above_s: float
    face_degC: float
    heater_W: tuple[float, ...]
    lowest_degC: float
    highest_degC: float
    lower_by: Limit
    upper_by: Limit
    tolerance_K: float
    course: Course

    @property
    def safe(self) -> bool:
        """Whether every limit is kept with the block off by its tolerance either way."""
        slack = 1e-6  # the fastest safe point lies on the edge, but for rounding
        return (
            self.lowest_degC + self.tolerance_K <= self.block_degC + slack
            and self.block_degC <= self.highest_degC - self.tolerance_K + slack
        )


def point(case: HeatCase, speed_mm_s: float, block_degC: float | None = None) -> Point:
    """What a speed comes to; with the block in the middle of its range where none is given."""
    run = passage(case.stack, case.way, [speed_mm_s])
    found = bounds(case, run)
    lowest, highest = float(found.lowest_degC[0]), float(found.highest_degC[0])
    block = _middle(case.limits, lowest, highest) if block_degC is None else block_degC
    split = Split(case, run)
    pressed = split.glue_pressed().at(block)[0].max(axis=1)
    course = run.course(case.with_block(block))
    return Point(
        speed_mm_s,
        block,
        float(pressed.min()),
        int(pressed.argmin()),
        float(split.above_s(case.limits.glue_degC, np.array([block]))[0]),
        float(course.face_degC.max()),
        tuple(float(power) for power in split.power_W.at(block)[0]),
        lowest,
        highest,
        *found.deciding(0),
        case.limits.tolerance_K,
        course,
    )


def _middle(limits: Limits, lowest_degC: float, highest_degC: float) -> float:
    low, high = limits.block_degC
    return 0.5 * (min(max(lowest_degC, low), high) + min(max(highest_degC, low), high))


@dataclass(frozen=True, slots=True)
class HeatMap:
    """Speed (S) against temperature of the chosen block (B); the maps are (B, S).

    `glue_degC` the coldest glue line where it is pressed, `face_degC` the hottest wood face,
    `above_s` the shortest time of a glue line above its limit, `heater_W` (zones, B, S). `safe`
    where every limit is kept; the tolerance is not taken off. `fastest` is None without a window.
    """

    case: HeatCase
    speed_mm_s: Floats
    block_degC: Floats
    glue_degC: Floats
    face_degC: Floats
    above_s: Floats
    heater_W: Floats
    bounds: Bounds
    fastest: Point | None

    @property
    def safe(self) -> Bools:
        """Where every limit is kept (B, S)."""
        block = self.block_degC[:, None]
        return (self.bounds.lowest_degC <= block) & (block <= self.bounds.highest_degC)


def heat_map(case: HeatCase, speed_mm_s: Floats, block_degC: Floats) -> HeatMap:
    """The map for speeds (S), rising and above 0, and block temperatures (B)."""
    run = passage(case.stack, case.way, speed_mm_s)
    split, found = Split(case, run), bounds(case, run)
    pressed, face, power = split.glue_pressed(), split.face, split.power_W
    size = (len(block_degC), len(speed_mm_s))
    glue_degC, face_degC, above_s = np.empty(size), np.empty(size), np.empty(size)
    heater_W = np.empty((len(case.blocks), *size))
    for row, block in enumerate(block_degC):
        glue_degC[row] = pressed.at(block).max(axis=2).min(axis=1)
        face_degC[row] = face.at(block).max(axis=(1, 2))
        above_s[row] = split.above_s(case.limits.glue_degC, np.full(len(speed_mm_s), block))
        heater_W[:, row] = power.at(block).T
    return HeatMap(
        case,
        run.speed_mm_s,
        np.asarray(block_degC, dtype=np.float64),
        glue_degC,
        face_degC,
        above_s,
        heater_W,
        found,
        _fastest(case, found),
    )


def fastest_safe(case: HeatCase, slowest_mm_s: float, fastest_mm_s: float) -> Point | None:
    """The fastest safe speed between two, its block in the middle; None: no window."""
    speed = np.geomspace(slowest_mm_s, fastest_mm_s, 60)
    return _fastest(case, bounds(case, passage(case.stack, case.way, speed)))


def _fastest(case: HeatCase, found: Bounds) -> Point | None:
    """The last speed with room, between the last of the grid that has and the next one."""
    open_at = np.flatnonzero(found.room_K >= 0.0)
    if len(open_at) == 0:
        return None
    last, speed = int(open_at[-1]), found.speed_mm_s
    if last + 1 == len(speed):
        return point(case, float(speed[last]))
    return point(case, _last_with_room(case, float(speed[last]), float(speed[last + 1])))


def _last_with_room(case: HeatCase, low: float, high: float) -> float:
    """Halve between a speed with room and one without; room may end in a jump to "never"."""
    while high - low > _SPEED_WITHIN * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if room_K(case, middle) >= 0.0 else (low, middle)
    return low


def room_K(case: HeatCase, speed_mm_s: float) -> float:
    """How wide the window is at a speed beyond twice the tolerance; below 0 there is none."""
    return float(bounds(case, passage(case.stack, case.way, [speed_mm_s])).room_K[0])
