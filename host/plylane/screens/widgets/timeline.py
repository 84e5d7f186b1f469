"""The run as a strip: bands of states, findings marked above them, the cursor between."""

from __future__ import annotations

from dataclasses import dataclass

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from plylane.curves import Band
from plylane.jam.finding import Finding
from plylane.screens.decide import Kind, Said, state_kind
from plylane.screens.theme import FILLED, STYLES
from plylane.screens.timeline import View, band_cells, finding_marks
from plylane.screens.widgets.plot import Curves
from plylane.screens.widgets.text import left, line, lines, quiet

_LEFT = Curves.MARGIN_LEFT + 1  # so that bands and curves stand under each other


@dataclass(frozen=True, slots=True)
class Strip:
    """What the timeline shows."""

    bands: tuple[Band, ...]
    findings: tuple[Finding, ...]
    view: View
    cursor_s: float
    gone: tuple[Finding, ...] = ()


class Timeline(Widget):
    """Two lines: marks and cursor, then the states."""

    strip: reactive[Strip | None] = reactive(None)

    def render(self) -> Content:
        """Marks over bands."""
        strip, width = self.strip, self.size.width - _LEFT - 1
        if strip is None or width < 4:
            return Content("")
        return lines([self._marks(strip, width), self._bands(strip, width)])

    def _marks(self, strip: Strip, width: int) -> Content:
        marks = finding_marks(strip.findings, strip.view, width, strip.gone)
        parts = [Said(c, Kind.MEDIUM) for c in marks]
        at = strip.view.cell(strip.cursor_s, width)
        if at is not None:
            symbol = "▼" if parts[at].text == " " else parts[at].text
            parts[at] = Said(symbol, Kind.STRONG)
        return line(left(quiet(" findings"), _LEFT), *parts)

    def _bands(self, strip: Strip, width: int) -> Content:
        pieces = [
            Content.styled(text, _band_style(state_kind(state), k))
            for k, (text, state) in enumerate(band_cells(strip.bands, strip.view, width))
        ]
        return Content.assemble(line(left(quiet(" state"), _LEFT)), *pieces)


def _band_style(kind: Kind, place: int) -> str:
    """Neighbours differ in grey, so that borders show between normal states too."""
    if kind in FILLED:
        return FILLED[kind]
    return f"{STYLES[Kind.NORMAL]} on {'$band-a' if place % 2 else '$band-b'}"
