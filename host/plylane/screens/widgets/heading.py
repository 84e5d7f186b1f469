"""The top line: what is being made, who answers, how the link does."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from plylane.screens.decide import Said
from plylane.screens.widgets.text import cut, left, line, quiet, strong


class Heading(Widget):
    """Title to the left, then the head, link at the right end."""

    title: reactive[str] = reactive("")
    detail: reactive[str] = reactive("")
    status: reactive[Said] = reactive(Said(""))

    def render(self) -> Content:
        """What stands there now."""
        width = self.size.width
        status = Said(cut(self.status.text, width - 12), self.status.kind)
        room = width - len(status.text) - 2
        title = cut(self.title, room)
        detail = left(quiet(f"  {self.detail}" if self.detail else ""), max(0, room - len(title)))
        return line(strong(title), detail, "  ", status)
