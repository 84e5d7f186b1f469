"""What the Calibrate screen looks at and asks for."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from plylane.calibrate_run.settings import Change
from plylane.calibrate_run.sitting import Found, Kind, Sitting
from plylane.tune_run.status import TuneStatus


class CalibrateWork(Protocol):
    """Calibrates the feed of a head; `plylane.calibrate_run.CalibrateRun` is one.

    Methods that begin a job return at once and raise TuneError (CalibrationError is one) when it
    cannot begin. Drives and lengths count from 0.
    """

    @property
    def status(self) -> TuneStatus:
        """What the job is at."""

    @property
    def sitting(self) -> Sitting | None:
        """Lengths being measured."""

    @property
    def found(self) -> Found | None:
        """What was found."""

    @property
    def trouble(self) -> str:
        """Why it must not be written."""

    @property
    def changes(self) -> tuple[Change, ...]:
        """What writing would change."""

    @property
    def written(self) -> Path | None:
        """Record of its writing."""

    def begin_lengths(self, kind: Kind, number: int = 0) -> None:
        """Start anew."""

    def feed_next(self) -> None:
        """Feed the next length."""

    def feed_again(self, number: int | None = None) -> None:
        """Feed that length again, or the one that waits."""

    def measured(self, *lengths_mm: float) -> None:
        """The length of what was fed."""

    def leave_out(self, number: int) -> None:
        """Leave a length out, or take it in again."""

    def measure_slip(self) -> None:
        """Slip against speed."""

    def sweep_ratio(self) -> None:
        """Where strips drag and buckle."""

    def write(self, note: str) -> None:
        """Write what was found."""

    def undo(self) -> None:
        """What stood there before the newest record."""

    def save(self) -> None:
        """Have the head keep it."""

    def stop(self) -> None:
        """End the job under way."""
