"""The last events and findings, newest at the top."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from plylane.screens.decide import Said
from plylane.screens.widgets.text import left, line, lines


class EventLog(Widget):
    """As many lines as there is room for."""

    entries: reactive[tuple[Said, ...]] = reactive(())

    def render(self) -> Content:
        """What stands there now."""
        width = self.size.width
        shown = self.entries[: max(1, self.size.height)]
        return lines([line(left(entry, width)) for entry in shown])
