"""What can go wrong while calibrating, in one line each."""

from __future__ import annotations

from plylane.tune_errors import TuneError


class CalibrationError(TuneError):
    """A step of calibration that could not be done: what stood in the way, and what to do.

    A TuneError because the same engine runs both and ends a job on it.
    """
