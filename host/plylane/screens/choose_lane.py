"""Asks for a lane: which one got a strip."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from plylane.feed.lanes import LaneBook
from plylane.head.registers import LANES
from plylane.host_alarms import HostAlarms
from plylane.screens.decide import Said, Strips
from plylane.screens.widgets.text import left, line, quiet, right, strong


class ChooseLane(ModalScreen[int | None]):
    """Returns the lane from 0, or None when given up. A lane is chosen by its number."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(str(k + 1), f"choose({k})", f"Lane {k + 1}") for k in range(LANES)),
        Binding("escape", "dismiss(None)", "None of them"),
    ]

    def __init__(self, book: LaneBook, alarms: HostAlarms) -> None:
        super().__init__()
        self._book, self._strips = book, Strips(book, alarms)

    def compose(self) -> ComposeResult:
        """Title, a line a lane, how to answer."""
        with Vertical(id="dialog"):
            yield Static("Which lane got a strip?", id="dialog-title", markup=False)
            for lane in range(self._book.lanes):
                yield Static(self._row(lane))
            yield Static(
                "Its number chooses a lane, Escape none.", id="entry-problem", markup=False
            )

    def _row(self, lane: int) -> Content:
        strip = self._book.strip(lane)
        behind = f", {strip.behind_mm:.0f} mm behind" if strip.waiting else ""
        word = self._strips.word(lane) or Said("")
        left_mm = f"{max(0.0, strip.left_mm):.0f}"
        return line(
            left(strong(str(lane + 1)), 4), right(left_mm, 6), quiet(f" mm left{behind}  "), word
        )

    def action_choose(self, lane: int) -> None:
        """By key; a lane that is not fitted is none."""
        if lane < self._book.lanes:
            self.dismiss(lane)
