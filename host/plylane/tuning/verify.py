"""Measured against predicted: does the loop do what the model promised?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from plylane.tuning.figures import Figures, figures
from plylane.tuning.preview import Preview
from plylane.tuning.record import Floats


@dataclass(frozen=True, slots=True)
class Limits:
    """What passes. Absolute limits are promises to the user; the factors say how far measured may
    be from predicted before the model is in doubt.

    `overshoot_degC` most overshoot after a setpoint step; `band_degC` within which the PV must
    settle and, after a feed step, stay; `settling_factor`, `iae_factor` measured over predicted at
    most; `slack_s` later than that is still as predicted;
    `noise_degC` what noise and rounding may add, for the IAE over all its time.
    """

    overshoot_degC: float = 1.5
    band_degC: float = 0.5
    settling_factor: float = 1.5
    iae_factor: float = 1.5
    slack_s: float = 10.0
    noise_degC: float = 0.1


@dataclass(frozen=True, slots=True)
class Verdict:
    """`passed`; `reasons` one line each for what failed, or one that says what held."""

    kind: str
    passed: bool
    reasons: tuple[str, ...]
    measured: Figures
    predicted: Figures

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes."""
        return {
            "kind": self.kind,
            "passed": self.passed,
            "reasons": list(self.reasons),
            "measured": self.measured.to_json(),
            "predicted": self.predicted.to_json(),
        }


def verify_setpoint_step(
    time_s: Floats,
    pv_degC: Floats,
    predicted: Preview,
    limits: Limits = Limits(),
) -> Verdict:
    """Judge a measured setpoint step (n samples, from the moment of the step) by its preview.

    Fails on more overshoot than promised, on not settling within the band, on taking much longer or
    straying much further than predicted.
    """
    measured = _measured(time_s, pv_degC, predicted, limits)
    faults = [
        *_overshoot(measured, predicted.figures, limits),
        *_settling(measured, predicted.figures, limits),
        *_iae(measured, predicted.figures, limits, float(predicted.time_s[-1])),
    ]
    return _verdict("setpoint step", faults, measured, predicted.figures)


def verify_feed_step(
    time_s: Floats,
    pv_degC: Floats,
    predicted: Preview,
    limits: Limits = Limits(),
) -> Verdict:
    """Judge a measured feed step at temperature (n samples, from its moment) by its preview.

    Fails where the PV leaves the band, does not come back to it, or strays much further than
    predicted.
    """
    measured = _measured(time_s, pv_degC, predicted, limits)
    faults = [
        *_band(measured, limits),
        *_settling(measured, predicted.figures, limits),
        *_iae(measured, predicted.figures, limits, float(predicted.time_s[-1])),
    ]
    return _verdict("feed step", faults, measured, predicted.figures)


def _measured(time_s: Floats, pv_degC: Floats, predicted: Preview, limits: Limits) -> Figures:
    within = time_s - time_s[0] <= predicted.time_s[-1]
    return figures(time_s[within], pv_degC[within], predicted.setpoint_degC, limits.band_degC)


def _verdict(kind: str, faults: list[str], measured: Figures, predicted: Figures) -> Verdict:
    held = "overshoot, settling, IAE and band as predicted"
    return Verdict(kind, not faults, tuple(faults) or (held,), measured, predicted)


def _overshoot(measured: Figures, predicted: Figures, limits: Limits) -> list[str]:
    most = max(limits.overshoot_degC, predicted.overshoot_degC + limits.noise_degC)
    if measured.overshoot_degC <= most:
        return []
    return [
        f"overshoot {measured.overshoot_degC:.2f} degC, {most:.2f} allowed"
        f" ({predicted.overshoot_degC:.2f} predicted): take calmer gains or identify again"
    ]


def _settling(measured: Figures, predicted: Figures, limits: Limits) -> list[str]:
    if measured.settling_s is None:
        return [f"the PV did not settle within {limits.band_degC:.2f} degC of the setpoint"]
    if predicted.settling_s is None:
        return []
    most_s = limits.settling_factor * predicted.settling_s + limits.slack_s
    if measured.settling_s <= most_s:
        return []
    return [f"settled after {measured.settling_s:.0f} s, {predicted.settling_s:.0f} s predicted"]


def _iae(measured: Figures, predicted: Figures, limits: Limits, span_s: float) -> list[str]:
    noise = limits.noise_degC * span_s
    if measured.iae_degC_s <= limits.iae_factor * predicted.iae_degC_s + noise:
        return []
    return [
        f"the PV strayed by {measured.iae_degC_s:.0f} degC s, {predicted.iae_degC_s:.0f} predicted:"
        " the model does not fit this state of the head, identify again"
    ]


def _band(measured: Figures, limits: Limits) -> list[str]:
    if measured.largest_degC <= limits.band_degC:
        return []
    return [
        f"the PV left its band of {limits.band_degC:.2f} degC by feeding"
        f" ({measured.largest_degC:.2f}): identify the feed-forward, or take brisker gains"
    ]
