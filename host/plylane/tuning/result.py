"""All rules side by side on one identified model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isfinite
from typing import Any

from plylane.tuning.gains import Gains
from plylane.tuning.identify import Identification
from plylane.tuning.margins import LoopTiming, Margins, loop_margins
from plylane.tuning.model import Model
from plylane.tuning.optimum import MS_MOST, Bounds, load_iae, optimum_pi, optimum_pid
from plylane.tuning.process import Process
from plylane.tuning.rules import (
    EVEN,
    amigo_pi,
    amigo_pid,
    simc_pi,
    simc_pid,
    tyreus_luyben_pi,
    tyreus_luyben_pid,
    ziegler_nichols_pi,
    ziegler_nichols_pid,
    ziegler_nichols_step_pi,
    ziegler_nichols_step_pid,
)

_RULES: dict[str, Callable[[Process], Gains]] = {
    "amigo": amigo_pid,
    "amigo_pi": amigo_pi,
    "ziegler_nichols": ziegler_nichols_pid,
    "ziegler_nichols_pi": ziegler_nichols_pi,
    "ziegler_nichols_step": ziegler_nichols_step_pid,
    "ziegler_nichols_step_pi": ziegler_nichols_step_pi,
    "tyreus_luyben": tyreus_luyben_pid,
    "tyreus_luyben_pi": tyreus_luyben_pi,
}

CAUTION = 2.0
OP_NOISE_MOST_PERCENT = 10.0
"""Trembling of the output (standard deviation) up to which the optimum looks for gains. It wears
nothing, as the window switches once whatever the output is; but at its limits a loop ceases to be
one."""

RULE_NAMES = ("simc", "simc_pid", *_RULES, "optimum", "optimum_pi")
"""All rules, in the order they are shown. `simc` is PI; others without suffix are PID."""


@dataclass(frozen=True, slots=True)
class RuleResult:
    """Gains by one rule, and the loop's margins with them; `load_iae_degC_s` integral of |PV - SP|
    after a load step of 1 % of output, infinite where unstable; `op_noise_percent` by how much
    noise on the PV will make the output tremble (standard deviation, about), None where it is not
    known.
    """

    name: str
    gains: Gains
    margins: Margins
    load_iae_degC_s: float
    op_noise_percent: float | None = None

    def to_json(self) -> dict[str, float | bool | None]:
        """A dict that `json.dumps` takes; what is infinite is None."""
        return {
            "kp": self.gains.kp,
            "ti_s": self.gains.ti_s,
            "td_s": self.gains.td_s,
            "td_filter_s": self.gains.td_filter_s,
            "ms": _finite(self.margins.ms),
            "gain_margin": _finite(self.margins.gain_margin),
            "phase_margin_deg": _finite(self.margins.phase_margin_deg),
            "stable": self.margins.stable,
            "load_iae_degC_s": _finite(self.load_iae_degC_s),
            "op_noise_percent": self.op_noise_percent,
        }


@dataclass(frozen=True, slots=True)
class TuningResult:
    """A model and what every rule makes of it; `rules` by name, in the order of `RULE_NAMES`.

    `noise_price`: load IAE of the optimum over that of the one that may make the output tremble as
    it likes; 1 where the limit does not bind.
    """

    model: Model
    timing: LoopTiming
    rules: dict[str, RuleResult]
    noise_price: float = 1.0

    @property
    def seen(self) -> Process:
        """What the rules were given, see `seen_process`."""
        return seen_process(self.model, self.timing)

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes: `model`; `seen` and `seen_first_order`, the process that
        the rules were given and what the half rule makes of it; `noise_price`; `rules`.
        """
        return {
            "model": self.model.to_json(),
            "seen": _process_json(self.seen),
            "seen_first_order": _process_json(self.seen.first_order()),
            "noise_price": self.noise_price,
            "rules": {name: rule.to_json() for name, rule in self.rules.items()},
        }


def seen_process(model: Model, timing: LoopTiming) -> Process:
    """What the rules are given: the model with sensor lag, the delay of sampling and window, and
    two standard errors more of dead time, so that what a record could not tell makes gains calmer.
    """
    return model.process.delayed(timing.extra_delay_s + CAUTION * model.dead_time_se)


def _process_json(process: Process) -> dict[str, Any]:
    return {
        "gain_degC_per_percent": process.gain,
        "lags_s": list(process.lags_s),
        "dead_time_s": process.dead_time_s,
    }


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None


def tune(
    found: Identification | Model,
    timing: LoopTiming = LoopTiming(),  # noqa: B008
    *,
    knob: float = EVEN,
    ms: float = MS_MOST,
    op_noise_percent: float = OP_NOISE_MOST_PERCENT,
) -> TuningResult:
    """Gains and margins by every rule.

    `knob` of SIMC, from `rules.BRISK` (1) to `rules.CALM` (3); `ms` the limit of the optimum (1.2
    to 2). From an Identification the noise of the PV is known, and the optimum looks among gains
    that let it throw the output by at most `op_noise_percent` (standard deviation); what that costs
    is in `noise_price`. From a Model alone it is not known and limits nothing.
    """
    model, noise = (found, 0.0) if isinstance(found, Model) else (found.model, found.noise_degC)
    seen = seen_process(model, timing)
    bounds = Bounds(ms, op_noise_percent / noise if noise else inf)
    gains = {"simc": simc_pi(seen, knob), "simc_pid": simc_pid(seen, knob)}
    gains.update({name: rule(seen) for name, rule in _RULES.items()})
    gains.update({"optimum": optimum_pid(seen, bounds), "optimum_pi": optimum_pi(seen, bounds)})
    rules = {name: _judged(name, seen, value, noise) for name, value in gains.items()}
    return TuningResult(model, timing, rules, _noise_price(seen, rules["optimum"], bounds))


def _judged(name: str, seen: Process, gains: Gains, noise_degC: float) -> RuleResult:
    tremble = gains.fast_gain * noise_degC if noise_degC else None
    margins = loop_margins(seen, gains)
    iae = load_iae(seen, gains) if margins.stable else inf
    return RuleResult(name, gains, margins, iae, tremble)


def _noise_price(seen: Process, optimum: RuleResult, bounds: Bounds) -> float:
    if optimum.gains.fast_gain < 0.999 * bounds.fast_gain:
        return 1.0
    free = load_iae(seen, optimum_pid(seen, Bounds(bounds.ms)))
    return max(1.0, optimum.load_iae_degC_s / free)
