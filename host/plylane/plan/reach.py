"""How far strips reach along the cord, lane by lane or for several lanes taken as one.

Lanes that are alike can stand in for each other, and a search need not tell them apart. Lanes on
bends differ by little: taken as one, a strip reaches from any place as far as in the lane where it
reaches furthest from there. What cannot be done so cannot be done in the lanes themselves.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from plylane.feed.lane_map import LaneMap
from plylane.plan.strips import Floats

STEPS = 4096
"""Parts of the cord in which the reach of lanes taken as one is tabled."""
SAME_MM = 1e-6
"""Extra lengths of the lanes of one cord are their offsets times one turning angle, to this."""


class Lanes:
    """Every lane's length against the cord's in one table, the lanes far apart in it."""

    def __init__(self, lanes: Sequence[LaneMap]) -> None:
        self.end = lanes[0].cord_end_mm
        self.length = np.array([lane.length_mm for lane in lanes])
        self._far = 4.0 * max(self.end, float(self.length.max()))
        away = [np.full(len(lane.cord_mm), k * self._far) for k, lane in enumerate(lanes)]
        self._cord = np.concatenate([m.cord_mm + a for m, a in zip(lanes, away, strict=True)])
        self._lane = np.concatenate([m.lane_mm + a for m, a in zip(lanes, away, strict=True)])
        self.straight = bool(np.array_equal(self._cord, self._lane))
        slopes = np.concatenate([np.diff(m.lane_mm) / np.diff(m.cord_mm) for m in lanes])
        self.least_slope = min(1.0, float(slopes.min()))
        self.most_slope = max(1.0, float(slopes.max()))

    def to_lane(self, lane: NDArray[np.int64], cord_mm: Floats) -> Floats:
        """Length of those lanes at those lengths of cord."""
        if self.straight:
            return cord_mm
        away = lane * self._far
        return np.asarray(np.interp(cord_mm + away, self._cord, self._lane) - away)

    def to_cord(self, lane: NDArray[np.int64], lane_mm: Floats) -> Floats:
        """Length of cord at those lengths of those lanes; straight on behind the end."""
        if self.straight:
            return lane_mm
        inside, away = np.minimum(lane_mm, self.length[lane]), lane * self._far
        cord = np.interp(inside + away, self._lane, self._cord) - away
        return np.asarray(cord + (lane_mm - inside))


class Reach:
    """Reach of K kinds of strip in N slots, each of which is a lane, or one of several as one.

    `lane` (N,): the lane of each slot, where every slot is one. `groups`: slots that can stand in
    for each other. `most_mm` (N, K): what a kind covers of the cord at most, wherever it begins.
    """

    def __init__(self, lanes: Sequence[LaneMap], kinds_mm: Floats, *, parts: int | None = None):
        """`parts`: so many groups of lanes taken as one, or None for only those that are alike.

        Raises ValueError where the lanes are not of one cord and are to be taken as one.
        """
        self.table, self.kinds_mm = Lanes(lanes), kinds_mm
        alike = _alike(lanes) if parts is None else _parts(lanes, parts)
        self.lane = np.array([k for group in alike for k in group])
        ends = np.cumsum([len(group) for group in alike])
        self.groups = [slice(int(e) - len(g), int(e)) for e, g in zip(ends, alike, strict=True)]
        self.exact = all(lanes[k].same_as(lanes[group[0]]) for group in alike for k in group)
        self.needed_mm = float(self.table.length.sum())
        self._length = self.table.length[self.lane]
        if self.table.straight:
            self.most_mm = np.tile(kinds_mm, (len(lanes), 1))
            return
        self._at = np.linspace(0.0, self.table.end, STEPS + 1)
        self._further = np.stack([self._further_mm(self.lane[group]) for group in self.groups])
        self._rests = np.stack([self._least_rest_mm(self.lane[group]) for group in self.groups])
        number = np.array([len(group) for group in alike])
        self._group = np.repeat(np.arange(len(alike)), number)
        self.most_mm = self._further.max(axis=1)[self._group]
        self._turning, self._offset = _turning(lanes), [lanes[k].offset_mm for k in self.lane]

    @property
    def _off_mm(self) -> float:
        """How far between two steps a curve can lie off its line, slopes being what they are."""
        low, high = self.table.least_slope, self.table.most_slope
        return float(self._at[1]) * (high / low - low / high) / 4.0

    def _further_mm(self, lanes: NDArray[np.int64]) -> Floats:
        """What each kind covers from each step on, at most (steps, K)."""
        laid = self.table.to_lane(lanes, self._at[:, None])
        found = [
            self.table.to_cord(lanes, laid + kind).max(axis=1) - self._at for kind in self.kinds_mm
        ]
        return np.stack(found, axis=1) + self._off_mm

    def _least_rest_mm(self, lanes: NDArray[np.int64]) -> Floats:
        rest = self.table.length[lanes] - self.table.to_lane(lanes, self._at[:, None])
        return np.asarray(rest.min(axis=1) - self._off_mm)

    def reach_mm(self, cord_mm: Floats) -> Floats:
        """How far each kind reaches along the cord from places (W, N) of the slots: (W, N, K)."""
        if self.exact:
            laid = self.table.to_lane(self.lane, cord_mm)[:, :, None] + self.kinds_mm
            return self.table.to_cord(self.lane[:, None], laid)
        at = cord_mm * (STEPS / self.table.end)
        step = np.clip(at.astype(np.int64), 0, STEPS - 1)
        here = self._further[self._group, step]
        there = self._further[self._group, step + 1]
        further: Floats = cord_mm[:, :, None] + here + (at - step)[:, :, None] * (there - here)
        return further

    def first_mm(self, laid_mm: float) -> Floats:
        """From where on so much of each slot's lane may be laid, mm of cord (N,)."""
        cord: Floats = self.table.to_cord(self.lane, np.full(len(self.lane), laid_mm))
        for group in self.groups:
            cord[group] = cord[group].min()
        return cord

    def rest_mm(self, cord_mm: Floats) -> Floats:
        """What is left of each slot's lane, at least (W, N)."""
        if self.exact:
            return np.asarray(self._length - self.table.to_lane(self.lane, cord_mm))
        at = cord_mm * (STEPS / self.table.end)
        step = np.clip(at.astype(np.int64), 0, STEPS - 1)
        here, there = self._rests[self._group, step], self._rests[self._group, step + 1]
        return np.asarray(here + (at - step) * (there - here))

    def laid_mm(self, cord_mm: Floats) -> Floats:
        """What of the lanes is laid together, at most (W,).

        Which of the lanes taken as one has come how far is open: with offsets and angles turned
        both in rising order it is most (rearrangement inequality).
        """
        if self.exact:
            return np.asarray(self.table.to_lane(self.lane, cord_mm).sum(axis=1))
        turned, total = np.interp(cord_mm, *self._turning), cord_mm.sum(axis=1)
        for group in self.groups:
            total = total + np.sort(turned[:, group], axis=1) @ np.sort(self._offset[group])
        return np.asarray(total)


