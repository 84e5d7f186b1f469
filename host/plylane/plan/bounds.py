# ruff: noqa: N802  (units are written as the trade writes them)
"""Between which temperatures each limit leaves the block that is to be chosen.

At a given speed every temperature and every power is linear in that block's temperature, so
each limit allows it one range.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from plylane.plan.conduction import AIR, FIRST_ZONE, Floats, Passage
from plylane.plan.heat_case import HeatCase, Limit, Limits
from plylane.plan.stack import Stack

_SHARE_MIN = 1e-9  # below it a source has not arrived yet
_HALVINGS = 30  # of the block's range: to well below a thousandth of a kelvin


@dataclass(frozen=True, slots=True)
class _Linear:
    """Values `base + slope * block temperature`."""

    base: Floats
    slope: Floats

    def at(self, block_degC: Floats | float) -> Floats:
        """With the block at a temperature, or one for each value."""
        value: Floats = self.base + self.slope * block_degC
        return value

    def at_most(self, limit: Floats | float) -> Range:
        """Block temperatures, from and to, at which it is at most a limit.

        From -inf to inf where it is so anyhow, from inf to -inf where it never is.
        """
        there = np.abs(self.slope) > _SHARE_MIN
        met = (limit - self.base) / np.where(there, self.slope, 1.0)
        anyhow = np.where(self.base <= limit, inf, -inf)
        return (
            np.where(there, np.where(self.slope < 0.0, met, -inf), -anyhow),
            np.where(there, np.where(self.slope > 0.0, met, inf), anyhow),
        )

    def at_least(self, limit: Floats | float) -> Range:
        """The same for "at least"."""
        return _Linear(-self.base, -self.slope).at_most(-np.asarray(limit))


Range = tuple[Floats, Floats]


class Split:
    """What a passage has to say on a case, as linear functions of the chosen block."""

    def __init__(self, case: HeatCase, run: Passage) -> None:
        self._source = case.way.sources_degC(case.with_block(0.0))
        self._column = FIRST_ZONE + case.chosen
        lines, faces = _unlike(case.stack)
        # places last, where sums and extremes run
        self.glue = self._of(run.glue[:, :, :lines].swapaxes(1, 2))  # (S, lines, K)
        self.face = self._of(run.face[:, :, :faces].swapaxes(1, 2))  # (S, faces, K)
        self.power_W = self._of(_power_shares(case, run))  # (S, zones)
        pressed = [stretch.pressed for stretch in case.way.stretches]
        self.pressed = np.array(pressed)[run.stretch]
        self.step_s = np.diff(run.time_s, axis=1)

    def _of(self, shares: Floats) -> _Linear:
        return _Linear(
            np.ascontiguousarray(shares @ self._source),
            np.ascontiguousarray(shares[..., self._column]),
        )

    def glue_pressed(self) -> _Linear:
        """Glue lines at the places where they are pressed (S, lines, places)."""
        return _Linear(self.glue.base[..., self.pressed], self.glue.slope[..., self.pressed])

    def above_s(self, limit_degC: float, block_degC: Floats) -> Floats:
        """Shortest time that a glue line is above a limit, at a block temperature (S)."""
        return _above_s(self.glue.at(block_degC[:, None, None]) - limit_degC, self.step_s)


def _unlike(stack: Stack) -> tuple[int, int]:
    """How many glue lines and faces differ: of a stack that is its own mirror image, half."""
    if stack.strip_mm == stack.strip_mm[::-1]:
        return (stack.glue_lines + 1) // 2, 1
    return stack.glue_lines, 2


def _above_s(over: Floats, step_s: Floats) -> Floats:
    """Least time above 0 of lines (S, lines, K), straight between places."""
    up = np.maximum(over, 0.0)
    share = up[..., :-1] + up[..., 1:]
    np.abs(over, out=over)
    size = np.maximum(over[..., :-1] + over[..., 1:], 1e-300)
    least: Floats = ((share / size) @ step_s[:, :, None])[..., 0].min(axis=1)
    return least


def _power_shares(case: HeatCase, run: Passage) -> Floats:
    """Shares in the power that each zone's heater gives (S, zones, sources), W/K."""
    zones = case.way.zones
    power = np.zeros((len(run.speed_mm_s), zones, FIRST_ZONE + zones))
    for index, stretch in enumerate(case.way.stretches):
        if stretch.zone is not None:
            power[:, stretch.zone] += run.carried_W_K[:, index]
    for zone, block in enumerate(case.blocks):
        power[:, zone, FIRST_ZONE + zone] += block.loss_W_K
        power[:, zone, AIR] -= block.loss_W_K
        if zone + 1 < zones:
            for here, there in ((zone, zone + 1), (zone + 1, zone)):
                power[:, here, FIRST_ZONE + here] += block.link_W_K
                power[:, here, FIRST_ZONE + there] -= block.link_W_K
    return power


