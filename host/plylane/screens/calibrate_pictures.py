"""The picture of the Calibrate screen: residuals, slip, slack over ratio. Needs no screen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from plylane.calibrate_run.sitting import Found
from plylane.feed.calibration import RatioFound, Scale, SlipFound
from plylane.screens.decide.calibrating import shown_scale
from plylane.screens.pictures import Curve, Pattern, Picture, spread_labels

Floats = NDArray[np.float64]
POINT, FIT = "trace-1", "trace-2"


def found_picture(found: Found | None, lane: int, rows: int) -> Picture | None:
    """Points and fit; None where there is nothing to draw."""
    if isinstance(found, SlipFound):
        speeds = found.fit.x + found.at_mm_s
        fitted = 100.0 * (found.fit.y - found.fit.residuals)
        return _picture("slip % over speed, mm/s", speeds, 100.0 * found.fit.y, fitted, rows)
    if isinstance(found, RatioFound):
        title = "slack mm over infeed ratio, %"
        return _picture(title, found.ratios_ppm / 1e4, found.slacks_mm, found.fitted_mm, rows)
    scale = shown_scale(found, lane)
    return None if scale is None else _residuals(scale, rows)


def _residuals(scale: Scale, rows: int) -> Picture:
    zero = np.zeros_like(scale.fit.y)
    top = 1.2 * max(float(np.abs(scale.fit.residuals).max()), 2.0 * scale.stated_mm)
    title = "measured less fit, mm, over length, mm"
    return _picture(title, scale.fit.y, scale.fit.residuals, zero, rows, (-top, top))


def _picture(
    title: str,
    x: Floats,
    y: Floats,
    fitted: Floats,
    rows: int,
    y_range: tuple[float, float] | None = None,
) -> Picture:
    order = np.argsort(x, kind="stable")
    low, high = float(x.min()), float(x.max())
    air = 0.06 * max(high - low, 1e-9)
    if y_range is None:
        least, most = float(min(y.min(), fitted.min())), float(max(y.max(), fitted.max()))
        room = 0.1 * max(most - least, 1e-3)
        y_range = least - room, most + room
    levels = [y_range[1], y_range[0], 0.5 * sum(y_range)]
    return Picture(
        title,
        (
            Curve(x[order], fitted[order], FIT, Pattern.LINE),
            Curve(x[order], y[order], POINT, Pattern.POINTS),
        ),
        (low - air, high + air),
        y_range,
        {value: f"{value:.4g}" for value in (low, 0.5 * (low + high), high)},
        spread_labels([(level, f"{level:.2f}") for level in levels], y_range, rows),
    )
