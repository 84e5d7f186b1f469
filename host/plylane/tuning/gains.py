"""Gains in the head's form, and the controller they make."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import ArrayLike

from plylane.tuning.process import Complexes

FILTER_SHARE = 8.0
"""Derivative time over its filter's lag. Common practice (5 to 20), no source."""


@dataclass(frozen=True, slots=True)
class Gains:
    """kp (1 + 1 / (ti_s s) + td_s s / (td_filter_s s + 1)), the derivative on the measurement.

    `kp` %/degC; `ti_s` 0: no integral; `td_s` 0: no derivative; `td_filter_s` 0: no filter. The
    order and meaning of the head's registers.
    """

    kp: float
    ti_s: float
    td_s: float = 0.0
    td_filter_s: float = 0.0

    @classmethod
    def filtered(cls, kp: float, ti_s: float, td_s: float) -> Gains:
        """With the usual filter on the derivative."""
        return cls(kp, ti_s, td_s, td_s / FILTER_SHARE)

    @classmethod
    def of_series(cls, kp: float, ti_s: float, td_s: float, td_filter_s: float = 0.0) -> Gains:
        """From the series form kp (1 + 1 / (ti s)) (td s + 1)."""
        factor = 1.0 + td_s / ti_s
        return cls(kp * factor, ti_s * factor, td_s / factor, td_filter_s)

    @property
    def ki(self) -> float:
        """%/(degC s)."""
        return self.kp / self.ti_s if self.ti_s > 0.0 else 0.0

    @property
    def kd(self) -> float:
        """% s/degC."""
        return self.kp * self.td_s

    @property
    def fast_gain(self) -> float:
        """What becomes of fast noise on the PV, %/degC; infinite with an unfiltered derivative."""
        if self.td_s == 0.0:
            return self.kp
        return self.kp * (1.0 + self.td_s / self.td_filter_s) if self.td_filter_s else inf

    def at(self, frequency_rad_s: ArrayLike) -> Complexes:
        """Frequency response, %/degC, of the loop from measurement to output."""
        s = 1j * np.asarray(frequency_rad_s, dtype=np.float64)
        value = self.kp + self.ki / s + self.kd * s / (self.td_filter_s * s + 1.0)
        return np.asarray(value, dtype=np.complex128)