@dataclass(frozen=True, slots=True)
class Bounds:
    """Between which the chosen block has to be, by every limit, at S speeds (each S, degC).

    `lower` and `upper` hold what sets a bound; infinite values there mean none, or never.
    """

    speed_mm_s: Floats
    lower: dict[Limit, Floats]
    upper: dict[Limit, Floats]
    tolerance_K: float

    @property
    def lowest_degC(self) -> Floats:
        """The highest of the lower bounds."""
        highest: Floats = np.max(list(self.lower.values()), axis=0)
        return highest

    @property
    def highest_degC(self) -> Floats:
        """The lowest of the upper bounds."""
        lowest: Floats = np.min(list(self.upper.values()), axis=0)
        return lowest

    @property
    def room_K(self) -> Floats:
        """What is left between them, the tolerance taken off on both sides; below 0: no window."""
        room: Floats = self.highest_degC - self.lowest_degC - 2.0 * self.tolerance_K
        return room

    def deciding(self, speed: int) -> tuple[Limit, Limit]:
        """The lower and the upper limit that decide at the speed of that index."""
        lower = max(self.lower, key=lambda limit: float(self.lower[limit][speed]))
        return lower, min(self.upper, key=lambda limit: float(self.upper[limit][speed]))


def bounds(case: HeatCase, run: Passage) -> Bounds:
    """Bounds of the chosen block's temperature at every speed of a passage of that case."""
    split, limits = Split(case, run), case.limits
    none = np.full(len(run.speed_mm_s), inf)
    low, high = (np.full(len(none), degC) for degC in limits.block_degC)
    heater_W = np.array([block.heater_W for block in case.blocks])
    pressed, _ = split.glue_pressed().at_least(limits.glue_degC)
    ranges: dict[Limit, Range] = {
        Limit.GLUE_COLD: (pressed.min(axis=2).max(axis=1), none),
        Limit.HOLD_SHORT: (_hold_bound(split, limits, low, high), none),
        Limit.FACE_HOT: _all_of(split.face.at_most(limits.face_degC)),
        Limit.GLUE_HOT: _all_of(split.glue.at_most(limits.glue_top_degC)),
        Limit.HEATER: _all_of(split.power_W.at_most(heater_W)),
        Limit.COOLING: _all_of(split.power_W.at_least(0.0)),
        Limit.BLOCK_LOW: (low, none),
        Limit.BLOCK_HIGH: (-none, high),
    }
    return Bounds(
        run.speed_mm_s,
        {limit: lower for limit, (lower, _) in ranges.items()},
        {limit: upper for limit, (_, upper) in ranges.items()},
        limits.tolerance_K,
    )


def _all_of(ranges: Range) -> Range:
    """The range (S) in which all of the ranges (S, ...) are kept."""
    axes = tuple(range(1, ranges[0].ndim))
    return ranges[0].max(axis=axes), ranges[1].min(axis=axes)


def _hold_bound(split: Split, limits: Limits, low: Floats, high: Floats) -> Floats:
    """Block temperature (S) from which the glue lines stay hot for long enough, by halving."""
    if limits.hold_s <= 0.0:
        return np.full(len(low), -inf)
    never = split.above_s(limits.glue_degC, high) < limits.hold_s
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        enough = split.above_s(limits.glue_degC, middle) >= limits.hold_s
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(never, inf, high)
