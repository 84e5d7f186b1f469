"""What can go wrong while tuning, in one line each."""

from __future__ import annotations


class TuneError(Exception):
    """A step of tuning that could not be done. One line: what stood in the way, and what to do."""


class EndedByUserError(TuneError):
    """Somebody ended the job under way."""
