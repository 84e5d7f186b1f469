"""The slow tests: what loses a few percent more than is usual, over tens of millimetres and more.

Against what is usual (learnt from the feed before) three questions are put, each with Page's sums:

- do most lanes and the cord fall behind the feed together? Rollers slip more, or drag rises;
- does one lane fall behind alone? Its strip drags more than the rollers hold;
- does the cord's wheel count short while most lanes go on? It is dirty, or slips.

A slip of unknown size is asked for with two allowances at once. Most lanes, not their mean: a joint
takes up to its gap from one lane, and a bend gives to one half what it takes from the other. Of the
cord's wheel alone no block of feed counts for much, so that a burst of slip does not look like
dirt. Slip grows with speed: at a speed above the usual, more of it is allowed.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from plylane.jam.cusum import Ints, last_zero, page_sums
from plylane.jam.finding import OUTPUT_WHEEL_DIRTY, SLIP_GROWING, STRIP_STUCK, Finding
from plylane.jam.glr import likeliest_change
from plylane.jam.lengths import Steps
from plylane.jam.limits import Limits
from plylane.jam.residual import MM, PPM, Usual, losses
from plylane.jam.settings import WatchSettings

_GRID_UM = 2_000
_BLOCK_UM = 10_000
_LAG = 3  # newest blocks that nothing is learnt from
_KEPT = 600  # grid points that are looked back at
_CORD = 0  # the lanes come after it
_SETTLES_UM = 10_000  # feed at the start of a stretch that is not judged
_AGAIN_UM = 100_000  # feed for which nothing is told after a finding
_MOST_PPM = 200_000  # no more than this is ever taken for usual
_JUST_NOW, _BEFORE = 2, 4  # points: what a track loses over 4 mm is sudden where it is
_SUDDEN_PPM, _KEEPS_UP_PPM = 170_000, 100_000  # more than this, and less in the 8 mm before
_STANDS_PPM = 700_000
_WHEEL_LONGER = 5
_SLOWEST = 10  # times the nominal duration of a block
_FASTEST = 4.0  # times the usual speed, beyond which no more slip is allowed
_SLIP_BY_SPEED = 0.4  # relative growth of slip with a relative growth of speed, at most
_DIFFER = 2  # lanes differ by half of the slip that is beyond the expected
_SHORT_POINTS = 25  # over which it is said by how much the wheel counts short: 50 mm
_LEAST_POINTS = 4, 10  # of the cord, of a lane: no shorter part is looked at
_LASTING = 0.003, 0.009  # the same: slip and bends that last longer than a part, a share lost
_SURE_SD = 3.0


class _Sums(NamedTuple):
    """What the tests make of some grid points; `wheel` has a column a block that ends in them."""

    usual: Ints  # (tracks, points)
    creep: Ints  # (tests, tracks, points)
    alone: Ints  # (tests, lanes, points), of what a lane loses more than the lanes' mean
    ends: Ints  # points at which blocks end
    wheel: Ints  # (lanes, ends)


class Creep:
    """What is usual is kept from stretch to stretch; sums begin anew in each."""

    def __init__(self, settings: WatchSettings, limits: Limits, lanes: int) -> None:
        self._limits, self._lanes = limits, lanes
        self._pulse_mm = settings.lane_pulse_mm * (1.0 + 3.0 * settings.lane_scatter)
        blocks = round(settings.usual_mm * 1000.0 / _BLOCK_UM)
        expected, limit = round(settings.expected_slip * PPM), round(settings.usual_limit * PPM)
        self._expected = expected
        self._usual = Usual(1 + lanes, expected, limit, _BLOCK_UM, blocks, _LAG)
        # the cord's wheel against the lanes': slip cancels, so it may be learnt over longer
        clip = limits.wheel_clip_ppm
        self._wheel_usual = Usual(lanes, 0, clip, _BLOCK_UM, _WHEEL_LONGER * blocks, _LAG)
        pace = round(1e6 / settings.nominal_speed_mm_s)
        self._pace = Usual(1, pace, _SLOWEST * pace, _BLOCK_UM, blocks, _LAG)
        self._thresholds = np.array(limits.creep)
        self._lane_thresholds = np.array(limits.creep_lane)

    def begin(self, first: Steps) -> None:
        """A new stretch of feeding."""
        self._points = self._block = first
        self._sums = np.zeros((len(self._limits.creep), 1 + self._lanes, 1), dtype=np.int64)
        self._alone_sums = self._sums[:, 1:].copy()
        self._wheel = np.zeros(self._lanes, dtype=np.int64)
        # at a start slack is taken up
        self._quiet_um = self._cord_quiet_um = int(first.fed_um[0]) + _SETTLES_UM

    def hush(self, until_um: int) -> None:
        """Begin anew when so much is fed: something has been told."""
        self._quiet_um = max(self._quiet_um, until_um)
        self._sums[:, 1:, -1] = 0
        self._alone_sums[:, :, -1] = 0
        self._hush_cord(until_um)

    def _hush_cord(self, until_um: int) -> None:
        """The same where all lanes and the cord, or the cord's wheel, were told of: one lane may
        still fall behind the others."""
        self._cord_quiet_um = max(self._cord_quiet_um, until_um)
        self._sums[:, _CORD, -1] = 0
        self._wheel[:] = 0

    def take(self, steps: Steps) -> list[tuple[int, Finding]]:
        """Go on with these steps of the stretch; what is decided in them, and at which feed."""
        points = steps[_crossings(self._points.fed_um[-1], steps.fed_um, _GRID_UM)]
        found: list[tuple[int, Finding]] = []
        while len(points):
            finding, used = self._go_on(points)
            found += [(int(points.fed_um[used - 1]), finding)] if finding else []
            points = points[used:]
        return found

    def _go_on(self, points: Steps) -> tuple[Finding | None, int]:
        """The first finding, and how many points were used up to it."""
        learners = self._usual, self._wheel_usual, self._pace
        known = [learner.state for learner in learners]
        sums = self._sum_up(points)
        told = np.flatnonzero(self._speaks(points, sums))
        if not len(told):
            self._keep(points, sums)
            return None, len(points)
        used = int(told[0]) + 1
        for learner, state in zip(learners, known, strict=True):
            learner.state = state  # what comes after the finding is learnt after it
        points = points[:used]
        sums = self._sum_up(points)
        self._keep(points, sums)
        finding = self._explain(sums)
        hush = self._hush_cord if finding.lane is None else self.hush
        hush(int(points.fed_um[-1]) + _AGAIN_UM)
        return finding, used

    # ---- sums ----

    def _sum_up(self, points: Steps) -> _Sums:
        ends = _crossings(self._block.fed_um[-1], points.fed_um, _BLOCK_UM)
        block_fed, block_lost = _losses(self._block, points[ends])
        rates = self._usual.learn(block_fed, block_lost)
        fed, lost = _losses(self._points, points)
        # a point is held against what was usual when the point before it was reached
        block = np.searchsorted(ends, np.arange(len(points)))
        usual = rates[:, block]
        pace = self._pace.learn(block_fed, _took_ns(self._block, points[ends])[np.newaxis])
        faster = pace[0, block] * fed / np.maximum(_took_ns(self._points, points), 1) - 1.0
        more = np.floor(np.clip(faster, 0.0, _FASTEST) * _SLIP_BY_SPEED * usual[_CORD])
        heard = points.fed_um >= self._cord_quiet_um
        beyond = (lost - (usual + more.astype(np.int64)) * fed) * (points.fed_um >= self._quiet_um)
        beyond[_CORD] *= heard
        creep = [
            page_sums(beyond - allowance * fed, before)
            for allowance, before in zip(self._limits.creep_ppm, self._sums[:, :, -1], strict=True)
        ]
        alone = self._behind_others(beyond[1:], usual[1:], fed)
        wheel = self._wheel_short(block_fed, block_lost, rates[_CORD, :-1], heard[ends])
        return _Sums(usual, np.stack(creep), alone, ends, wheel)

    def _behind_others(self, beyond: Ints, usual: Ints, fed: Ints) -> Ints:
        """Sums of what each lane loses beyond the mean of all, (tests, lanes, points).

        A lane slips as its strip drags, so the more slip there is the more lanes differ.
        """
        mean = beyond.sum(axis=0) // self._lanes if self._lanes > 2 else 0
        more = np.maximum(usual - self._expected, 0) // _DIFFER
        sums = [
            page_sums(beyond - mean - (allowance + more) * fed, before)
            for allowance, before in zip(
                self._limits.creep_ppm, self._alone_sums[:, :, -1], strict=True
            )
        ]
        return np.stack(sums)

    def _wheel_short(self, fed: Ints, lost: Ints, usual: Ints, heard: NDArray[np.bool_]) -> Ints:
        """Sums of what the cord's wheel counts short of each lane, (lanes, blocks)."""
        clip = (usual + self._limits.wheel_clip_ppm) * fed
        learnt = self._wheel_usual.learn(fed, lost[_CORD] - lost[1:])[:, :-1]
        short = np.minimum(lost[_CORD], clip) - lost[1:]
        beyond = (short - (learnt + self._limits.wheel_ppm) * fed) * heard
        return page_sums(beyond, self._wheel)

    def _keep(self, points: Steps, sums: _Sums) -> None:
        self._points = points.last(_KEPT, self._points)
        new = sums.creep[:, :, -_KEPT:]
        self._sums = np.concatenate((self._sums, new), axis=2)[:, :, -_KEPT:]
        new = sums.alone[:, :, -_KEPT:]
        self._alone_sums = np.concatenate((self._alone_sums, new), axis=2)[:, :, -_KEPT:]
        if len(sums.ends):
            self._block = points[sums.ends[-1:]]
            self._wheel = sums.wheel[:, -1].copy()

    # ---- what they say ----

    def _most(self, high: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Where most lanes, (..., lanes, n), are high."""
        most: NDArray[np.bool_] = high.sum(axis=-2) > self._lanes // 2
        return most

    def _sudden(self, points: Steps) -> NDArray[np.bool_]:
        """Where a track that just now kept up loses so much that it is for the quick tests, or
        stands."""
        past = self._points[-_JUST_NOW - _BEFORE :]
        um = points.after(past).um
        here = np.arange(len(points)) + len(past)
        edges = [um[:, np.maximum(here - back, 0)] for back in (0, _JUST_NOW, _JUST_NOW + _BEFORE)]
        now, before = edges[0] - edges[1], edges[1] - edges[2]
        falls = (now[0] - now[1:]) * PPM > _SUDDEN_PPM * now[0]
        kept_up: NDArray[np.bool_] = (before[0] - before[1:]) * PPM < _KEEPS_UP_PPM * before[0]
        stands: NDArray[np.bool_] = (now[0] - now[1:]) * PPM > _STANDS_PPM * now[0]
        stands |= falls & kept_up
        return stands

    def _together(self, creep: Ints) -> NDArray[np.bool_]:
        """Where most lanes and the cord fall behind, (tests, n)."""
        high = creep >= self._thresholds[:, np.newaxis, np.newaxis]
        return high[:, _CORD] & self._most(high[:, 1:])

    def _alone(self, sums: Ints) -> NDArray[np.bool_]:
        """Which lanes fall behind by more than joints and bends, (tests, lanes, n)."""
        alone: NDArray[np.bool_] = sums >= self._lane_thresholds[:, np.newaxis, np.newaxis]
        return alone

    def _speaks(self, points: Steps, sums: _Sums) -> NDArray[np.bool_]:
        """Points at which something is to be told: what began just now is for the quick tests."""
        together: NDArray[np.bool_] = np.any(self._together(sums.creep), axis=0)
        alone: NDArray[np.bool_] = np.any(self._alone(sums.alone), axis=0)
        if together.any() or alone.any():
            sudden = self._sudden(points)
            together &= ~sudden[_CORD]
            alone &= ~sudden[1:]
        speaks: NDArray[np.bool_] = np.any(np.array([together, *alone]), axis=0)
        short = np.zeros(len(points), dtype=np.bool_)
        short[sums.ends] = self._most(sums.wheel >= self._limits.wheel)
        heard: NDArray[np.bool_] = (speaks | short) & (points.fed_um >= self._quiet_um)
        return heard

    def _explain(self, sums: _Sums) -> Finding:
        """The finding at the last point kept."""
        usual, last = sums.usual[:, -1], sums.alone[:, :, -1:]
        together = self._together(sums.creep[:, :, -1:])[:, 0]
        if together.any():
            test = int(np.argmax(together))
            start = last_zero(self._sums[test, _CORD], self._sums.shape[2] - 1)
            numbers = _statistic(self._sums[test, _CORD], self._limits.creep[test])
            numbers |= self._likeliest(_CORD, self._cord_quiet_um)
            return self._finding(SLIP_GROWING, None, max(0, start), usual, numbers)
        alone = self._alone(last)[:, :, 0]
        if alone.any():
            test = int(np.argmax(alone.any(axis=1)))
            lane = int(np.argmax(last[test, :, 0]))
            behind = self._alone_sums[test, lane]
            start = last_zero(behind, len(behind) - 1)
            numbers = _statistic(behind, self._limits.creep_lane[test])
            numbers |= self._likeliest(1 + lane, self._quiet_um)
            return self._finding(STRIP_STUCK, lane, max(0, start), usual, numbers)
        start = max(0, len(self._points) - 1 - _SHORT_POINTS)
        statistic = float(np.median(sums.wheel[:, -1])) / MM
        numbers = {"statistic_mm": statistic, "threshold_mm": self._limits.wheel / MM}
        return self._finding(OUTPUT_WHEEL_DIRTY, None, start, usual, numbers)

    def _likeliest(self, track: int, quiet_um: int) -> dict[str, float]:
        """When the track's loss changed and by how much, at the largest likelihood ratio of all
        changes since anything was told last; the sums only say that it did. Nothing where the
        change does not stand out."""
        points = self._points[int(np.searchsorted(self._points.fed_um, quiet_um)) :]
        least = _LEAST_POINTS[track != _CORD]
        if len(points) <= 2 * least:
            return {}
        fed, lost = _losses(points[:1], points[1:])
        share, fed_mm = lost[track] / (PPM * fed), fed / 1000.0
        wander = self._limits.wander_per_mm
        change = likeliest_change(share, wander, fed_mm, least=least, upward=True)
        before_mm, after_mm = (float(part.sum()) for part in np.split(fed_mm, [change.first]))
        sd = self._step_sd(track, before_mm, after_mm)
        if change.step < _SURE_SD * sd:
            return {}
        return {
            "changed_s": float(points.time_s[change.first]),
            "change_percent": 100.0 * change.step,
            "change_sd_percent": 100.0 * sd,
        }

    def _step_sd(self, track: int, before_mm: float, after_mm: float) -> float:
        """How well it is known by how much two parts that follow one another differ, in the share
        lost: wandering, what lasts longer than they do, and at their three ends a lane's wheel
        somewhere within a pulse."""
        after, before = 1.0 / after_mm, 1.0 / before_mm
        cord = track == _CORD
        end_mm2 = 0.0 if cord else self._pulse_mm**2 / 12.0
        ends = end_mm2 * (after**2 + before**2 + (after + before) ** 2)
        wander = self._limits.wander_per_mm**2 * (after + before)
        return math.sqrt(wander + ends + _LASTING[not cord] ** 2)

    def _finding(
        self, kind: str, lane: int | None, start: int, usual: Ints, numbers: dict[str, float]
    ) -> Finding:
        """What was lost since a point beyond the usual; from now on it counts as usual."""
        points = self._points
        moved = points.um[:, -1] - points.um[:, start]
        fed = max(1, int(moved[0]))
        rates = (fed - moved[1:]) * PPM // fed
        beyond = (rates - usual) / PPM
        cord, lanes = float(beyond[_CORD]), beyond[1:]
        median = float(np.median(lanes)) if len(lanes) else 0.0
        if kind == OUTPUT_WHEEL_DIRTY:
            rates[1:] = usual[1:]
            share = cord - median
        elif lane is None:
            share = cord
            # over so little feed a lane's pulses say little of the lane
            rates[1:] = np.maximum(rates[1:], rates[_CORD])
        else:
            share = float(lanes[lane])
        self._usual.accept(np.clip(rates, usual, np.maximum(usual, _MOST_PPM)))
        evidence = {
            "onset_s": float(points.time_s[start]),
            "rate_percent": 100.0 * share,
            "usual_percent": 100.0 * float(usual[_CORD]) / PPM,
            "cord_rate_percent": 100.0 * cord,
            "lanes_rate_percent": 100.0 * median,
            "fed_mm": fed / 1000.0,
            **numbers,
        }
        return Finding(
            kind,
            float(points.time_s[-1]),
            None if lane is None else lane + 1,
            share * fed / 1000.0,
            evidence,
        )


def _statistic(sums: Ints, limit: int) -> dict[str, float]:
    return {"statistic_mm": float(sums[-1]) / MM, "threshold_mm": limit / MM}


def _crossings(last_um: int, fed_um: Ints, grid_um: int) -> Ints:
    """Steps at which the feed crosses a line of the grid."""
    lines = fed_um // grid_um
    return np.flatnonzero(np.diff(lines, prepend=last_um // grid_um))


def _losses(before: Steps, steps: Steps) -> tuple[Ints, Ints]:
    """Feed (n,) and losses (tracks, n) of each step, the first since the last one before."""
    moved = np.diff(steps.um, axis=1, prepend=before.um[:, -1:])
    return moved[0], losses(moved[0], moved[1:])


def _took_ns(before: Steps, steps: Steps) -> Ints:
    """How long each step took, ns in whole microseconds; the first since the last one before."""
    us = np.rint(np.append(before.time_s[-1], steps.time_s) * 1e6).astype(np.int64)
    return np.diff(us) * 1000
