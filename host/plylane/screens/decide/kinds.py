"""A text and how it is set off."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Kind(StrEnum):
    """How a text is set off."""

    NORMAL = "normal"
    QUIET = "quiet"
    STRONG = "strong"
    STALE = "stale"
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class Said(NamedTuple):
    """A text and how it is set off."""

    text: str
    kind: Kind = Kind.NORMAL


def stale_kind(stale: bool) -> Kind:
    """How a normal value is set off when it may be old."""
    return Kind.STALE if stale else Kind.NORMAL


class WorkKey(NamedTuple):
    """A key of a work screen (Tune, Calibrate), its word and its action."""

    key: str
    word: str
    action: str
