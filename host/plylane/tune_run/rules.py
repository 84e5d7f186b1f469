"""The rules side by side: what each would do at the working temperature, and which to take."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from plylane.tuning import Gains, Model, Preview, RuleResult, TuningResult, setpoint_preview

MS_MOST = 1.8
"""Sensitivity up to which a loop forgives a model that is somewhat off. Common practice (1.2 to
2), no source.
"""
OVERSHOOT_MOST_DEGC = 1.5
STIR_MOST_PERCENT = 5.0
"""How far noise may throw the output, r.m.s. Common practice, no source."""
SPAN_S = 300.0
FAVOURITE = "simc"


@dataclass(frozen=True, slots=True)
class Target:
    """The setpoint step that rules are compared by: `step_degC` up to `setpoint_degC`; output
    limits (%); `noise_degC` of the PV, r.m.s; `held_percent` output measured at the start, the
    model's where None.
    """

    setpoint_degC: float
    step_degC: float = 10.0
    limits: tuple[float, float] = (0.0, 100.0)
    noise_degC: float = 0.0
    held_percent: float | None = None

    @property
    def start_temperature(self) -> float:
        """Where the step begins."""
        return self.setpoint_degC - self.step_degC

    def start_percent(self, model: Model) -> float:
        """Output that holds the start, by the model."""
        if self.held_percent is not None:
            return self.held_percent
        low, high = self.limits
        wanted = (self.start_temperature - model.offset_degC) / model.gain_degC_per_percent
        return min(max(wanted, low), high)


@dataclass(frozen=True, slots=True, eq=False)
class RuleView:
    """A rule with what it promises; `stir_percent` how far the PV's noise throws the output,
    r.m.s."""

    rule: RuleResult
    preview: Preview
    stir_percent: float

    @property
    def name(self) -> str:
        """Of the rule."""
        return self.rule.name

    @property
    def gains(self) -> Gains:
        """Of the rule."""
        return self.rule.gains

    @property
    def faults(self) -> tuple[str, ...]:
        """Why one would not take it, a few words each; empty where nothing speaks against it."""
        if not self.rule.margins.stable:
            return ("unstable",)
        figures, found = self.preview.figures, []
        if self.rule.margins.ms > MS_MOST:
            found.append("little margin")
        if figures.overshoot_degC > OVERSHOOT_MOST_DEGC:
            found.append("overshoots")
        if figures.settling_s is None:
            found.append("does not settle")
        if self.stir_percent > STIR_MOST_PERCENT:
            found.append(f"noise {self.stir_percent:.0f} %")
        return tuple(found)

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes."""
        return {
            **self.rule.to_json(),
            "overshoot_degC": self.preview.figures.overshoot_degC,
            "settling_s": self.preview.figures.settling_s,
            "stir_percent": self.stir_percent,
            "against": list(self.faults),
        }


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The rule to take, and why, in one line."""

    name: str
    reason: str


def compare(result: TuningResult, target: Target) -> tuple[RuleView, ...]:
    """Every rule with its predicted setpoint step, in the order of the rules."""
    return tuple(_view(result, rule, target) for rule in result.rules.values())


def step_preview(
    result: TuningResult, gains: Gains, target: Target, span_s: float | None = None
) -> Preview:
    """The setpoint step of `target` with those gains."""
    return setpoint_preview(
        result.seen,
        gains,
        start_degC=target.start_temperature,
        setpoint_degC=target.setpoint_degC,
        start_percent=target.start_percent(result.model),
        limits=target.limits,
        span_s=span_s,
    )


def _view(result: TuningResult, rule: RuleResult, target: Target) -> RuleView:
    gains = rule.gains
    kick = gains.td_s / gains.td_filter_s if gains.td_filter_s > 0.0 else 0.0
    stir = gains.kp * (1.0 + kick) * target.noise_degC
    return RuleView(rule, step_preview(result, gains, target, SPAN_S), stir)


def suggest(views: tuple[RuleView, ...], wanted: str | None = None) -> Suggestion:
    """The wanted rule where nothing speaks against it, else SIMC, else the most forgiving one.

    A wanted rule is suggested all the same; the reason then says what speaks against it.
    """
    by_name = {view.name: view for view in views}
    if wanted is not None:
        view = by_name[wanted]
        against = f" (against it: {', '.join(view.faults)})" if view.faults else ""
        return Suggestion(wanted, f"{wanted} was asked for{against}: {promise(view)}")
    sound = [view for view in views if not view.faults]
    if any(view.name == FAVOURITE for view in sound):
        view = by_name[FAVOURITE]
        why = "one knob from brisk to calm, forgiving and quiet"
        return Suggestion(FAVOURITE, f"{FAVOURITE}: {why}: {promise(view)}")
    view = min(sound or views, key=lambda each: each.rule.margins.ms)
    why = "the most forgiving rule that nothing speaks against" if sound else "least bad of all"
    return Suggestion(view.name, f"{view.name}: {why}: {promise(view)}")


def promise(view: RuleView) -> str:
    """What a rule promises, in words."""
    margins, figures = view.rule.margins, view.preview.figures
    settles = "never" if figures.settling_s is None else f"in {figures.settling_s:.0f} s"
    return (
        f"Ms {margins.ms:.2f}, phase margin {margins.phase_margin_deg:.0f} deg,"
        f" overshoot {figures.overshoot_degC:.1f} degC, settles {settles}"
    )
