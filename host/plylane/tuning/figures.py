"""Figures of a response, measured or predicted alike."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from plylane.tuning.record import Floats


@dataclass(frozen=True, slots=True)
class Figures:
    """`overshoot_degC` farthest beyond the target, in the direction of the step (0: never beyond);
    `settling_s` from the start until the PV stays within the band, None where it never does;
    `iae_degC_s` integral of |PV - target|; `largest_degC` largest |PV - target| after first being
    in the band; `final_degC` mean of PV - target over the last tenth.
    """

    overshoot_degC: float
    settling_s: float | None
    iae_degC_s: float
    largest_degC: float
    final_degC: float

    def to_json(self) -> dict[str, float | None]:
        """A dict that `json.dumps` takes."""
        return asdict(self)


def figures(time_s: Floats, pv_degC: Floats, target_degC: float, band_degC: float) -> Figures:
    """Figures of a PV (n) that is to come to, or stay at, one target; two samples or more."""
    error = pv_degC - target_degC
    towards = -1.0 if error[0] > 0.0 else 1.0
    inside = np.abs(error) <= band_degC
    entered = int(np.argmax(inside)) if inside.any() else 0
    return Figures(
        overshoot_degC=max(0.0, float((towards * error).max())),
        settling_s=_settling_s(time_s, inside),
        iae_degC_s=float(np.trapezoid(np.abs(error), time_s)),
        largest_degC=float(np.abs(error[entered:]).max()),
        final_degC=float(error[-max(1, len(error) // 10) :].mean()),
    )


def _settling_s(time_s: Floats, inside: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float | None:
    if not inside[-1]:
        return None
    outside = np.flatnonzero(~inside)
    return 0.0 if len(outside) == 0 else float(time_s[outside[-1] + 1] - time_s[0])
