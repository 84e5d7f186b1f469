"""The rules side by side, one to be picked."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.reactive import reactive
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from plylane.screens.decide.tuning import RULE_HEADS, RuleRow, note_line
from plylane.screens.widgets.text import left, line, quiet, right, strong

NAME, WIDTHS = 17, (6, 5, 6, 6, 6, 5, 9, 8)


class RuleTable(Vertical):
    """Head and rows; the rows scroll."""

    rows: reactive[tuple[RuleRow, ...]] = reactive((), init=False)

    def compose(self) -> ComposeResult:
        """Its parts."""
        yield Static(id="rules-head")
        yield OptionList(id="rules", compact=True)
        yield Static(id="rules-note")

    def on_mount(self) -> None:
        """The heads never change."""
        self.set_class(not self.rows, "-empty")
        heads = [right(quiet(head), width) for head, width in zip(RULE_HEADS, WIDTHS, strict=True)]
        self.query_one("#rules-head", Static).update(line("   ", left(quiet("rule"), NAME), *heads))

    def watch_rows(self, rows: tuple[RuleRow, ...]) -> None:
        """Other rows; the same place stays picked."""
        table = self.query_one(OptionList)
        at = table.highlighted
        self.set_class(not rows, "-empty")
        table.clear_options()
        table.add_options([Option(row_line(row)) for row in rows])
        if rows:
            table.highlighted = self._first(rows) if at is None else min(at, len(rows) - 1)

        self._show_note()

    def on_option_list_option_highlighted(self) -> None:
        """Another rule is picked."""
        self._show_note()

    def _show_note(self) -> None:
        at = self.picked
        row = None if at is None else self.rows[at]
        self.query_one("#rules-note", Static).update(line(note_line(row)))

    @staticmethod
    def _first(rows: tuple[RuleRow, ...]) -> int:
        """The row in force, or the suggested one."""
        marks = [row.mark for row in rows]
        return next((marks.index(mark) for mark in ("●", "›") if mark in marks), 0)

    @property
    def picked(self) -> int | None:
        """Number of the picked row."""
        return self.query_one(OptionList).highlighted if self.rows else None


def row_line(row: RuleRow) -> Content:
    """One rule."""
    name = strong(row.name) if row.mark != " " else row.name
    cells = [right(cell, width) for cell, width in zip(row.cells, WIDTHS, strict=True)]
    return line(f"{row.mark} ", left(name, NAME), *cells, "  ", row.note)
