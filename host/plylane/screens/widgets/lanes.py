"""A row a lane: position, strip left, difference from the other lanes, a word."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from plylane.screens.decide import LaneRow, Said, gauge
from plylane.screens.widgets.text import left, line, lines, quiet, right

_NUMBER, _SCALE, _SCALE_LEAST, _WORD = 9, 17, 9, 10


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
        away = "vs expected" if self._strips else "from median"
        columns = [quiet(name) for name in self._names()]
        head = line(left(quiet("lane"), 5), *(right(c, _NUMBER) for c in columns))
        return lines([line(head, right(quiet(away), 12)), *(self._row(row) for row in self.rows)])

    @property
    def _strips(self) -> bool:
        return any(row.left is not None for row in self.rows)

    @property
    def _wide(self) -> bool:
        return self.size.width >= 5 + 2 * _NUMBER + 12 + _SCALE_LEAST + 2 + _WORD

    def _names(self) -> tuple[str, ...]:
        """The columns of lengths: where there is little room, what is left tells more."""
        if not self._strips:
            return ("mm",)
        return ("mm", "left mm") if self._wide else ("left mm",)

    def _row(self, row: LaneRow) -> Content:
        lengths = {"mm": row.position, "left mm": row.left or Said("-")}
        names = self._names()
        room = self.size.width - 5 - len(names) * _NUMBER - 12 - 2 - 2 - _WORD
        scale: tuple[Content, ...] = ()
        if room >= _SCALE_LEAST:
            width = min(_SCALE, room)
            scale = (line("  ", quiet(gauge(row.away_mm, self.limit_mm, width))),)
        return line(
            left(row.name, 5),
            *(right(lengths[name], _NUMBER) for name in names),
            right(row.away, 12),
            *scale,
            "  ",
            left(row.word, _WORD),
        )
