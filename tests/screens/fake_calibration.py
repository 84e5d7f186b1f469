"""An invented calibration for the Calibrate screen: lengths of a press roller, no head, no twin."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from plylane.calibrate_run import Change, Fed, Found, InForce, Reading, Sitting
from plylane.calibrate_run.sitting import ratio_changes, slip_changes
from plylane.feed.calibration import CalibrationError, Gauge, find_ratio, find_slip
from plylane.tune_run import TuneStatus

IN_FORCE = InForce((50929.58,) * 3, (0.0,) * 3, 0.05, (0.5,) * 5, 0.015, 40.0, 40.0)
PLAN = (188.5, 439.8, 188.5, 439.8, 314.2, 314.2)
READ = (188.0, 439.0, 188.5, 439.5, 314.0, 313.5)


def fed(length_mm: float) -> Fed:
    pulses = round(50.92958 * length_mm)
    laid = round(length_mm * 0.985 / 0.05)
    lanes = tuple(round(length_mm * 0.985 / 0.5) + k % 2 for k in range(5))
    return Fed(length_mm, 15.0, (0, pulses, 0), laid, lanes, (0.5,) * 5)


def sitting(kind: Any = "drive", read: tuple[float, ...] = READ) -> Sitting:
    scale = 1.0 if kind == "drive" else 0.985
    readings = tuple(
        Reading(fed(length), (scale * one,)) for length, one in zip(PLAN, read, strict=False)
    )
    return Sitting(kind, 1, Gauge(), IN_FORCE, PLAN, readings=readings)


@dataclass
class FakeCalibration:
    """Notes down what it is asked for; refuses when told to."""

    status: TuneStatus = field(default_factory=TuneStatus)
    sitting: Sitting | None = None
    found: Found | None = None
    trouble: str = ""
    changes: tuple[Change, ...] = ()
    written: Path | None = None
    refusal: str = ""
    asked: list[tuple[Any, ...]] = field(default_factory=list)

    def _note(self, *what: Any) -> None:
        if self.refusal:
            raise CalibrationError(self.refusal)
        self.asked.append(what)

    def begin_lengths(self, kind: Any, number: int = 0) -> None:
        self._note("begin", kind, number)

    def feed_next(self) -> None:
        self._note("feed")

    def feed_again(self, number: int | None = None) -> None:
        self._note("again", number)

    def measured(self, *lengths_mm: float) -> None:
        self._note("measured", *lengths_mm)

    def leave_out(self, number: int) -> None:
        self._note("leave out", number)

    def measure_slip(self) -> None:
        self._note("slip")

    def sweep_ratio(self) -> None:
        self._note("ratio")

    def write(self, note: str) -> None:
        self._note("write", note)

    def undo(self) -> None:
        self._note("undo")

    def save(self) -> None:
        self._note("save")

    def stop(self) -> None:
        self._note("stop")


def fresh() -> FakeCalibration:
    """Nothing begun."""
    return FakeCalibration()


def to_feed() -> FakeCalibration:
    """Two lengths measured, the third to be fed."""
    return FakeCalibration(sitting=sitting(read=READ[:2]), status=TuneStatus(text="Ready."))


def feeding() -> FakeCalibration:
    """The third is being fed."""
    status = TuneStatus("feed", 0, "Feeding length 3 of 6, 188.5 mm.", 6.0, None, 0.4)
    return replace_status(to_feed(), status)


def waiting() -> FakeCalibration:
    """Its length is waited for."""
    fake = to_feed()
    assert fake.sitting is not None
    fake.sitting = replace(fake.sitting, waiting=fed(188.5))
    fake.status = TuneStatus(text="Fed length 3 of 6: measure it, about 188 mm.")
    return fake


def replace_status(fake: FakeCalibration, status: TuneStatus) -> FakeCalibration:
    fake.status = status
    return fake


def complete(kind: Any = "drive", read: tuple[float, ...] = READ) -> FakeCalibration:
    """All measured and judged."""
    now = sitting(kind, read)
    found = now.find()
    return FakeCalibration(
        sitting=now, found=found, trouble=now.misread(found), changes=now.changes(found)
    )


def misread() -> FakeCalibration:
    """The fourth length read 10 mm too long."""
    return complete(read=(*READ[:3], READ[3] + 10.0, *READ[4:]))


def in_force() -> FakeCalibration:
    """Written."""
    fake = complete()
    fake.written = Path("calibrations/20260101-101500-drive-2-press.toml")
    fake.status = TuneStatus(text=f"In force: {fake.changes[0].text}.")
    return fake


def slip() -> FakeCalibration:
    """Slip against speed."""
    rng = np.random.default_rng(5)
    speeds = np.tile([4.9, 13.9, 22.7, 9.1, 18.7], 3)
    slips = 0.015 * (1.0 + 0.3 * (speeds / 14.0 - 1.0)) + 0.0008 * rng.standard_normal(15)
    found = find_slip(
        speeds, [251.2] * 15, 251.2 * (1.0 - slips), at_mm_s=14.0, mm_per_count=0.05, scale_u=9e-4
    )
    return FakeCalibration(found=found, changes=slip_changes(IN_FORCE, found))


def ratio() -> FakeCalibration:
    """A sweep of the ratio."""
    rng = np.random.default_rng(6)
    ratios = np.tile(np.arange(-48_000.0, 24_001.0, 6_000.0), 4)
    slack = 0.55 * np.clip((ratios + 24_500.0) / 24_500.0, 0.0, 1.0)
    seen = 0.1 * np.round(10.0 * (slack + 0.08 * rng.standard_normal(len(ratios))).clip(0.0))
    found = find_ratio(ratios, seen)
    return FakeCalibration(found=found, changes=ratio_changes(IN_FORCE, found))