def _alike(lanes: Sequence[LaneMap]) -> list[list[int]]:
    groups: list[list[int]] = []
    for k, lane in enumerate(lanes):
        same = next((group for group in groups if lanes[group[0]].same_as(lane)), None)
        if same is None:
            groups.append([k])
        else:
            same.append(k)
    return groups


def _parts(lanes: Sequence[LaneMap], parts: int) -> list[list[int]]:
    """Neighbours by their offsets, in so many groups, as even as can be."""
    order = sorted(range(len(lanes)), key=lambda k: lanes[k].offset_mm)
    return [[int(k) for k in part] for part in np.array_split(order, min(parts, len(lanes)))]


def _turning(lanes: Sequence[LaneMap]) -> tuple[Floats, Floats]:
    """The angle turned along the cord: lengths, and radians."""
    widest = max(lanes, key=lambda lane: abs(lane.offset_mm))
    angle = (widest.lane_mm - widest.cord_mm) / (widest.offset_mm or 1.0)
    for lane in lanes:
        at = np.union1d(lane.cord_mm, widest.cord_mm)
        extra = lane.offset_mm * np.interp(at, widest.cord_mm, angle)
        if np.abs(lane.to_lane(at) - at - extra).max() > SAME_MM:
            raise ValueError("the lanes are not of one cord")
    return widest.cord_mm, angle
