"""Uncertainty of a result by JCGM 100:2008 (the GUM): parts, combined, expanded.

All uncertainties here are relative to the result, so that a scale and its inverse have the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from scipy.special import ndtri, stdtrit

LEVEL = 0.95
"""Level of confidence of expanded uncertainties."""


@dataclass(frozen=True, slots=True)
class Part:
    """One source of uncertainty. `kind` is A (statistics) or B (other knowledge), `u` its standard
    uncertainty, relative; `counted` is False where another part contains it already (4.3.10).
    """

    name: str
    kind: Literal["A", "B"]
    u: float
    dof: float = math.inf
    counted: bool = True

    def to_json(self) -> dict[str, Any]:
        """For a record: u in percent, dof left out where infinite."""
        form: dict[str, Any] = {"name": self.name, "kind": self.kind, "u_percent": 100.0 * self.u}
        if math.isfinite(self.dof):
            form["dof"] = self.dof
        return form | {"counted": self.counted}


@dataclass(frozen=True, slots=True)
class Budget:
    """All parts of a result's uncertainty."""

    parts: tuple[Part, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty, relative (5.1.2: parts uncorrelated)."""
        return math.sqrt(sum(part.u**2 for part in self.parts if part.counted))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (G.4.1)."""
        below = sum(part.u**4 / part.dof for part in self.parts if part.counted)
        return self.u**4 / below if below > 0.0 else math.inf

    @property
    def k(self) -> float:
        """Coverage factor for LEVEL."""
        return coverage_factor(self.dof)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k u, relative."""
        return self.k * self.u

    def to_json(self) -> dict[str, Any]:
        """For a record."""
        form: dict[str, Any] = {"u_percent": 100.0 * self.u, "k": self.k}
        if math.isfinite(self.dof):
            form["dof"] = self.dof
        return form | {"parts": [part.to_json() for part in self.parts]}


def coverage_factor(dof: float, level: float = LEVEL) -> float:
    """Two-sided factor from Student's t, dof cut to the next lower integer (G.4.1, note 1)."""
    share = 0.5 * (1.0 + level)
    if not math.isfinite(dof) or dof > 1e6:
        return float(ndtri(share))
    return float(stdtrit(max(1.0, math.floor(dof)), share))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of bounds within which all is equally likely (4.3.7)."""
    return half_width / math.sqrt(3.0)


def two_edges(step: float) -> float:
    """Standard uncertainty of a difference of two readings, each rounded to `step` (F.2.2.1)."""
    return step / math.sqrt(6.0)


def arcsine(amplitude: float) -> float:
    """Standard uncertainty of a sine taken at an unknown phase (4.3, U-shaped)."""
    return amplitude / math.sqrt(2.0)
