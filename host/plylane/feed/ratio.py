"""Press against infeed: where strips begin to be dragged, and where they are pushed solid.

Between infeed and press a strip has a little room to buckle into. What stands in it when the
rollers stop goes back through the infeed, and the lane wheels see it. Over a sweep of the infeed's
ratio that is nothing but stretch while the press drags strips taut, grows while they buckle into
their room, and then only by squeezing once they are pushed solid. Lane wheels do not tell the way
they turn, so stretch and squeeze both count:

    seen = room * clip((ratio - drag) / (buckle - drag), 0, 1)
           + give * (max(drag - ratio, 0) + max(ratio - buckle, 0)),   room, give >= 0

by least squares over all pairs of corners on a grid. The misfit has kinks, so uncertainties do not
come from its curvature but from the joint region of both corners: all pairs whose sum of squares is
at most 1 + 2/dof F(2, dof) times the least (Seber and Wild, Nonlinear Regression, 1989, section
5.4, memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from plylane.feed.errors import CalibrationError
from plylane.feed.line_fit import Floats
from plylane.feed.uncertainty import LEVEL

LEAST_STOPS = 12
GRID = 100
LEAST_ROOM_SIGMAS = 4.0
"""Room over its standard uncertainty without which nothing was seen."""


@dataclass(frozen=True, slots=True)
class Corner:
    """A deviation of the infeed's ratio, and its expanded uncertainty."""

    ppm: float
    u_ppm: float


@dataclass(frozen=True, slots=True, eq=False)
class RatioFound:
    """Below `drag` strips are dragged, above `buckle` pushed solid; `middle` is half way: slack to
    give and to take. `room_mm`: mean room of the strips; `fitted_mm`: the fit at the stops.
    """

    drag: Corner
    buckle: Corner
    middle: Corner
    room_mm: float
    dof: int
    ratios_ppm: Floats
    slacks_mm: Floats
    fitted_mm: Floats

    @property
    def press_to_infeed(self) -> float:
        """Speed of the press over that of the infeed, at `middle`."""
        return 1.0 / (1.0 + 1e-6 * self.middle.ppm)

    def to_json(self) -> dict[str, Any]:
        """For a record."""
        corners = {"drag": self.drag, "buckle": self.buckle, "middle": self.middle}
        form: dict[str, Any] = {f"{name}_ppm": corner.ppm for name, corner in corners.items()}
        form |= {f"{name}_expanded_ppm": corner.u_ppm for name, corner in corners.items()}
        return form | {
            "press_to_infeed": self.press_to_infeed,
            "room_mm": self.room_mm,
            "dof": self.dof,
            "ratios_ppm": self.ratios_ppm.tolist(),
            "slacks_mm": self.slacks_mm.tolist(),
        }


def find_ratio(ratios_ppm: Sequence[float], slacks_mm: Sequence[float]) -> RatioFound:
    """Fit one slack (mean of the lanes) a stop. Raises CalibrationError."""
    q, y = np.asarray(ratios_ppm, dtype=float), np.asarray(slacks_mm, dtype=float)
    if len(q) < LEAST_STOPS or len(q) != len(y):
        raise CalibrationError(f"a sweep of the ratio takes {LEAST_STOPS} stops or more")
    places = np.linspace(q.min(), q.max(), GRID)
    first, second = np.triu_indices(GRID, 2)
    corners = np.stack([places[first], places[second]])
    shape = _shape(q, *corners)
    levels, squares = _levels(shape, y)
    best = int(np.argmin(squares))
    dof = len(q) - 4
    s2 = squares[best] / dof
    allowed = squares <= squares[best] + 2.0 * s2 * fdtri(2, dof, LEVEL)
    ramp = shape[best, :, 0]
    if levels[best, 0] <= LEAST_ROOM_SIGMAS * np.sqrt(s2 / np.sum((ramp - ramp.mean()) ** 2)):
        raise CalibrationError(
            "the sweep shows no slack that grows from dragged to pushed strips: look whether strips"
            " lie between infeed and press and the lane wheels on them, or sweep wider"
        )
    step = float(places[1] - places[0])
    _inside(corners[:, allowed], places, step)
    drag, buckle = (_corner(row, best, allowed, step) for row in corners)
    middle = _corner(corners.mean(axis=0), best, allowed, step)
    fitted = shape[best] @ levels[best]
    return RatioFound(drag, buckle, middle, float(levels[best, 0]), dof, q, y, fitted)


def _shape(q: Floats, drag: Floats, buckle: Floats) -> Floats:
    """Columns of room and give, shape (pairs, stops, 2)."""
    low, high = drag[:, None], buckle[:, None]
    ramp = np.clip((q - low) / (high - low), 0.0, 1.0)
    beyond = np.maximum(low - q, 0.0) + np.maximum(q - high, 0.0)
    return np.stack([ramp, beyond / np.ptp(q)], axis=-1)


def _levels(shape: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Room and give of each pair, none below 0, and the sum of squares."""
    normal = np.einsum("pni,pnj->pij", shape, shape) + 1e-12 * np.eye(2)
    right = np.einsum("pni,n->pi", shape, y)
    levels = np.linalg.solve(normal, right[..., None])[..., 0]
    alone = right[:, 0] / normal[:, 0, 0]
    stiff = levels[:, 1] < 0.0
    levels[stiff] = np.column_stack([alone, np.zeros_like(alone)])[stiff]
    squares = np.sum((np.einsum("pni,pi->pn", shape, levels) - y) ** 2, axis=1)
    return levels, np.where(levels[:, 0] > 0.0, squares, np.inf)


def _inside(allowed: Floats, places: Floats, step: float) -> None:
    """Raise CalibrationError where a corner may as well lie beyond the sweep."""
    low, high = allowed[0].min() - 0.5 * step, allowed[1].max() + 0.5 * step
    if low < places[0] or high > places[-1]:
        side, way = ("drag", "lower") if low < places[0] else ("buckle", "higher")
        raise CalibrationError(
            f"this sweep does not tell where strips begin to {side}: go {way}, stop more often, and"
            " let no joint pass meanwhile"
        )


def _corner(of: Floats, best: int, allowed: NDArray[np.bool_], step: float) -> Corner:
    inside = of[allowed]
    half = max(inside.max() - of[best], of[best] - inside.min()) + 0.5 * step
    return Corner(float(of[best]), float(half))
