"""Settings of the detectors."""

from __future__ import annotations

import math

from pydantic import BaseModel, ConfigDict, Field

from plylane.jam.strip_ends import StripEnds


class WatchSettings(BaseModel):
    """Settings of `FeedWatch`; lengths are of strip fed unless said otherwise.

    What a healthy head does to its lengths is stated here, not the thresholds: these follow from it
    and from `false_alarm_hours` (`plylane.jam.limits`).
    """

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    false_alarm_hours: float = Field(default=1000.0, ge=1.0, le=1e6)
    """One false alarm in so many hours of feeding is put up with."""

    confidence: float = Field(default=0.95, gt=0.5, lt=1.0)
    """How likely a cause must be to be named."""

    patience_mm: float = Field(default=4.0, gt=0.0, le=20.0)
    """Length lost since the change after which it is told even if its cause is not clear."""

    nominal_speed_mm_s: float = Field(default=14.0, gt=0.0)
    """Speed at which hours are counted as feed."""

    step_mm: float = Field(default=0.5, gt=0.0, le=5.0)
    """How often lengths are looked at. Half of it is added to the delay on average; a finer step
    costs replay speed."""

    expected_slip: float = Field(default=0.015, ge=0.0, lt=0.5)
    """Slip of the rollers to start from, a share of the feed."""

    usual_mm: float = Field(default=400.0, ge=50.0, le=10_000.0)
    """Feed over which what is usual (slip, dirt, calibration) is learnt."""

    usual_limit: float = Field(default=0.05, ge=0.0, lt=0.5)
    """Most that is ever taken for usual beside the expected slip, a share of the feed. Slip that
    grows more slowly than it is learnt cannot hide behind more than this."""

    joint_gap_mm: float = Field(default=2.0, ge=0.0, le=20.0)
    """Largest gap between two strips at a joint."""

    lane_pulse_mm: float = Field(default=0.5, gt=0.0, le=20.0)
    """Strip length a pulse of a lane wheel."""

    lane_scatter: float = Field(default=0.1, ge=0.0, lt=0.5)
    """Scatter of that spacing, one standard deviation as a share of it."""

    burst_share: float = Field(default=0.3, ge=0.0, lt=0.9)
    """Share of the travel that the output wheel may lose in a short burst of slip."""

    burst_mm: float = Field(default=4.0, gt=0.0, le=100.0)
    """Length of such a burst on average, where lengths are exponentially distributed."""

    four_steps_mm: float = Field(default=1.2566, gt=0.0, le=100.0)
    """Feed that a drive loses when its motor falls one pole pitch, four full steps, behind."""

    strip_end_mm: float = Field(default=3.0, gt=0.0, le=1000.0)
    """How well it is known where a strip ends, one standard deviation: its measuring."""

    strip_end_share: float = Field(default=0.002, ge=0.0, lt=0.5)
    """What the lane wheel's calibration adds to that, a share of the lane's length."""

    strip_ends: tuple[StripEnds, ...] = ()
    """Where strips end, as far as it is known beforehand; a log knows it of the whole run."""

    cold_degC: float = Field(default=5.0, gt=0.0, le=100.0)
    """How far below its setpoint a zone may be while feeding, if it does not rise."""

    def end_sd_mm(self, at_mm: float) -> float:
        """Standard deviation, mm, of where a strip ends that should end at `at_mm` of its lane."""
        return math.hypot(self.strip_end_mm, self.strip_end_share * at_mm)
