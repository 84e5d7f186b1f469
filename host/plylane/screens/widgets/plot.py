"""A plot with a title on its frame."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from textual.app import ComposeResult
from textual.containers import Container
from textual.widgets import Static
from textual_plot import AxisFormatter, HiResMode, PlotWidget

from plylane.screens.pictures import Curve, Pattern, Picture
from plylane.trends import FloatArray


class _Words(AxisFormatter):
    """Labels that somebody else has chosen."""

    def __init__(self) -> None:
        self.labels: dict[float, str] = {}

    def get_ticks(self, min_: float, max_: float, max_ticks: int = 8) -> list[float]:
        return list(self.labels)

    def get_labels_for_ticks(self, ticks: Sequence[float]) -> list[str]:
        return [self.labels[tick] for tick in ticks]


class Curves(PlotWidget, can_focus=False):
    """Draws a picture; the last one again when the theme changes."""

    MARGIN_LEFT = 11

    def __init__(self, *, x_axis: bool = True) -> None:
        super().__init__(allow_pan_and_zoom=False)
        self._x_words, self._y_words = _Words(), _Words()
        self.set_reactive(PlotWidget.margin_top, 0)
        self.set_reactive(PlotWidget.margin_bottom, 1 if x_axis else 0)
        self.set_reactive(PlotWidget.margin_left, self.MARGIN_LEFT)
        self._picture: Picture | None = None

    def on_mount(self) -> None:
        """Our words on the axes."""
        super().on_mount()
        self.set_x_formatter(self._x_words)
        self.set_y_formatter(self._y_words)
        self.app.theme_changed_signal.subscribe(self, lambda _: self._redraw())

    @property
    def columns(self) -> int:
        """Cells across, inside the frame."""
        return max(1, self.size.width - self.MARGIN_LEFT - 2)

    @property
    def rows(self) -> int:
        """Cells down, inside the frame."""
        return max(1, self.size.height - int(self.margin_bottom) - 2)

    def show(self, picture: Picture) -> None:
        """Draw it."""
        self._picture = picture
        self._redraw()

    def _redraw(self) -> None:
        picture = self._picture
        if picture is None:
            return
        self.clear()
        for curve in picture.curves:
            self._add(curve, picture)
        start, end = picture.x_range
        for mark in (m for m in picture.marks if start <= m.time_s <= end):
            self.add_v_line(mark.time_s, line_style=self._colour(mark.colour))
        self._x_words.labels, self._y_words.labels = picture.x_labels, picture.y_labels
        self.set_xlimits(*picture.x_range)
        self.set_ylimits(*picture.y_range)

    def _add(self, curve: Curve, picture: Picture) -> None:
        if not len(curve.time_s):
            return
        style = self._colour(curve.colour)
        if curve.pattern is Pattern.LINE:
            self.plot(curve.time_s, curve.values, style, hires_mode=HiResMode.BRAILLE)
            return
        if curve.pattern is Pattern.POINTS:
            self.scatter(curve.time_s, curve.values, marker="●", marker_style=style)
            return
        every = 1 if curve.pattern is Pattern.DOTS else 3
        dots = dotted(curve, picture, max(2, self.columns // every))
        self.scatter(*dots, marker_style=style, hires_mode=HiResMode.BRAILLE)

    def _colour(self, variable: str) -> str:
        return self.app.theme_variables[variable]


def dotted(curve: Curve, picture: Picture, dots: int) -> tuple[FloatArray, FloatArray]:
    """The curve at evenly spaced times of the picture, where it lies inside it."""
    at = np.linspace(*picture.x_range, dots)
    at = at[(at >= curve.time_s[0]) & (at <= curve.time_s[-1])]
    values = np.interp(at, curve.time_s, curve.values)
    inside = (values >= picture.y_range[0]) & (values <= picture.y_range[1])
    return at[inside], values[inside]


class Plot(Container):
    """Curves with their title set into the frame's upper edge."""

    def __init__(self, *, x_axis: bool = True, id: str | None = None) -> None:
        super().__init__(id=id)
        self.curves = Curves(x_axis=x_axis)
        self._title = Static(classes="plot-title", markup=False)

    def compose(self) -> ComposeResult:
        """Its parts."""
        yield self.curves
        yield self._title

    def show(self, picture: Picture) -> None:
        """Draw it and set the title."""
        title = f" {picture.title} "
        if self._title.content != title:
            self._title.update(title)
        self.curves.show(picture)
