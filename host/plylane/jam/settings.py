"""Settings of the detectors."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class WatchSettings(BaseModel):
    """Settings of `FeedWatch`; lengths are of strip fed unless said otherwise.

    The thresholds stand above what a healthy head can lose for good in one go and below the head's
    own hard limits (8 mm of mismatch, 12 mm of a standing lane wheel): up to 0.8 mm of slack taken
    up, two pulses of a lane wheel (0.5 mm each), a joint's gap of up to 2 mm passing the wheel, the
    output wheel's run-out (0.2 mm) and its bursts of slip.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    step_mm: float = Field(default=1.5, gt=0.0, le=20.0)
    """How often the sums are brought up to date. Half of it is added to the delay on average; a
    finer step costs replay speed."""

    expected_slip: float = Field(default=0.015, ge=0.0, lt=0.5)
    """Slip of the rollers to start from, a share of the feed."""

    baseline_mm: float = Field(default=400.0, gt=0.0)
    """Length over which slow drift (slip, dirt, calibration) is learnt."""

    baseline_limit: float = Field(default=0.015, ge=0.0, lt=0.5)
    """Most that is ever taken for drift, a share of the feed. A jam that creeps in slower than it
    is learnt cannot hide behind more than this."""

    lane_allowance: float = Field(default=0.03, gt=0.0, lt=1.0)
    """Share of the feed that a lane may fall behind the others unnoticed: an outer lane in a curve
    of 45 mm radius loses 1 mm in 45 mm of cord (2.2 %)."""

    lane_threshold_mm: float = Field(default=4.5, gt=0.0)
    """Length beyond the allowance at which a lane counts as stuck."""

    feed_allowance: float = Field(default=0.02, gt=0.0, lt=1.0)
    """Share of the feed that cord and lanes may fall behind the feed unnoticed."""

    feed_threshold_mm: float = Field(default=4.0, gt=0.0)
    """Length beyond the allowance at which the head counts as jammed when cord and lanes agree."""

    lane_sign_mm: float = Field(default=2.0, gt=0.0)
    """A lane that fell behind the others by this much while the whole head fell behind the feed is
    taken for the cause: a whole pulse more than slack and pulses of two lanes account for."""

    undecided_threshold_mm: float = Field(default=6.5, gt=0.0)
    """The same for cord alone, while no lane shows why."""
