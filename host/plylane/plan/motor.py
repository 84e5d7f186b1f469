# ruff: noqa: N802  (units are written as the trade writes them)
"""Torque that a drive needs, against what its motor can give before it loses steps.

The load is what the strips ask of the roller, its bearings and, while it speeds up, the inertia of
all that turns. Pull-out torque falls with speed; a data sheet has it as a table.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

Floats = NDArray[np.float64]

USUAL_MARGIN = 1.5  # common practice, no source: a third of the pull-out torque stays unused


class PullOut(Protocol):
    """Torque above which a motor loses steps, at a speed."""

    def torque_Nm(self, rev_s: ArrayLike) -> Floats:
        """At speeds in turns a second."""


@dataclass(frozen=True, slots=True)
class PullOutTable:
    """From a data sheet, straight between its points; 0 beyond its last speed.

    Raises ValueError unless speeds rise from 0 or above and every torque is positive.
    """

    rev_s: tuple[float, ...]
    table_Nm: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.rev_s) != len(self.table_Nm) or len(self.rev_s) < 2:
            raise ValueError("a pull-out table has a torque for each of two speeds or more")
        if self.rev_s[0] < 0.0 or (np.diff(self.rev_s) <= 0.0).any():
            raise ValueError("speeds of a pull-out table rise, from 0 or above")
        if not min(self.table_Nm) > 0.0:
            raise ValueError("torques of a pull-out table are above 0")

    def torque_Nm(self, rev_s: ArrayLike) -> Floats:
        """At speeds in turns a second."""
        return np.interp(np.asarray(rev_s, dtype=np.float64), self.rev_s, self.table_Nm, right=0.0)


@dataclass(frozen=True, slots=True)
class PullOutFall:
    """Falls from standstill, half of it left at `half_rev_s`; earlier with less supply voltage.

    `supply` is the share of the voltage for which the fall is known.
    """

    standstill_Nm: float
    half_rev_s: float
    supply: float = 1.0

    def torque_Nm(self, rev_s: ArrayLike) -> Floats:
        """At speeds in turns a second."""
        fall = np.asarray(rev_s, dtype=np.float64) / (self.half_rev_s * self.supply)
        return self.standstill_Nm / (1.0 + fall)


@dataclass(frozen=True, slots=True)
class Load:
    """What a drive works against.

    `force_N` at the roller's surface near standstill, all lanes together; `viscous_N_s_mm` how it
    grows with speed; `bearing_Nm` friction of roller and bearings; `inertia_kg_m2` of all that
    turns, seen by the motor, with `acceleration_mm_s2` of the strip.
    """

    roller_diameter_mm: float
    force_N: float
    viscous_N_s_mm: float = 0.0
    bearing_Nm: float = 0.0
    inertia_kg_m2: float = 0.0
    acceleration_mm_s2: float = 0.0

    def rev_s(self, speed_mm_s: ArrayLike) -> Floats:
        """Turns a second at a speed of the strip."""
        return np.asarray(speed_mm_s, dtype=np.float64) / (pi * self.roller_diameter_mm)

    def needed_Nm(self, speed_mm_s: ArrayLike) -> Floats:
        """Torque at a speed of the strip, while it still speeds up."""
        speed = np.asarray(speed_mm_s, dtype=np.float64)
        radius_m = 0.5e-3 * self.roller_diameter_mm
        inertia_Nm = self.inertia_kg_m2 * self.acceleration_mm_s2 * 1e-3 / radius_m
        return (
            (self.force_N + self.viscous_N_s_mm * speed) * radius_m + self.bearing_Nm + inertia_Nm
        )


@dataclass(frozen=True, slots=True)
class MotorCheck:
    """One drive at the planned speed; `margin` is available over needed, wanted at least `least`.

    `fastest_mm_s` is the speed up to which the margin is kept, 0 where it never is, infinite where
    it is beyond ten times the planned speed.
    """

    load: Load
    pull_out: PullOut
    speed_mm_s: float
    least: float
    needed_Nm: float
    available_Nm: float
    fastest_mm_s: float

    @property
    def margin(self) -> float:
        """Available over needed torque."""
        return self.available_Nm / self.needed_Nm if self.needed_Nm > 0.0 else float("inf")

    @property
    def enough(self) -> bool:
        """Whether the margin is kept at the planned speed."""
        return self.margin >= self.least


def check_motor(
    load: Load, pull_out: PullOut, speed_mm_s: float, least: float = USUAL_MARGIN
) -> MotorCheck:
    """Hold a drive's load against its motor at a speed above 0."""

    def spare_Nm(speed: float) -> float:
        return float(pull_out.torque_Nm(load.rev_s(speed)) - least * load.needed_Nm(speed))

    return MotorCheck(
        load,
        pull_out,
        speed_mm_s,
        least,
        float(load.needed_Nm(speed_mm_s)),
        float(pull_out.torque_Nm(load.rev_s(speed_mm_s))),
        _last_positive(spare_Nm, 10.0 * speed_mm_s),
    )


def _last_positive(spare: _OfSpeed, top: float) -> float:
    """Where a falling function becomes negative."""
    if spare(0.0) < 0.0:
        return 0.0
    return float("inf") if spare(top) >= 0.0 else float(brentq(spare, 0.0, top, rtol=1e-9))


class _OfSpeed(Protocol):
    def __call__(self, speed: float, /) -> float: ...
