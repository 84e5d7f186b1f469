"""A plot of the last minutes, drawn from the ring at its own slow rate."""

from __future__ import annotations

from textual.reactive import reactive

from plylane.screens.pictures import Topic, back_labels, draw, fetch_trends
from plylane.screens.widgets.plot import Plot
from plylane.trends import Trends


class TrendPlot(Plot):
    """One topic over the last `span_s`."""

    topic: reactive[Topic] = reactive(Topic.TEMPERATURE, init=False)

    def __init__(self, topic: Topic, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.set_reactive(TrendPlot.topic, topic)
        self._drawn: tuple[object, ...] = ()

    def draw(self, trends: Trends, zones: int, limit_mm: float, span_s: float) -> None:
        """Draw again when there is something new to see; costs nothing when hidden."""
        curves = self.curves
        if not self.display or not curves.size:
            return
        now = (self.topic, trends.last_s(), span_s, curves.size, limit_mm, zones)
        if now == self._drawn:
            return
        self._drawn = now
        fetch = fetch_trends(trends, span_s, 2 * curves.columns)
        x_range, x_labels = (-span_s, 0.0), back_labels(span_s)
        self.show(draw(self.topic, fetch, zones, curves.rows, limit_mm, x_range, x_labels))
