"""A row a zone: PV, SP, OP and a word."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from plylane.screens.decide import ZoneRow
from plylane.screens.widgets.text import left, line, lines, quiet, right


class ZoneTable(Widget):
    """The zones fitted."""

    rows: reactive[tuple[ZoneRow, ...]] = reactive(())

    def watch_rows(self, old: tuple[ZoneRow, ...], new: tuple[ZoneRow, ...]) -> None:
        """New figures need no new layout, only another number of rows does."""
        if len(old) != len(new):
            self.styles.height = len(new) + 1

    def render(self) -> Content:
        """What stands there now."""
        head = line(
            left(quiet("zone"), 7),
            right(quiet("PV °C"), 7),
            right(quiet("SP °C"), 7),
            right(quiet("OP %"), 6),
        )
        return lines([head, *(self._row(row) for row in self.rows)])

    def _row(self, row: ZoneRow) -> Content:
        return line(
            left(row.name, 7),
            right(row.pv, 7),
            right(row.sp, 7),
            right(row.op, 6),
            " ",
            left(row.word, 12),
        )
