"""What may have happened, what each would show, and how likely each is given what is seen.

Seen are lengths lost since the change: by the cord and by each lane. Every hypothesis says what
they should be after so much feed, and how far off they may be (normal distribution, written out
below). A hypothesis with an unknown size stands there with several sizes; the best of them counts.
What a healthy head does now and then is among the hypotheses, with its own odds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from plylane.jam.finding import (
    HEAD_JAM,
    LANE_WHEEL_STUCK,
    LOST_STEPS,
    OUTPUT_WHEEL_DIRTY,
    OUTPUT_WHEEL_STUCK,
    SLIP_GROWING,
    STRIP_OUT,
    STRIP_STUCK,
)
from plylane.jam.settings import WatchSettings

_USUAL_ODDS = 1000.0  # joints and bursts, against any fault of a kind
_BOTH_ODDS = 1.0  # a joint and a burst at once
_WORST = -12.0  # no single length may speak louder than e^12: tails are fatter than normal
_BESIDE_ODDS = 0.004  # a joint in some other lane just then: one in 2.4 m, over some 10 mm
_NEVER = -30.0  # what no healthy lane does
_STANDS = 0.8  # of the feed: what a lane that stands loses, its first pulse aside
_SLOW_ODDS = 0.02  # rollers that slip on every strip and still move it, against a jam
_SLOWER_ODDS = 0.3  # the same where they hardly move it
_CREPT_MM = 1.5  # feed before which it does not show that a jam had crept
_HARDLY_ODDS = 0.45  # a strip that sticks and hardly holds up the cord, as only at low speed
_SLOW_MM = 6.0  # feed before which slip of all strips cannot have become suspicious
_AGAIN_ODDS = 30.0  # a motor that has just lost steps loses more
_BURST_SD = 0.05  # of the share of the travel that a burst loses, over its length
_KEPT_UP = (0.05, 0.08)  # what a cord loses in the two millimetres before it stands all at once
_LAG_MM = 0.2  # what the strip still does when its ply already stands: it buckles into its room


@dataclass(frozen=True, slots=True)
class Seen:
    """Lost since the change, mm: by the cord (None where its wheel says nothing) and the lanes."""

    fed_mm: float
    cord_mm: float | None
    lanes_mm: tuple[float | None, ...]
    before_mm: float | None = None
    """Mean of the lanes but one in the two millimetres before the change."""
    cord_before_mm: float | None = None
    """The cord in these."""
    ran_out: tuple[float | None, ...] = ()
    """For each lane: if it stands alone, how likely its strip ran out and its wheel is free."""
    lost_steps: bool = False
    """Whether the infeed has just lost steps."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """A hypothesis with its likelihood. Inseparable kinds share it; no `kinds`: nothing wrong."""

    kinds: tuple[str, ...]
    lane: int | None
    likelihood: float


_Score = tuple[tuple[str, ...], int | None, float]


@dataclass(frozen=True, slots=True)
class _Claim:
    """What a hypothesis expects: (mean, standard deviation) of cord, its lane, the other lanes."""

    cord: tuple[float, float]
    lane: tuple[float, float] | None
    others: tuple[float, float]
    before: tuple[float, float] = (0.0, 0.25)  # the lanes, just before the change
    cord_before: tuple[float, float] = (0.1, 0.12)
    beside: tuple[float, float] | None = None  # or one of the other lanes, where it has a joint


def weigh(seen: Seen, settings: WatchSettings) -> list[Verdict]:
    """Every hypothesis with its likelihood (they add up to 1), likeliest first."""
    return _shared(list(_scores(seen, settings)))


def weigh_guarded(
    fed_mm: float, cord_mm: float, lane_mm: float, settings: WatchSettings
) -> list[Verdict]:
    """Why the head's guard of feed against output held though nothing stands, likeliest first.

    `cord_mm` and `lane_mm` (a middle lane) were lost over `fed_mm`: either all strips slip, and
    lanes lose what the cord does, or only the output wheel counts short. That may be a burst, but
    the longer it lasts the less, as bursts end.
    """
    sd_mm = 0.5 * settings.lane_pulse_mm + 0.02 * fed_mm
    together = _log_normal(lane_mm, (cord_mm, sd_mm))
    alone = _log_normal(lane_mm, (settings.expected_slip * fed_mm, sd_mm))
    off = (cord_mm - lane_mm) / fed_mm - settings.burst_share
    like_a_burst = -0.5 * (off / _BURST_SD) ** 2 - fed_mm / settings.burst_mm
    return _shared(
        [
            ((SLIP_GROWING,), None, together),
            ((OUTPUT_WHEEL_DIRTY,), None, alone),
            ((), None, math.log(_USUAL_ODDS) + alone + like_a_burst),
        ]
    )


def _shared(scored: list[_Score]) -> list[Verdict]:
    """Likelihoods that add up to 1, likeliest first; one verdict for what says the same."""
    most = max(score for *_, score in scored)
    shares: dict[tuple[tuple[str, ...], int | None], float] = {}
    for kinds, lane, score in scored:
        shares[kinds, lane] = shares.get((kinds, lane), 0.0) + math.exp(score - most)
    total = sum(shares.values())
    verdicts = [Verdict(kinds, lane, share / total) for (kinds, lane), share in shares.items()]
    return sorted(verdicts, key=lambda verdict: -verdict.likelihood)


def _scores(seen: Seen, settings: WatchSettings) -> Iterator[_Score]:
    """Kinds, lane and log likelihood of each."""
    d = seen.fed_mm
    noise = settings.lane_pulse_mm * 0.5
    still = (settings.expected_slip * d, noise)
    quiet = (settings.expected_slip * d, 0.05 + 0.02 * d)
    burst = (settings.burst_share * d, 0.06 + 0.04 * d)
    gap = (min(d, settings.joint_gap_mm), noise)
    gone = (d, noise + 0.03 * d)
    stood = (d, 0.06 + 0.04 * d)
    cord_mm = seen.cord_mm or 0.0
    along = (max(0.0, cord_mm - 0.15), noise + 0.05 * d)  # the other lanes go with the cord
    stood_still = (max(0.0, d - _LAG_MM), noise + 0.05 * d)
    stuck = [
        *(  # the slower it feeds, the less the warm glue line holds up the cord
            _Claim((held * d, 0.08 + 0.08 * d), stood_still, along) for held in (0.25, 0.52)
        ),
        *(
            _Claim((0.15 * d, 0.05 + 0.06 * d), (share * d, noise + 0.08 * d), along)
            for share in (0.25, 0.5, 0.75)
        ),
    ]

    hardly_held = _Claim((min(0.12 * d, 0.15 + 0.08 * d), 0.08 + 0.04 * d), stood_still, along)

    healthy = 0.0 if _may_be_healthy(seen, settings) else _NEVER

    def score(
        kinds: tuple[str, ...], *claims: _Claim, lane: int | None = None, odds: float = 1.0
    ) -> _Score:
        total = math.log(odds) + max(_fit(claim, seen, lane) for claim in claims)
        return kinds, lane, total if kinds else total + healthy

    def keeping_up(cord: tuple[float, float], lane: tuple[float, float] | None = None) -> _Claim:
        return _Claim(cord, lane, still, beside=gap)

    yield score((), keeping_up(burst), keeping_up(quiet), odds=_USUAL_ODDS)
    if d >= _SLOW_MM:
        slips = [_all_slow(share, d, noise) for share in (0.06, 0.12, 0.2)]
        yield score((), *slips, odds=_USUAL_ODDS)
    jams = [
        _Claim(stood, None, (max(0.0, d - lag), noise + 0.05 * d), cord_before=_KEPT_UP)
        for lag in (0.0, 0.35)
    ]
    if d >= _CREPT_MM:  # one that creeps: rollers slipped on every strip before it came to stand
        jams += [replace(jam, before=(0.25, 0.25), cord_before=(0.3, 0.1)) for jam in jams]
    yield score((HEAD_JAM,), *jams)
    for odds, shares in ((_SLOW_ODDS, (0.35, 0.5)), (_SLOWER_ODDS, (0.7, 0.85))):
        yield score((HEAD_JAM,), *(_all_slow(share, d, noise) for share in shares), odds=odds)
    yield score((OUTPUT_WHEEL_STUCK,), keeping_up(stood))
    yield score((OUTPUT_WHEEL_DIRTY,), keeping_up((0.6 * d, 0.06 + 0.12 * d)))
    again = _AGAIN_ODDS if seen.lost_steps else 1.0
    yield score((LOST_STEPS,), *_lost_steps(d, noise, settings.four_steps_mm), odds=again)
    for lane, mm in enumerate(seen.lanes_mm):
        if mm is None:
            continue
        yield score((), keeping_up(quiet, gap), lane=lane, odds=_USUAL_ODDS)
        yield score((), keeping_up(burst, gap), lane=lane, odds=_BOTH_ODDS)
        yield score((STRIP_STUCK,), *stuck, lane=lane)
        yield score((STRIP_STUCK,), hardly_held, lane=lane, odds=_HARDLY_ODDS)
        alone = keeping_up(quiet, gone)
        ran_out = seen.ran_out[lane] if seen.ran_out else None
        if ran_out is None:
            yield score((STRIP_OUT, LANE_WHEEL_STUCK), alone, lane=lane)
        else:
            yield score((STRIP_OUT,), alone, lane=lane, odds=ran_out)
            yield score((LANE_WHEEL_STUCK,), alone, lane=lane, odds=1.0 - ran_out)


def _may_be_healthy(seen: Seen, settings: WatchSettings) -> bool:
    """Not where a lane stands and is behind the others by twice what a joint and two pulses make:
    no joint and no burst that comes at the same time explains anything of that. A lane that falls
    behind more slowly is for the slow tests."""
    heard = sorted(mm for mm in seen.lanes_mm if mm is not None)
    if len(heard) < 2 or heard[-1] < _STANDS * seen.fed_mm:
        return True
    pulses_mm = 2.0 * settings.lane_pulse_mm * (1.0 + 3.0 * settings.lane_scatter)
    return heard[-1] - heard[(len(heard) - 1) // 2] < 2.0 * (settings.joint_gap_mm + pulses_mm)


def _all_slow(share: float, d: float, noise: float) -> _Claim:
    """Rollers slip on every strip: a matter for the slow tests, unless they slip as in a jam."""
    return _Claim((share * d, 0.1 + 0.04 * d), None, (share * d, noise + 0.05 * d))


def _lost_steps(d: float, noise: float, four_mm: float) -> Iterator[_Claim]:
    """The infeed stands for four full steps, or for eight, and the cord is drawn on until the
    strips are taut; or it goes on losing, and by the time that the cord is seen to fall behind the
    lanes already did."""
    for most_mm in (four_mm, 2.0 * four_mm):
        lost = min(d, most_mm)
        yield _Claim((max(0.3 * lost, lost - 0.95), 0.1 + 0.05 * d), None, (lost, noise))
    # till then the cord is drawn on
    yield _Claim((d, 0.06 + 0.04 * d), None, (d, noise), (0.95, 0.3), _KEPT_UP)


def _fit(claim: _Claim, seen: Seen, lane: int | None) -> float:
    """Log likelihood of what is seen."""
    total = _log_normal(seen.cord_mm, claim.cord) + _log_normal(seen.before_mm, claim.before)
    total += _log_normal(seen.cord_before_mm, claim.cord_before)
    for number, mm in enumerate(seen.lanes_mm):
        own = claim.lane if number == lane else None
        score = _log_normal(mm, own or claim.others)
        if own is None and claim.beside is not None:
            score = max(score, math.log(_BESIDE_ODDS) + _log_normal(mm, claim.beside))
        total += score
    return total


def _log_normal(mm: float | None, expected: tuple[float, float]) -> float:
    if mm is None:
        return 0.0
    mean, sd = expected
    return max(_WORST, -0.5 * ((mm - mean) / sd) ** 2) - math.log(sd)
