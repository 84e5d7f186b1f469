"""The link to the head."""

from __future__ import annotations

from plylane.screens.decide.kinds import Kind, Said
from plylane.screens.source import LinkStatus


def link_says(link: LinkStatus, pace: float) -> Said:
    """Link and pace, for the top line."""
    if not link.connected:
        return Said(f"✕ no link: {link.text}", Kind.HIGH)
    times = "" if pace == 1.0 else f"  × {pace:g} real time"
    return Said(f"link {link.polls_per_s:.0f}/s{times}", Kind.QUIET)
