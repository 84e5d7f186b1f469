"""What can go wrong in long work: kept apart so that the command line need not load it."""

from __future__ import annotations


class ParallelError(Exception):
    """The work cannot be spread or kept: no cluster there, a file that cannot be written."""


class StudyError(Exception):
    """A case of the study did not go as its script has it; the message names the case."""
