"""Thresholds of the tests: what a healthy head can do at most, and a margin for one false alarm in
so many hours.

What is bounded (a joint's gap, a wheel's resolution, a bend) goes in as its bound. What wanders
(drag, slip, run-out) gets Siegmund's threshold for the wanted run length; how far it wanders is
measured on the twin, docs/jams.md says how. All tests share the false alarms evenly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from plylane.jam.residual import MM, PPM
from plylane.jam.settings import WatchSettings
from plylane.jam.thresholds import length_threshold_mm

TESTS = 6
_ABRUPT = 0.10  # share of the feed that a lane may fall behind unnoticed by the quick tests
_SHARP = 0.05  # beside the burst, the same for the cord
_CURVE_MM = 1.0  # what the outermost lane loses in a bend beyond the slowest test's allowance
CREEP = (0.05, 0.012)
"""Allowances of the two creep tests: together they are the likelihood ratio for a slip that is not
known, each within a few percent of the best for slips about twice its allowance."""
_WANDER_MM = 0.10
_WHEEL_WANDER_MM = 0.155
_PER_MM = 10.0
"""How far a residual wanders over ten millimetres of feed. From the tails of the sums on a healthy
twin, which fall off by e in `wander^2 / (2 allowance per_mm)`: so what is counted is what adds up,
not the noise of a single reading."""
_WHEEL_ALLOWANCE = 0.01
_WHEEL_CLIP = 0.03


def _sums(mm: float) -> int:
    return round(mm * MM)


@dataclass(frozen=True, slots=True)
class Limits:
    """Allowances in ppm of the feed, thresholds in the unit of the sums (a ppm of a micrometre)."""

    lane_ppm: int
    cord_ppm: int
    lane_stands: int
    lanes_stand: int
    lanes_mean: int
    lane_sign: int
    cord_sign: int
    cord_stands: int
    ahead: int
    creep_ppm: tuple[int, ...]
    creep: tuple[int, ...]
    creep_lane: tuple[int, ...]
    wheel_ppm: int
    wheel_clip_ppm: int
    wheel: int
    wander_per_mm: float
    """How far a share lost wanders over a millimetre of feed, one standard deviation."""

    @classmethod
    def of(cls, settings: WatchSettings, lanes: int) -> Limits:
        """The limits that follow from the settings, for a head with so many lanes."""
        # fewer lanes than the five that were measured: their common part wanders more
        wander_mm, wheel_mm = (
            mm * math.sqrt(max(1.0, 5.0 / max(1, lanes))) for mm in (_WANDER_MM, _WHEEL_WANDER_MM)
        )
        pulse_mm = settings.lane_pulse_mm * (1.0 + 3.0 * settings.lane_scatter)
        # the sign of a lane: standing for longer than a pulse and the step may take
        sign_mm = pulse_mm + settings.step_mm / 4.0
        stands_mm = (settings.joint_gap_mm + pulse_mm) * (1.0 - _ABRUPT) + settings.step_mm
        margins = [_margin_mm(allowance, wander_mm, settings) for allowance in CREEP]
        gap_mm = settings.joint_gap_mm
        return cls(
            lane_ppm=round(_ABRUPT * PPM),
            cord_ppm=round((settings.burst_share + _SHARP) * PPM),
            lane_stands=_sums(stands_mm),
            lanes_stand=_sums(sign_mm + 0.15),
            lanes_mean=_sums(0.6 * settings.four_steps_mm),
            lane_sign=_sums(sign_mm),
            cord_sign=_sums(0.25),
            cord_stands=_sums(0.9),
            ahead=_sums(3.0),
            creep_ppm=tuple(round(a * PPM) for a in CREEP),
            creep=tuple(_sums(pulse_mm * 0.7 + margin) for margin in margins),
            creep_lane=tuple(
                _sums(gap_mm + pulse_mm + curve_mm + margin)
                for margin, curve_mm in zip(margins, (0.0, _CURVE_MM), strict=True)
            ),
            wheel_ppm=round(_WHEEL_ALLOWANCE * PPM),
            wheel_clip_ppm=round(_WHEEL_CLIP * PPM),
            wheel=_sums(_margin_mm(_WHEEL_ALLOWANCE, wheel_mm, settings)),
            wander_per_mm=wander_mm / math.sqrt(_PER_MM),
        )


def _margin_mm(allowance: float, wander_mm: float, settings: WatchSettings) -> float:
    hours = settings.false_alarm_hours * TESTS
    return length_threshold_mm(allowance, wander_mm, _PER_MM, hours, settings.nominal_speed_mm_s)
