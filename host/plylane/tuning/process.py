"""The process a loop sees: gain, lags in series, dead time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Process:
    """gain * exp(-dead_time_s s) / prod(lag s + 1).

    `gain` in degC/%, more than zero; `lags_s` one or more, largest first, all above zero;
    `dead_time_s` not negative.
    """

    gain: float
    lags_s: tuple[float, ...]
    dead_time_s: float

    def __post_init__(self) -> None:
        if not (self.gain > 0.0 and self.lags_s and min(self.lags_s) > 0.0):
            raise ValueError("a process needs a gain and lags above zero")
        if not self.dead_time_s >= 0.0:
            raise ValueError("dead time cannot be negative")

    @classmethod
    def of(cls, gain: float, *lags_s: float, dead_time_s: float) -> Process:
        """Sort the lags and leave zeros out. Raises ValueError, as the class does."""
        return cls(
            gain, tuple(sorted((lag for lag in lags_s if lag > 0.0), reverse=True)), dead_time_s
        )

    def at(self, frequency_rad_s: ArrayLike) -> Complexes:
        """Frequency response, degC/%, with the dead time exact."""
        s = 1j * np.asarray(frequency_rad_s, dtype=np.float64)
        value = self.gain * np.exp(-self.dead_time_s * s)
        for lag in self.lags_s:
            value = value / (lag * s + 1.0)
        return np.asarray(value, dtype=np.complex128)

    def delayed(self, extra_s: float) -> Process:
        """The same with more dead time."""
        return Process(self.gain, self.lags_s, self.dead_time_s + extra_s)

    def first_order(self) -> Process:
        """One lag, by the half rule."""
        return half_rule(self.gain, self.lags_s, self.dead_time_s, order=1)

    def second_order(self) -> Process:
        """At most two lags, by the half rule."""
        return half_rule(self.gain, self.lags_s, self.dead_time_s, order=2)


def half_rule(
    gain: float,
    lags_s: tuple[float, ...],
    dead_time_s: float,
    *,
    order: int,
    inverse_s: tuple[float, ...] = (),
    lead_s: float = 0.0,
) -> Process:
    """Reduce to `order` lags (1 or 2).

    The largest lag left out goes half to the dead time, half to the smallest lag kept; smaller lags
    and zeros with inverse response (`inverse_s`, the T of -T s + 1) go to the dead time whole, and
    a small zero on the other side (`lead_s`, the T of T s + 1) is taken off it, as the paper does
    in its first example.

    S. Skogestad, Simple analytic rules for model reduction and PID controller tuning, J. Process
    Control 13 (2003) 291-309, sections 2 and 4.
    """
    ordered = sorted(lags_s, reverse=True)
    kept, rest = ordered[:order], ordered[order:]
    dead = dead_time_s + sum(inverse_s) - lead_s
    if rest:
        kept[-1] += rest[0] / 2.0
        dead += rest[0] / 2.0 + sum(rest[1:])
    return Process(gain, tuple(kept), max(dead, 0.0))
