"""Weighted least squares for a straight line, with and without an offset (GUM H.3)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, stdtrit

Floats = NDArray[np.float64]

OUTLIER_LEVEL = 0.01
"""Chance that the outlier test names a reading although all n are good."""
BIRGE_BAND = (0.5, 3.0)
"""Scatter over what was stated that is believed of the other readings in that test."""


@dataclass(frozen=True, slots=True, eq=False)
class LineFit:
    """y = slope x + offset. `weights` are 1/u_i^2 of the readings; residuals, rows of `gain`
    (estimate = gain @ y) and `covariance` (for unit Birge ratio) follow the order slope, offset.
    """

    slope: float
    offset: float
    x: Floats
    y: Floats
    weights: Floats
    residuals: Floats
    gain: Floats
    covariance: Floats
    leverage: Floats

    @property
    def dof(self) -> int:
        """Readings less parameters."""
        return len(self.x) - len(self.covariance)

    @property
    def birge(self) -> float:
        """Scatter found over scatter stated: square root of chi-square over dof."""
        return float(np.sqrt(np.sum(self.weights * self.residuals**2) / self.dof))

    @property
    def scatter_limit(self) -> float:
        """Birge ratio that readings as good as stated exceed once in a hundred times."""
        return float(np.sqrt(chdtri(self.dof, 0.01) / self.dof))


def fit_line(
    x: ArrayLike, y: ArrayLike, u: ArrayLike | float = 1.0, *, offset: bool = False
) -> LineFit:
    """Fit readings y, each with standard uncertainty u, on exact x.

    Raises ValueError where there are too few readings or x cannot tell the parameters apart.
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    weights = np.broadcast_to(np.asarray(u, dtype=float) ** -2.0, xs.shape).copy()
    design = np.column_stack([xs, np.ones_like(xs)]) if offset else xs[:, None]
    if len(xs) <= design.shape[1]:
        raise ValueError("too few readings")
    normal = design.T @ (weights[:, None] * design)
    if np.linalg.cond(normal / np.outer(*2 * [np.sqrt(np.diag(normal))])) > 1e12:
        raise ValueError("readings at one place only")
    covariance = np.linalg.inv(normal)
    gain = covariance @ design.T * weights
    found = gain @ ys
    return LineFit(
        slope=float(found[0]),
        offset=float(found[1]) if offset else 0.0,
        x=xs,
        y=ys,
        weights=weights,
        residuals=ys - design @ found,
        gain=gain,
        covariance=covariance,
        leverage=np.einsum("ij,ji->i", design, gain),
    )


@dataclass(frozen=True, slots=True)
class Misread:
    """A reading that does not belong to the others: number from 0, how far it is from where the
    others put it, its studentised deleted residual and the limit of that.
    """

    number: int
    off_by: float
    t: float
    limit: float


def deleted_residuals(
    fit: LineFit, birge_band: tuple[float, float] = (0.0, np.inf)
) -> tuple[Floats, Floats]:
    """Each reading's distance from the fit of the others, and that as a Student t of dof - 1.

    `birge_band`: scatter is taken to be no smaller and no larger than so many times what was
    stated. Or readings that happen to agree to the last digit would make a neighbour an outlier,
    and two bad ones would hide each other.
    Externally studentised residuals: Cook and Weisberg, Residuals and Influence in Regression
    (1982), section 2.2. For a mean instead of a line this is Grubbs' test.
    """
    room = np.maximum(1.0 - fit.leverage, 1e-9)
    chi = np.sum(fit.weights * fit.residuals**2)
    left = np.maximum(chi - fit.weights * fit.residuals**2 / room, 0.0) / (fit.dof - 1)
    scale = np.clip(np.sqrt(left), *birge_band)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = fit.residuals * np.sqrt(fit.weights / room) / scale
    return fit.residuals / room, np.nan_to_num(t)


def find_misread(fit: LineFit, birge_band: tuple[float, float] = BIRGE_BAND) -> Misread | None:
    """The worst reading, where it is beyond what n tests at OUTLIER_LEVEL together allow
    (Bonferroni). Needs two degrees of freedom.
    """
    if fit.dof < 2:
        return None
    off, t = deleted_residuals(fit, birge_band)
    number = int(np.argmax(np.abs(t)))
    limit = float(stdtrit(fit.dof - 1, 1.0 - OUTLIER_LEVEL / (2.0 * len(fit.x))))
    if abs(t[number]) <= limit:
        return None
    return Misread(number, float(off[number]), float(t[number]), limit)
