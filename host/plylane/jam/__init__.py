"""Jams: what is missing, when it began, in which lane. Arrays and values in, findings out."""

from plylane.jam.finding import Finding
from plylane.jam.lengths import columns_needed, columns_used
from plylane.jam.settings import WatchSettings
from plylane.jam.strip_ends import StripEnds
from plylane.jam.watch import FeedWatch

__all__ = ["FeedWatch", "Finding", "StripEnds", "WatchSettings", "columns_needed", "columns_used"]
