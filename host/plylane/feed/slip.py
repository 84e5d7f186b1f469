"""Slip against speed, from feeds at several speeds that the output wheel measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from plylane.feed.errors import CalibrationError
from plylane.feed.line_fit import Floats, LineFit, Misread, find_misread, fit_line
from plylane.feed.scale import OUTPUT_WHEEL
from plylane.feed.uncertainty import Budget, Part, two_edges

LEAST_FEEDS = 6
LEFT_OUT_MOST = 3
WANDER_U = 0.001
"""Slip wanders from feed to feed by about so much however well it is measured (standard deviation,
fraction; the demo head's drifts by 0.5 % over metres, common practice, no source).
"""


@dataclass(frozen=True, slots=True, eq=False)
class SlipFound:
    """Slip = `slip` + `per_mm_s` (speed - `at_mm_s`), as fractions; it is the mean over what was
    fed. `slip_u`, `per_mm_s_u`: expanded uncertainties, absolute; `budget` has the parts of the
    slip, absolute too. `left_out`: feeds (from 0) in which the output wheel itself slipped.
    """

    at_mm_s: float
    fit: LineFit
    budget: Budget
    misread: Misread | None
    left_out: tuple[int, ...]
    per_mm_s_u: float
    remarks: tuple[str, ...]

    @property
    def slip(self) -> float:
        """At `at_mm_s`."""
        return self.fit.offset

    @property
    def per_mm_s(self) -> float:
        """Growth with speed."""
        return self.fit.slope

    @property
    def slip_u(self) -> float:
        """Expanded."""
        return self.budget.expanded

    def to_json(self) -> dict[str, Any]:
        """For a record."""
        return {
            "at_mm_s": self.at_mm_s,
            "slip_percent": 100.0 * self.slip,
            "slip_expanded_percent": 100.0 * self.slip_u,
            "per_mm_s_percent": 100.0 * self.per_mm_s,
            "per_mm_s_expanded_percent": 100.0 * self.per_mm_s_u,
            "uncertainty": self.budget.to_json(),
            "speeds_mm_s": (self.fit.x + self.at_mm_s).tolist(),
            "slips_percent": (100.0 * self.fit.y).tolist(),
            "remarks": list(self.remarks),
        }


def mean_speed(speed_mm_s: float, length_mm: float, acceleration_mm_s2: float) -> float:
    """Mean over the length of a feed that starts and ends at rest.

    Over a ramp of v^2 / 2a the mean over length is two thirds of v: v = sqrt(2 a s).
    """
    ramps = min(1.0, speed_mm_s**2 / acceleration_mm_s2 / length_mm)
    top = speed_mm_s if ramps < 1.0 else math.sqrt(acceleration_mm_s2 * length_mm)
    return top * (1.0 - ramps / 3.0)


def find_slip(
    speeds_mm_s: Sequence[float],
    fed_mm: Sequence[float],
    laid_mm: Sequence[float],
    *,
    at_mm_s: float,
    mm_per_count: float,
    scale_u: float,
) -> SlipFound:
    """Fit slip on speed. `scale_u`: standard uncertainty of the output wheel's scale against the
    drive's, relative; all feeds share it. Raises CalibrationError.
    """
    speed, fed, laid = (np.asarray(v, dtype=float) for v in (speeds_mm_s, fed_mm, laid_mm))
    if len(speed) < LEAST_FEEDS or np.ptp(speed) < 0.3 * speed.max():
        raise CalibrationError(
            f"slip against speed takes {LEAST_FEEDS} feeds or more, the fastest a third faster"
            " than the slowest"
        )
    if not (np.all(fed > 0.0) and np.all(laid > 0.5 * fed)):
        raise CalibrationError(
            "the output wheel hardly turned while strip was fed: look whether it lies on the cord"
        )
    shape = mm_per_count * OUTPUT_WHEEL.turn_error(laid / mm_per_count)
    u = np.hypot(np.hypot(two_edges(mm_per_count), shape) / fed, WANDER_U)
    kept, fit = _fit(speed - at_mm_s, 1.0 - laid / fed, u)
    left_out = tuple(k for k in range(len(speed)) if k not in kept)
    scatter, dof = max(1.0, fit.birge), fit.dof if fit.birge > 1.0 else math.inf
    kind: Literal["A", "B"] = "A" if fit.birge > 1.0 else "B"
    own = Part("scatter of the feeds", kind, scatter * math.sqrt(fit.covariance[1, 1]), dof)
    shared = Part("scales of output wheel and drive", "B", (1.0 - fit.offset) * scale_u)
    steep = Part("scatter of the feeds", kind, scatter * math.sqrt(fit.covariance[0, 0]), dof)
    return SlipFound(
        at_mm_s=at_mm_s,
        fit=fit,
        budget=Budget((own, shared)),
        misread=find_misread(fit),
        left_out=left_out,
        per_mm_s_u=Budget((steep,)).expanded,
        remarks=_remarks(fit, left_out),
    )


def _fit(speed: Floats, slip: Floats, u: Floats) -> tuple[list[int], LineFit]:
    """The line and the feeds that it goes by. An output wheel that slips in a burst loses travel,
    so that more slip is seen; one feed after the other that stands out so is left out, a few at
    most.
    """
    kept = list(range(len(speed)))
    while True:
        fit = fit_line(speed[kept], slip[kept], u[kept], offset=True)
        worst = find_misread(fit)
        if worst is None or worst.off_by < 0.0 or len(speed) - len(kept) == LEFT_OUT_MOST:
            return kept, fit
        kept.pop(worst.number)


def _remarks(fit: LineFit, left_out: tuple[int, ...]) -> tuple[str, ...]:
    if left_out:
        feeds = ", ".join(str(number + 1) for number in left_out)
        return (f"left out, the output wheel slipped: feed {feeds}", *_remarks(fit, ()))
    if fit.offset < 0.0:
        return ("more cord than feed: calibrate the press drive and the output wheel first",)
    if fit.offset > 0.1:
        return ("slip above 10 %: look for film on the rollers, too little pressure, a strip held",)
    return ()
