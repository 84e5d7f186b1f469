"""Feed and output speed, their difference, and the mismatch on its scale."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from plylane.screens.decide import FeedView, Kind, Said, gauge
from plylane.screens.widgets.text import left, line, lines, quiet, right

_LABEL, _NUMBER, _GAUGE, _WORD = 9, 7, 9, 15


class FeedTable(Widget):
    """Three lines."""

    view: reactive[FeedView | None] = reactive(None)

    def render(self) -> Content:
        """What stands there now."""
        view = self.view
        if view is None:
            return line(quiet("feed     -"))
        return lines(
            [
                _speed_line("feed", view.feed, "wanted  ", view.target),
                _speed_line("output", view.output, "apart ", view.difference),
                self._mismatch(view),
            ]
        )

    def _mismatch(self, view: FeedView) -> Content:
        limit = f" of {view.limit} mm "
        head = (_label("mismatch"), right(view.mismatch, _NUMBER), quiet(limit))
        room = self.size.width - _LABEL - _NUMBER - len(limit)
        both = room >= _GAUGE + _WORD
        if view.word.kind in (Kind.MEDIUM, Kind.HIGH) and not both:
            return line(*head, " ", view.word)
        width = min(31, room - _WORD if both else room - 1)
        scale = quiet(gauge(view.share, 1.0, width))
        return line(*head, scale, "  ", view.word) if both else line(*head, scale)


def _label(text: str) -> Content:
    return line(left(quiet(text), _LABEL))


def _speed_line(label: str, speed: Said, other: str, number: Said) -> Content:
    return line(_label(label), right(speed, _NUMBER), quiet(f" mm/s  {other}"), number)
