"""The steps of a clearing, one to be picked."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from plylane.screens.decide.clearing import StepRow
from plylane.screens.widgets.text import left, line, lines, quiet, right

LABEL, READING, BY = 46, 25, 14
EDGE = 4  # padding and the scrollbar
TWO_LINES_FROM = 26  # rows of the list from which each step has room for what to do


class StepList(OptionList):
    """A step a row; where there is room its instruction stands below it."""

    rows: reactive[tuple[StepRow, ...]] = reactive((), init=False)

    def watch_rows(self, rows: tuple[StepRow, ...]) -> None:
        """Show other rows; the cursor stays where it is."""
        self._fill(rows)

    def on_resize(self) -> None:
        """The texts depend on the size."""
        self._fill(self.rows)

    def _fill(self, rows: tuple[StepRow, ...]) -> None:
        at = self.highlighted
        self.set_options([Option(self._text(row)) for row in rows])
        if rows:
            self.highlighted = min(at or 0, len(rows) - 1)

    def _text(self, row: StepRow) -> Content:
        width = (self.size.width or 80) - EDGE
        wide = width >= LABEL + READING + BY
        label = left(row.label, LABEL if wide else max(8, width - READING))
        by = (" ", row.by) if wide else ()
        first = line(label, right(row.reading, READING), *by)
        if self.size.height < TWO_LINES_FROM:
            return first
        return lines([first, line("      ", left(quiet(row.what), width - 6))])

    @property
    def picked(self) -> StepRow | None:
        """The row that the cursor stands on."""
        at = self.highlighted
        return self.rows[at] if at is not None and at < len(self.rows) else None
