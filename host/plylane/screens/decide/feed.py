"""Feed against output."""

from __future__ import annotations

from dataclasses import dataclass

from plylane.head.registers import TelemetryRegs
from plylane.screens.decide.kinds import Kind, Said, stale_kind
from plylane.trends import Limits


def gauge(value: float, limit: float, width: int) -> str:
    """A scale from -limit to +limit with a mark at the value; beyond it the mark is an arrow.

    It has a middle, so an odd number of characters; none where there is no room for a scale.
    """
    if width < 5:
        return ""
    width -= 1 - width % 2
    cells = ["─"] * width
    middle = width // 2
    cells[0], cells[middle], cells[-1] = "├", "┼", "┤"
    if abs(value) > limit:
        cells[-1 if value > 0 else 0] = "▶" if value > 0 else "◀"
    else:
        cells[middle + round(value / limit * middle)] = "●"
    return "".join(cells)


@dataclass(frozen=True, slots=True)
class FeedView:
    """Feed against output, as shown."""

    feed: Said
    target: Said
    output: Said
    difference: Said
    mismatch: Said
    limit: str
    share: float
    word: Said


def feed_view(now: TelemetryRegs, limits: Limits, stale: bool = False) -> FeedView:
    """Feed and output speed, their difference, and the mismatch against its limit."""
    word = mismatch_word(now.mismatch_mm, limits.mismatch_mm)
    kind = Kind.STALE if stale else word.kind
    return FeedView(
        feed=Said(f"{now.feed_speed_mm_s:.2f}", stale_kind(stale)),
        target=Said(f"{now.feed_target_mm_s:.2f}", stale_kind(stale)),
        output=Said(f"{now.output_speed_mm_s:.2f}", stale_kind(stale)),
        difference=Said(f"{now.feed_speed_mm_s - now.output_speed_mm_s:+.2f}", stale_kind(stale)),
        mismatch=Said(f"{now.mismatch_mm:+.2f}", Kind.NORMAL if kind is Kind.QUIET else kind),
        limit=f"{limits.mismatch_mm:.1f}",
        share=now.mismatch_mm / limits.mismatch_mm,
        word=Said(word.text, kind),
    )


def mismatch_word(mismatch_mm: float, limit_mm: float) -> Said:
    """A word on the mismatch: from half the limit on somebody should look."""
    share = abs(mismatch_mm) / limit_mm
    if share >= 1.0:
        return Said("▲ past limit", Kind.HIGH)
    if share >= 0.5:
        return Said("◆ growing", Kind.MEDIUM)
    return Said("within", Kind.QUIET)
