"""A row a lane: position, difference from the median lane, a word."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from plylane.screens.decide import LaneRow, gauge
from plylane.screens.widgets.text import left, line, lines, quiet, right

_SCALE = 17


class LaneTable(Widget):
    """The lanes fitted; where there is room the difference is on a scale too."""

    rows: reactive[tuple[LaneRow, ...]] = reactive(())
    limit_mm: reactive[float] = reactive(12.0)

    def watch_rows(self, old: tuple[LaneRow, ...], new: tuple[LaneRow, ...]) -> None:
        """New figures need no new layout, only another number of rows does."""
        if len(old) != len(new):
            self.styles.height = len(new) + 1

    def render(self) -> Content:
        """What stands there now."""
        head = line(left(quiet("lane"), 5), right(quiet("mm"), 9), right(quiet("from median"), 12))
        return lines([head, *(self._row(row) for row in self.rows)])

    def _row(self, row: LaneRow) -> Content:
        scale: tuple[Content, ...] = ()
        if self.size.width >= 26 + _SCALE + 2 + 11:
            scale = (line("  ", quiet(gauge(row.away_mm, self.limit_mm, _SCALE))),)
        return line(
            left(row.name, 5),
            right(row.position, 9),
            right(row.away, 12),
            *scale,
            "  ",
            left(row.word, 9),
        )
