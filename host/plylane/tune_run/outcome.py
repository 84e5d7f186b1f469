"""What is known of a zone once its experiment is over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from plylane.tune_run.experiment import Experiment
from plylane.tune_run.gains import GainsInHead
from plylane.tune_run.log import Floats
from plylane.tune_run.rules import RuleView, Suggestion, Target
from plylane.tuning import (
    FeedForward,
    Identification,
    Instrument,
    Preview,
    Record,
    TuningResult,
    Verdict,
)

KEPT_EVERY = 5
"""Of the samples of a check, in the record: two a second."""


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """A step that was verified: `time_s` (n) from its moment, `pv_degC` (n), and its preview."""

    verdict: Verdict
    time_s: Floats
    pv_degC: Floats
    predicted: Preview

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes."""
        columns = {
            "time_s": self.time_s,
            "pv_degC": self.pv_degC,
            "predicted_time_s": self.predicted.time_s,
            "predicted_pv_degC": self.predicted.pv_degC,
        }
        kept = {name: np.round(values[::KEPT_EVERY], 3) for name, values in columns.items()}
        return {
            **self.verdict.to_json(),
            **{name: values.tolist() for name, values in kept.items()},
        }


@dataclass(frozen=True, slots=True, eq=False)
class ZoneTuning:
    """A zone (from 0): experiment (None where the record came from a file), record, model, rules.

    `chosen` rule whose gains were applied last; `before` what the head held before any of it,
    `held` what it holds now (None: not looked yet); `checks` oldest first.
    """

    zone: int
    experiment: Experiment | None
    record: Record
    instrument: Instrument
    found: Identification
    result: TuningResult
    knob: float
    target: Target
    views: tuple[RuleView, ...]
    suggestion: Suggestion
    chosen: str | None = None
    before: GainsInHead | None = None
    held: GainsInHead | None = None
    feed_forward: FeedForward | None = None
    checks: tuple[Checked, ...] = ()

    def view(self, name: str) -> RuleView:
        """A rule by name. Raises KeyError."""
        return next(iter(v for v in self.views if v.name == name), None) or _no_rule(name)

    def to_json(self) -> dict[str, Any]:
        """Model and rules, as `plylane tune --json` gives them."""
        return {
            "zone": self.zone + 1,
            "model": self.result.model.to_json(),
            "rms_degC": self.found.rms_degC,
            "knob": self.knob,
            "noise_price": self.result.noise_price,
            "rules": {view.name: view.to_json() for view in self.views},
            "suggested": self.suggestion.name,
            "reason": self.suggestion.reason,
        }


def _no_rule(name: str) -> RuleView:
    raise KeyError(name)
