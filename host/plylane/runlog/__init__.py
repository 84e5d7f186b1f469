"""Run logs: recording, reading after any end, replaying, exporting."""

from plylane.runlog.continuity import Break, Continuity
from plylane.runlog.errors import RunError
from plylane.runlog.export import export
from plylane.runlog.info import RunEnd, RunInfo
from plylane.runlog.journal import Entry
from plylane.runlog.reader import Run
from plylane.runlog.recorder import Recorder

__all__ = [
    "Break",
    "Continuity",
    "Entry",
    "Recorder",
    "Run",
    "RunEnd",
    "RunError",
    "RunInfo",
    "export",
]
