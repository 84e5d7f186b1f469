# ruff: noqa: N802  (units are written as the trade writes them)
"""Contact between blocks and stack, from glue-line temperatures measured in a sacrificial stack.

Nobody knows the contact beforehand: it is some tens of micrometres of air, dust and film. One
factor on the conductance of every heated stretch is fitted by least squares to what a thin
thermocouple in a glue line read; the interval is where chi square stays within 3.84 of its least
(95 %, profile likelihood).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, inf, log

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import chi2

from plylane.plan.conduction import Way, passage
from plylane.plan.stack import Stack

FACTORS = (0.02, 50.0)
_CHI2_95 = 3.841  # one parameter
_WITHIN = {"xatol": 1e-5}  # of the factor's logarithm


@dataclass(frozen=True, slots=True)
class Measured:
    """A glue line's temperature (`glue_line` from 0) with its standard uncertainty.

    `at_mm` along the way; None: the highest that the thermocouple read on its way.
    """

    speed_mm_s: float
    zone_degC: tuple[float, ...]
    glue_line: int
    degC: float
    sigma_K: float = 1.0
    at_mm: float | None = None


class ContactError(ValueError):
    """No contact explains the measurements. The message says why and what to look at."""


@dataclass(frozen=True, slots=True)
class ContactFit:
    """`way` with the contact that fits best, `factor` times what it was, 95 % within `factors`.

    `worst_K` is the largest misfit (n measurements); `agree` whether they can all be true with the
    uncertainties that they were given (chi square at 1 %).
    """

    way: Way
    factor: float
    factors: tuple[float, float]
    worst_K: float
    agree: bool

    @property
    def contact_W_m2K(self) -> float:
        """Conductance of the first heated stretch."""
        return next(s.contact_W_m2K for s in self.way.stretches if s.zone is not None)

    @property
    def resistances_m2K_W(self) -> tuple[float, float, float]:
        """Its resistance: the best value, the least and the most of the interval."""
        best = 1.0 / self.contact_W_m2K
        return best, best * self.factor / self.factors[1], best * self.factor / self.factors[0]


def with_contact(way: Way, factor: float) -> Way:
    """The way with the conductance of every heated stretch times a factor."""
    return replace(
        way,
        stretches=tuple(
            s if s.zone is None else replace(s, contact_W_m2K=s.contact_W_m2K * factor)
            for s in way.stretches
        ),
    )


def fit_contact(stack: Stack, way: Way, measured: Sequence[Measured]) -> ContactFit:
    """Fit the contact factor to measurements, one or more. Raises ContactError."""
    for number, one in enumerate(measured, 1):
        _check(stack, way, one, number)

    def departures(log_factor: float) -> list[float]:
        tried = with_contact(way, exp(log_factor))
        return [(_predicted_degC(stack, tried, one) - one.degC) for one in measured]

    def misfit(log_factor: float) -> float:
        pairs = zip(departures(log_factor), measured, strict=True)
        return sum((off / one.sigma_K) ** 2 for off, one in pairs)

    low, high = map(log, FACTORS)
    best = float(minimize_scalar(misfit, bounds=(low, high), method="bounded", options=_WITHIN).x)
    least = misfit(best)

    def beyond(log_factor: float) -> float:
        return misfit(log_factor) - least - _CHI2_95

    _check_inside(best, low, high)
    return ContactFit(
        with_contact(way, exp(best)),
        exp(best),
        (
            exp(brentq(beyond, low, best, xtol=1e-4)) if beyond(low) > 0.0 else 0.0,
            exp(brentq(beyond, best, high, xtol=1e-4)) if beyond(high) > 0.0 else inf,
        ),
        max(map(abs, departures(best))),
        len(measured) < 2 or least <= float(chi2.ppf(0.99, len(measured) - 1)),
    )


def _predicted_degC(stack: Stack, way: Way, one: Measured) -> float:
    course = passage(stack, way, [one.speed_mm_s]).course(one.zone_degC)
    line = course.glue_degC[:, one.glue_line]
    if one.at_mm is None:
        return float(line.max())
    return float(np.interp(one.at_mm, course.position_mm, line))


def _check(stack: Stack, way: Way, one: Measured, number: int) -> None:
    if not one.sigma_K > 0.0:
        raise ContactError(f"measurement {number}: its uncertainty must be above 0 K")
    if not 0 <= one.glue_line < stack.glue_lines:
        raise ContactError(
            f"measurement {number}: there is no glue line {one.glue_line + 1}; "
            f"the stack has {stack.glue_lines}"
        )
    if one.at_mm is not None and not 0.0 < one.at_mm <= way.ends_mm[-1]:
        raise ContactError(
            f"measurement {number}: {one.at_mm:g} mm is not on the way of {way.ends_mm[-1]:g} mm"
        )
    least, most = (_predicted_degC(stack, with_contact(way, factor), one) for factor in FACTORS)
    if not least < one.degC < most:
        raise ContactError(
            f"measurement {number}: {one.degC:g} degC cannot be; even the worst and the best "
            f"contact give {least:.1f} and {most:.1f} degC. Look at the block temperatures, the "
            "thermocouple's place and what it conducts away, and the thickness of the strips"
        )


def _check_inside(best: float, low: float, high: float) -> None:
    if min(best - low, high - best) < 0.01:
        raise ContactError("the measurements contradict each other: no contact fits them together")
