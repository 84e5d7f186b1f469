"""Findings of one run under two settings: which are the same, which are gone, which are new."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from plylane.jam import Finding

NEAR_S = 10.0
"""Two findings of one kind in one lane are the same one if decided no further apart."""
SAME, GONE, NEW = "same", "gone", "new"


@dataclass(frozen=True, slots=True)
class Compared:
    """A finding before, after, or both. Numbers count from 0 in their own lists."""

    before: int | None
    after: int | None

    @property
    def change(self) -> str:
        """same, gone or new."""
        if self.after is None:
            return GONE
        return NEW if self.before is None else SAME

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes."""
        return {"change": self.change, "before": self.before, "after": self.after}


def compare(before: Sequence[Finding], after: Sequence[Finding]) -> list[Compared]:
    """Every finding of both lists once, in order of time. The nearest in time belong together."""
    near = sorted(_near(before, after))
    partner: dict[int, int] = {}
    taken: set[int] = set()
    for _, a, b in near:
        if a not in partner and b not in taken:
            partner[a] = b
            taken.add(b)
    rows = [Compared(a, partner.get(a)) for a in range(len(before))]
    rows += [Compared(None, b) for b in range(len(after)) if b not in taken]
    return sorted(rows, key=lambda row: time_of(row, before, after))


def _near(before: Sequence[Finding], after: Sequence[Finding]) -> Iterator[tuple[float, int, int]]:
    """Pairs that may be the same: how far apart in time, and their numbers."""
    alike: dict[tuple[str, int | None], list[tuple[float, int]]] = {}
    for b, one in enumerate(after):
        alike.setdefault((one.kind, one.lane), []).append((one.time_s, b))
    for times in alike.values():
        times.sort()
    for a, one in enumerate(before):
        others = alike.get((one.kind, one.lane), [])
        first = bisect_left(others, (one.time_s - NEAR_S, -1))
        for time_s, b in others[first : bisect_right(others, (one.time_s + NEAR_S, len(after)))]:
            yield abs(time_s - one.time_s), a, b


def time_of(row: Compared, before: Sequence[Finding], after: Sequence[Finding]) -> float:
    """When it was decided: after, else before."""
    if row.after is not None:
        return after[row.after].time_s
    assert row.before is not None  # a row has one of both
    return before[row.before].time_s
