"""What is missing: lengths that should have passed and did not."""

from __future__ import annotations

from collections.abc import Sequence


def expected_length_mm(fed_mm: float, slip: float) -> float:
    """Length that should pass: length fed (mm) less the slip expected (a share of the feed).

    Less what came out as cord, or what a lane passed, it is the feed residual of cord or lane.
    """
    return fed_mm * (1.0 - slip)


def median_mm(lengths_mm: Sequence[float]) -> float:
    """Median of one or more lengths (mm)."""
    ordered = sorted(lengths_mm)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0


def lane_residuals_mm(passed_mm: Sequence[float]) -> list[float]:
    """How far each lane stays behind the median of the other lanes (mm, one a lane).

    Two or more lanes; the lane itself is left out so that with few lanes it cannot hide in its own
    median.
    """
    ordered = sorted(passed_mm)
    half = len(ordered) // 2
    middle = ordered[half]
    if len(ordered) % 2:
        without_lower = (middle + ordered[half + 1]) / 2.0
        without_middle = (ordered[half - 1] + ordered[half + 1]) / 2.0
        without_upper = (ordered[half - 1] + middle) / 2.0
    else:
        without_lower, without_middle, without_upper = middle, ordered[half - 1], ordered[half - 1]
    return [
        (without_lower if mm < middle else without_upper if mm > middle else without_middle) - mm
        for mm in passed_mm
    ]
