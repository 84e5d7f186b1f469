"""What can go wrong with a job on a head, in one line each."""

from __future__ import annotations


class JobError(Exception):
    """A job of an engine, of tuning or calibration, that could not be seen through."""


class TuneError(JobError):
    """A step of tuning that could not be done. One line: what stood in the way, and what to do."""


class EndedByUserError(TuneError):
    """Somebody ended the job under way."""
