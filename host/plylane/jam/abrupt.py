"""The quick tests: a length that stops within a few millimetres, and why.

Page's sums of what lanes and cord lose, with an allowance that a healthy head stays below, and
three ways to become suspicious: a lane that stands for longer than any joint's gap; a cord that
loses more than any burst of its wheel; a lane that stands a little while the cord loses a little
more than a burst would, two witnesses at once. Then the hypotheses are weighed at every step until
one is likely enough, or until patience runs out.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from plylane.jam.cusum import Ints, last_zero, page_sums
from plylane.jam.finding import (
    CORD_NOT_LAID,
    HEAD_JAM,
    LANE_WHEEL_STUCK,
    LOST_STEPS,
    OUTPUT_WHEEL_DIRTY,
    OUTPUT_WHEEL_STUCK,
    STRIP_OUT,
    STRIP_STUCK,
    UNKNOWN,
    Finding,
)
from plylane.jam.hypotheses import Seen, Verdict, weigh, weigh_guarded
from plylane.jam.lengths import Steps
from plylane.jam.limits import Limits
from plylane.jam.residual import PPM
from plylane.jam.settings import WatchSettings
from plylane.jam.strip_ends import Ends, Near

_KEPT = 160  # steps that are looked back at
_REVISED_UM = 6_000  # feed after an undecided finding in which it may still be decided
_AGAIN_UM = 10_000  # feed over which a length that was told of must follow to be watched again
_STEPS_UM = 60_000  # feed over which steps are lost again and again
_FOLLOWS_PPM = 200_000  # losing less than this share
_BEFORE_UM = 2_000  # feed before a change in which rollers that stand show first
_ROOM_MM = 2.0
_END_MM = 4.0  # loss of the cord that makes one ask why
_END_SHARE = 0.35  # the lanes' part in it, at most
_END_LEAST = 0.1  # share of the feed that it must have lost since then, and of that lately
_BURST_BAND, _LATELY_MM, _STILL = 0.08, 10.0, 0.8
_CORD, _AHEAD = 0, 1  # tracks; the lanes come after them
_LANES = 2


class Told(NamedTuple):
    """A finding and the step of the part at which it was decided."""

    at: int
    finding: Finding


class Abrupt:
    """One stretch of feeding, from entering Execute on."""

    def __init__(self, settings: WatchSettings, limits: Limits, ends: Ends, first: Steps) -> None:
        self._settings, self._limits, self._ends = settings, limits, ends
        lanes = len(first.um) - 2
        tracks = _LANES + lanes
        self._keep_ppm = np.full((tracks, 1), PPM - limits.lane_ppm, dtype=np.int64)
        self._keep_ppm[_CORD] = PPM - limits.cord_ppm
        self._past = first
        self._past_sums = np.zeros((tracks, len(first)), dtype=np.int64)
        self._deaf = np.zeros(tracks, dtype=np.bool_)
        self._deaf_from = first
        self._undecided: tuple[int, Finding] | None = None  # until which feed, and what was told
        self._steps_until_um = -1  # till then an infeed that lost steps is likely to lose more

    def take(self, steps: Steps) -> list[Told]:
        """Go on with these steps; what is decided in them."""
        found: list[Told] = []
        done = 0
        while done < len(steps):
            part = self._piece(steps[done:])
            sums = self._sums(part)
            told = self._first(part, sums)
            used = len(part) if told is None else told.at + 1
            self._keep(part[:used], sums[:, :used])
            if told is not None:
                self._hear(told.finding)
                found.append(Told(done + told.at, told.finding))
            self._listen_again()
            done += used
        return found

    # ---- sums ----

    def _sums(self, part: Steps) -> Ints:
        um = np.concatenate((self._past.um[:, -1:], part.um), axis=1)
        moved = np.diff(um, axis=1)
        fed, passed = moved[0], moved[1:]
        gained = np.empty((len(self._keep_ppm), len(part)), dtype=np.int64)
        gained[_CORD] = fed * self._keep_ppm[_CORD] - passed[0] * PPM
        gained[_AHEAD] = passed[0] * PPM - fed * (PPM + self._limits.lane_ppm)
        gained[_LANES:] = fed * self._keep_ppm[_LANES:] - passed[1:] * PPM
        if self._deaf.any():
            gained[self._deaf] = 0
        return page_sums(gained, self._past_sums[:, -1])

    def _keep(self, part: Steps, sums: Ints) -> None:
        self._past = part.last(_KEPT, self._past)
        self._past_sums = np.concatenate((self._past_sums, sums[:, -_KEPT:]), axis=1)[:, -_KEPT:]

    @property
    def fed_um(self) -> int:
        """The feed at the last step."""
        return int(self._past.fed_um[-1])

    def brake(self, steps: Steps) -> list[Finding]:
        """The head has left Execute and comes to rest: only what was left undecided is looked at,
        for rollers that slow down are no matter for the other tests."""
        if self._undecided is None:
            return []
        edge = int(np.searchsorted(steps.fed_um, self._undecided[0]))
        decided = self.take(steps[:edge])[:1]
        if decided or edge < len(steps):
            self.leave()
        return [told.finding for told in decided]

    def leave(self) -> None:
        """What is undecided stays so."""
        self._undecided = None

    def end(self, guarded: bool) -> Finding | None:
        """The head left Execute: why, if the cord's wheel had fallen far behind; `guarded`: because
        of that."""
        if self._deaf[_CORD] or len(self._deaf) == _LANES:
            return None
        if guarded:
            return None if self._undecided else self._why_guarded()
        return self._short_at_the_end()

    def _short_at_the_end(self) -> Finding | None:
        """Whether the wheel had fallen far behind the lanes.

        Not where that is over, nor where it falls behind as steeply as in a burst of slip, which a
        healthy wheel has too.
        """
        steps = self._past
        start = self._behind_since(self._limits.lane_ppm)
        fed_mm, (cord_mm, *lanes_mm) = _lost_mm(steps, start, len(steps) - 1)
        if cord_mm < _END_MM or fed_mm < _LATELY_MM:
            return None
        late = int(np.searchsorted(steps.fed_um, steps.fed_um[-1] - round(1000.0 * _LATELY_MM)))
        late_fed_mm, (late_mm, *_) = _lost_mm(steps, late, len(steps) - 1)
        if late_fed_mm <= 0.0:
            return None
        lane_mm = float(np.median(lanes_mm))
        share = (cord_mm - lane_mm) / fed_mm
        like_a_burst = abs(late_mm / late_fed_mm - self._settings.burst_share) < _BURST_BAND
        over = late_mm < _STILL * share * late_fed_mm
        if share < _END_LEAST or lane_mm > _END_SHARE * cord_mm or like_a_burst or over:
            return None
        evidence = {
            "onset_s": float(steps.time_s[start]),
            "rate_percent": 100.0 * share,
            "fed_mm": fed_mm,
            "median_lane_lost_mm": lane_mm,
        }
        return Finding(OUTPUT_WHEEL_DIRTY, float(steps.time_s[-1]), None, cord_mm, evidence)

    def _why_guarded(self) -> Finding | None:
        """Why the head's guard of feed against output has held: nothing explained it so far.

        Nothing is told where it looks like a burst of slip on rollers with film.
        """
        steps = self._past
        start = self._behind_since(self._limits.creep_ppm[0])
        fed_mm, (cord_mm, *lanes_mm) = _lost_mm(steps, start, len(steps) - 1)
        if fed_mm <= 0.0:
            return None
        lane_mm = float(np.median(lanes_mm))
        verdicts = weigh_guarded(fed_mm, cord_mm, lane_mm, self._settings)
        best, usual = verdicts[0], sum(v.likelihood for v in verdicts if not v.kinds)
        if usual > 0.5:
            return None
        likelihoods = {v.kinds[0]: v.likelihood for v in verdicts if v.kinds}
        kind = best.kinds[0] if best.likelihood >= self._settings.confidence else UNKNOWN
        usual_mm = lane_mm if kind == OUTPUT_WHEEL_DIRTY else self._settings.expected_slip * fed_mm
        evidence = {
            "onset_s": float(steps.time_s[start]),
            "rate_percent": 100.0 * (cord_mm - usual_mm) / fed_mm,
            "fed_mm": fed_mm,
            "median_lane_lost_mm": lane_mm,
        }
        if kind != UNKNOWN:
            evidence["likelihood"] = likelihoods.pop(kind)
        evidence |= {f"likelihood_{name}": p for name, p in likelihoods.items() if p >= 0.005}
        return Finding(kind, float(steps.time_s[-1]), None, cord_mm, evidence)

    def _behind_since(self, allowance_ppm: int) -> int:
        """Step of those kept from which on the cord has lost more than so much of the feed."""
        moved = np.diff(self._past.um, axis=1)
        behind = moved[:1] * (PPM - allowance_ppm) - moved[1:2] * PPM
        sums = page_sums(behind, np.zeros(1, dtype=np.int64))[0]
        return 1 + last_zero(sums, len(sums) - 1)

    # ---- suspicion ----

    def _suspect(self, sums: Ints) -> NDArray[np.bool_]:
        """Steps, shape (n,), at which the sums ask for an explanation."""
        limits, lanes = self._limits, sums[_LANES:]
        suspect: NDArray[np.bool_] = sums[_CORD] >= limits.cord_stands
        suspect |= sums[_AHEAD] >= limits.ahead
        if len(lanes):
            standing = lanes.max(axis=0)
            suspect |= standing >= limits.lane_stands
            suspect |= (standing >= limits.lane_sign) & (sums[_CORD] >= limits.cord_sign)
        if len(lanes) > 2:
            suspect |= (lanes >= limits.lanes_stand).sum(axis=0) >= len(lanes) - 1
            but_one = lanes.sum(axis=0) - lanes.max(axis=0)  # one may just have a joint
            suspect |= but_one >= limits.lanes_mean * (len(lanes) - 1)
        return suspect

    def _first(self, part: Steps, sums: Ints) -> Told | None:
        suspects = np.flatnonzero(self._suspect(sums))
        if not len(suspects):
            return None
        steps = part.after(self._past)
        all_sums = np.concatenate((self._past_sums, sums), axis=1)
        before = len(self._past)
        for at in suspects.tolist():
            finding = self._explain(steps, all_sums, before + at)
            if finding is not None:
                return Told(at, finding)
        return None

    # ---- explanation ----

    def _explain(self, steps: Steps, sums: Ints, at: int) -> Finding | None:
        start = self._onset(steps, sums, at)
        fed_mm, (cord_mm, *lanes_mm) = _lost_mm(steps, start, at)
        times = float(steps.time_s[at]), float(steps.time_s[start])
        if sums[_AHEAD, at] >= self._limits.ahead:
            evidence = {"onset_s": times[1], "output_ahead_mm": -cord_mm}
            return Finding(CORD_NOT_LAID, times[0], None, -cord_mm, evidence)
        earlier = int(np.searchsorted(steps.fed_um, steps.fed_um[start] - _BEFORE_UM))
        _, (cord_before_mm, *before_mm) = _lost_mm(steps, max(earlier, at + 1 - _KEPT), start)
        ends = [
            self._ends.near(lane, times[0], int(um) / 1000.0)
            for lane, um in enumerate(steps.um[2:, at])
        ]
        seen = Seen(
            fed_mm,
            None if self._deaf[_CORD] else cord_mm,
            tuple(None if self._deaf[_LANES + k] else mm for k, mm in enumerate(lanes_mm)),
            # a lane may just have a joint
            float(np.mean(sorted(before_mm)[:-1])) if len(before_mm) > 1 else None,
            None if self._deaf[_CORD] else cord_before_mm,
            tuple(near.ran_out if near else None for near in ends),
            bool(steps.fed_um[at] < self._steps_until_um),
        )
        verdicts = weigh(seen, self._settings)
        usual = sum(v.likelihood for v in verdicts if not v.kinds)
        faults = [v for v in verdicts if v.kinds]
        sure = faults[0].likelihood >= self._settings.confidence
        if self._undecided and not (sure and len(faults[0].kinds) == 1):
            return None
        lost_mm = max(cord_mm, *lanes_mm) if lanes_mm else cord_mm
        patience_mm = self._settings.patience_mm
        if seen.lost_steps and faults[0].kinds == (HEAD_JAM,) and lost_mm < patience_mm:
            return None  # all stand while a motor falls one more pole pitch behind, too
        # a strip that buckles into its room goes on passing its wheel: so much is not lost yet
        waited = lost_mm >= patience_mm or min(lost_mm + _ROOM_MM, fed_mm) >= patience_mm + 0.5
        if not sure and (not waited or usual > 0.5):
            return None
        return self._finding(faults, sure, seen, times, (cord_mm, lanes_mm), ends)

    def _onset(self, steps: Steps, sums: Ints, at: int) -> int:
        """Where the change began: where the cord last kept up, or else the lanes concerned."""
        low = max(0, at + 1 - _KEPT)
        window = sums[:, low : at + 1]
        for track, limit in ((_AHEAD, self._limits.ahead), (_CORD, self._limits.cord_sign)):
            if window[track, -1] >= limit:
                return low + max(0, last_zero(window[track], at - low))
        now = window[_LANES:, -1]
        concerned = np.flatnonzero(now >= min(self._limits.lane_sign, int(now.max()))).tolist()
        starts = sorted(
            max(
                last_zero(window[_LANES + lane], at - low),
                self._stands_since(steps.um[2 + lane, low : at + 1], steps.fed_um[low : at + 1]),
            )
            for lane in concerned
        )
        return low + max(0, starts[len(starts) // 2])

    def _stands_since(self, lane_um: Ints, fed_um: Ints) -> int:
        """Step at which a lane's wheel last turned, if it has stood for long; else -1."""
        turns = np.flatnonzero(np.diff(lane_um))
        last = int(turns[-1]) + 1 if len(turns) else 0
        stood_um = (fed_um[-1] - fed_um[last]) * PPM
        return last if stood_um >= 2 * self._limits.lane_sign else -1

    def _finding(
        self,
        faults: list[Verdict],
        sure: bool,
        seen: Seen,
        times: tuple[float, float],
        lost_mm: tuple[float, list[float]],
        ends: list[Near | None],
    ) -> Finding:
        best = faults[0]
        cord_mm, lanes_mm = lost_mm
        one = sure and len(best.kinds) == 1
        kind = best.kinds[0] if one else UNKNOWN
        lane = self._lane(faults)
        likelihoods: dict[str, float] = {}
        for verdict in faults:
            for name in verdict.kinds:
                share = verdict.likelihood / len(verdict.kinds)
                likelihoods[name] = likelihoods.get(name, 0.0) + share
        evidence = {"onset_s": times[1], "fed_mm": seen.fed_mm, "cord_lost_mm": cord_mm}
        evidence |= {f"lane{k}_lost_mm": mm for k, mm in enumerate(lanes_mm, start=1)}
        if one:
            evidence["likelihood"] = likelihoods.pop(kind)
        evidence |= {f"likelihood_{name}": p for name, p in likelihoods.items() if p >= 0.005}
        near = None if lane is None else ends[lane]
        if near is not None and {STRIP_OUT, LANE_WHEEL_STUCK} & {kind, *likelihoods}:
            evidence |= {"beyond_end_mm": near.beyond_mm, "end_uncertain_mm": near.sd_mm}
        missing_mm = cord_mm if lane is None else lanes_mm[lane]
        return Finding(kind, times[0], None if lane is None else lane + 1, missing_mm, evidence)

    def _lane(self, faults: list[Verdict]) -> int | None:
        """The lane that is concerned whatever the cause is, if that is likely enough."""
        lane = faults[0].lane
        total = sum(fault.likelihood for fault in faults)
        same = sum(fault.likelihood for fault in faults if fault.lane == lane)
        return lane if same >= self._settings.confidence * total else None

    # ---- after a finding ----

    def _hear(self, finding: Finding) -> None:
        """What was told of is not listened to until it follows again; first, if it was undecided,
        a while for what decides it."""
        if finding.kind == UNKNOWN and not self._undecided:
            self._undecided = int(self._past.fed_um[-1]) + _REVISED_UM, finding
            return
        self._undecided = None
        if finding.kind == LOST_STEPS:
            self._steps_until_um = int(self._past.fed_um[-1]) + _STEPS_UM
        if finding.kind in (OUTPUT_WHEEL_STUCK, OUTPUT_WHEEL_DIRTY):
            self._deaf[_CORD] = True
        elif finding.kind in (STRIP_STUCK, HEAD_JAM, LOST_STEPS) or finding.lane is None:
            self._deaf[:] = True
        else:
            self._deaf[_LANES + finding.lane - 1] = True
        self._past_sums[self._deaf, -1] = 0
        self._deaf_from = self._past[-1:]

    def _piece(self, steps: Steps) -> Steps:
        """All of the steps, or as far as something may be listened to again."""
        if self._undecided:
            return steps[: int(np.searchsorted(steps.fed_um, self._undecided[0])) + 1]
        if not self._deaf.any():
            return steps
        edge = int(np.searchsorted(steps.fed_um, self._deaf_from.fed_um[0] + _AGAIN_UM))
        return steps[: edge + 1]

    def _listen_again(self) -> None:
        if self._undecided and self._past.fed_um[-1] >= self._undecided[0]:
            self._hear(self._undecided[1])
        if not self._deaf.any():
            return
        now = self._past[-1:]
        moved = (now.um - self._deaf_from.um)[:, 0]
        if moved[0] < _AGAIN_UM:
            return
        lost = (moved[0] - moved[1:]) * PPM
        follows = np.abs(lost) < moved[0] * _FOLLOWS_PPM
        self._deaf[_CORD] &= not follows[0]
        self._deaf[_AHEAD] &= not follows[0]
        self._deaf[_LANES:] &= ~follows[1:]
        self._deaf_from = now


def _lost_mm(steps: Steps, start: int, at: int) -> tuple[float, list[float]]:
    """Feed between two steps, and what cord and lanes lost in it."""
    moved = (steps.um[:, at] - steps.um[:, start]) / 1000.0
    lost: list[float] = (moved[0] - moved[1:]).tolist()
    return float(moved[0]), lost
