"""How figures look: greys, and three colours that differ for every kind of colour vision.

Blue, orange and violet keep apart in lightness too, and no figure tells things apart by colour
alone: line style, hatching or a label on the line says the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import StringIO
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

INK, QUIET, RULE, HATCH, PALE, WASH = (
    "#22272b",
    "#69727a",
    "#b9bfc4",
    "#d3d8db",
    "#eef0f1",
    "#d6e8f1",
)
BLUE, ORANGE, VIOLET = "#1f6690", "#c8641c", "#6d4a8c"

Margins = tuple[float, float, float, float]

STYLE: dict[Any, Any] = {  # Any: the library's list of names changes between versions
    "font.size": 9.5,
    "font.family": "sans-serif",
    "text.color": INK,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.titlesize": 10.5,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "hatch.linewidth": 0.4,
    "legend.frameon": False,
    "svg.hashsalt": "plylane",  # the same figure is the same file
}


def new_figure(width_in: float, height_in: float, columns: int = 1) -> tuple[Figure, list[Axes]]:
    """A figure of its own, known to no window, with axes side by side. Call within `STYLE`."""
    figure = Figure(figsize=(width_in, height_in), layout="constrained", facecolor="white")
    axes = figure.subplots(1, columns, sharey=True, squeeze=False)
    return figure, list(axes[0])


def new_rows(
    width_in: float, heights_in: Sequence[float], margins_in: Margins | None = None
) -> tuple[Figure, list[Axes]]:
    """A figure with axes one above the other along the same time. Call within `STYLE`.

    With margins (left, below, right, above) figures have their axes in the same place; without,
    as much room is left as the labels take.
    """
    _, below, _, above = margins_in or (0.0, 0.0, 0.0, 0.0)
    height_in = sum(heights_in) + below + above
    layout = "constrained" if margins_in is None else "none"
    figure = Figure((width_in, height_in), layout=layout, facecolor="white")  # type: ignore[arg-type]
    axes = figure.subplots(
        len(heights_in), 1, sharex=True, squeeze=False, height_ratios=list(heights_in)
    )
    if margins_in is not None:
        figure.subplots_adjust(
            left=margins_in[0] / width_in,
            bottom=below / height_in,
            right=1.0 - margins_in[2] / width_in,
            top=1.0 - above / height_in,
            hspace=0.25,
        )
    return figure, [row[0] for row in axes]


def to_svg(figure: Figure) -> str:
    """The figure as an SVG document."""
    out = StringIO()
    with mpl.rc_context(STYLE):
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
