"""Calibration: lengths and counts in, scales with uncertainty out (docs/calibration.md).

Apart from the package, which lanes and joints need without scipy.
"""

from plylane.feed.errors import CalibrationError
from plylane.feed.line_fit import Misread, find_misread, fit_line
from plylane.feed.ratio import RatioFound, find_ratio
from plylane.feed.scale import (
    DRIVE,
    LANE_WHEEL,
    LEAST_LENGTHS,
    OUTPUT_WHEEL,
    Counter,
    Gauge,
    Scale,
    check_length,
    find_scale,
    misread_text,
)
from plylane.feed.slip import SlipFound, find_slip, mean_speed
from plylane.feed.uncertainty import Budget, Part, coverage_factor

__all__ = [
    "DRIVE",
    "LANE_WHEEL",
    "LEAST_LENGTHS",
    "OUTPUT_WHEEL",
    "Budget",
    "CalibrationError",
    "Counter",
    "Gauge",
    "Misread",
    "Part",
    "RatioFound",
    "Scale",
    "SlipFound",
    "check_length",
    "coverage_factor",
    "find_misread",
    "find_ratio",
    "find_scale",
    "find_slip",
    "fit_line",
    "mean_speed",
    "misread_text",
]
