"""Calibrating a head's feed: lengths fed and measured, results written and undone."""

from plylane.calibrate_run.feeding import Fed, InForce
from plylane.calibrate_run.record_file import (
    FOLDER,
    CalibrationRecord,
    read_record,
    read_records,
)
from plylane.calibrate_run.run import CalibrateRun
from plylane.calibrate_run.settings import Change
from plylane.calibrate_run.sitting import Found, Kind, Reading, Sitting, found_json

__all__ = [
    "FOLDER",
    "CalibrateRun",
    "CalibrationRecord",
    "Change",
    "Fed",
    "Found",
    "InForce",
    "Kind",
    "Reading",
    "Sitting",
    "found_json",
    "read_record",
    "read_records",
]
