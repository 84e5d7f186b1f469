"""Tuning in words: what is under way, what was found, what may be done next. Needs no screen."""

from __future__ import annotations

from typing import NamedTuple

from plylane.screens.decide.kinds import Kind, Said, WorkKey
from plylane.screens.decide.state import bar
from plylane.tune_run.gains import GainsInHead
from plylane.tune_run.outcome import ZoneTuning
from plylane.tune_run.rules import RuleView
from plylane.tune_run.status import TuneStatus
from plylane.words import duration

TUNE_CAUTION = "Caution: blocks heat without strips. Hands off, guide empty, stay with it."

EXPERIMENT_POINTS = (
    "The block is heated by itself, without strips: hands off, nothing burnable near it.",
    "The guide is empty. Wood held hot chars and can ignite.",
    "Stay with the machine until it is over. x ends it, t stops the head.",
    "Fumes are drawn off; the hard-wired stop and the thermal fuse are tested.",
)
CHECK_POINTS = (
    "The zone cools by 10 °C and heats again, without strips.",
    *EXPERIMENT_POINTS[1:],
)
FEED_POINTS = (
    "The block heats, then rollers turn and draw in strips, some metres of them.",
    "Strips are threaded up to the guide, none stands in it; the cord has room to run out.",
    "Rollers draw in fingers, hair and sleeves: hands clear, guards closed.",
    "Stay with the machine. x ends it, t stops the head. The hard-wired stop is tested.",
)


EXPERIMENT = WorkKey("e", "Experiment", "experiment")
END = WorkKey("x", "End it", "end")
GAINS = WorkKey("g", "Gains", "apply")
UNDO = WorkKey("u", "Undo", "undo")
MEASURE = WorkKey("m", "Measure", "check")
FEED = WorkKey("f", "Feed", "feed")
INTERACTION = WorkKey("i", "Interaction", "interaction")
KEEP = WorkKey("k", "Keep", "save")
TUNE_KEYS_SHOWN = (EXPERIMENT, END, GAINS, UNDO, MEASURE, FEED, INTERACTION, KEEP)


def keys_now(status: TuneStatus, tuned: bool, undoable: bool, all_tuned: bool) -> set[WorkKey]:
    """What may be asked for now."""
    if status.busy:
        return {END}
    keys = {EXPERIMENT}
    if tuned:
        keys |= {GAINS, MEASURE, FEED}
    if undoable:
        keys |= {UNDO, KEEP}
    if all_tuned:
        keys.add(INTERACTION)
    return keys


def job_line(status: TuneStatus, tuning: ZoneTuning | None) -> Said:
    """What is under way, or what to do next."""
    if status.busy:
        done = "" if status.share is None else f"{bar(status.share, 14)} "
        left = "" if status.left_s is None else f"  at most {duration(status.left_s)} left"
        return Said(f"{done}{duration(status.elapsed_s)}{left}", Kind.STRONG)
    if tuning is None:
        return Said("No model of this zone yet: e begins an experiment.", Kind.QUIET)
    if tuning.chosen is None:
        return Said("Pick a rule; g writes its gains into the head.", Kind.QUIET)
    if not tuning.checks:
        return Said(f"Gains of {tuning.chosen} are in force; m measures them.", Kind.QUIET)
    return Said(f"Gains of {tuning.chosen} are in force; k keeps them.", Kind.QUIET)


def said_line(status: TuneStatus) -> Said:
    """The last thing a job said; trouble stands out."""
    if status.trouble:
        return Said(f"▲ {status.trouble}", Kind.MEDIUM)
    return Said(status.text, Kind.NORMAL)


def model_line(tuning: ZoneTuning | None) -> Said:
    """The model with its standard errors."""
    if tuning is None:
        return Said("")
    model = tuning.result.model
    second = f" + {model.second_time_constant_s:.0f}" if model.second_time_constant_s else ""
    return Said(
        f"gain {model.gain_degC_per_percent:.3f} ± {model.gain_se:.3f} °C/%,"
        f" lag {model.time_constant_s:.0f}{second} ± {model.time_constant_se:.0f} s,"
        f" dead {model.dead_time_s:.1f} ± {model.dead_time_se:.1f} s,"
        f" rms {tuning.found.rms_degC:.2f} °C"
    )


def held_line(tuning: ZoneTuning | None) -> Said:
    """What is in the head, and how it was verified."""
    if tuning is None or tuning.held is None:
        return Said("")
    held = tuning.held
    text = (
        f"in force: kp {held.kp_percent_per_degC:.2f}  ti {held.ti_s:.1f} s  td {held.td_s:.1f} s"
    )
    last = {check.verdict.kind: check.verdict.passed for check in tuning.checks}
    words = [
        f"{kind.removesuffix(' step')} {'✓ passed' if passed else '✕ failed'}"
        for kind, passed in last.items()
    ]
    kind = Kind.NORMAL if all(last.values()) else Kind.MEDIUM
    forward = f"\n{forward_text(held)}" if held.feed_forward_percent_per_mm_s else ""
    return Said("   ".join([text, *words]) + forward, kind)


def forward_text(held: GainsInHead) -> str:
    """What the head adds to OP while strips are fed: at a start first one part, then the other."""
    later = f"{held.feed_forward_percent_per_mm_s:+.2f} % for each mm/s"
    if held.feed_forward_after_mm == 0.0:
        return f"feed-forward: OP {later}"
    first = f"{held.feed_forward_first_percent_per_mm_s:+.2f} %"
    return (
        f"feed-forward: OP {first} for the first {held.feed_forward_after_mm:.0f} mm, then {later}"
    )


class RuleRow(NamedTuple):
    """A rule as shown: cells in the order of RULE_HEADS, a mark, a note."""

    name: str
    mark: str
    cells: tuple[str, ...]
    note: Said


def note_line(row: RuleRow | None) -> Said:
    """What there is to say of the picked rule; in a narrow table its row has no room for it."""
    if row is None or not row.note.text:
        return Said("")
    return Said(f"{row.name}: {row.note.text}", row.note.kind)


RULE_HEADS = ("kp", "ti s", "td s", "Ms", "GM", "PM", "over °C", "settles")
"""GM, PM: gain and phase margin; over: overshoot of a step of 10 degC."""


def rule_rows(tuning: ZoneTuning | None) -> tuple[RuleRow, ...]:
    """A row a rule; ● in force, › suggested."""
    return () if tuning is None else tuple(_row(tuning, view) for view in tuning.views)


def _row(tuning: ZoneTuning, view: RuleView) -> RuleRow:
    mark = "›" if view.name == tuning.suggestion.name else " "
    mark = "●" if view.name == tuning.chosen else mark
    note = Said(f"△ {', '.join(view.faults)}" if view.faults else "", Kind.QUIET)
    if view.name == "simc" and not view.faults:
        note = Said(f"knob {tuning.knob:.1f} {knob_word(tuning.knob)}", Kind.QUIET)
    return RuleRow(rule_name(view.name), mark, _cells(view), note)


def rule_name(name: str) -> str:
    """As shown: short enough for the table."""
    return name.replace("ziegler_nichols", "z-nichols").replace("_", " ")


def _cells(view: RuleView) -> tuple[str, ...]:
    margins, figures, gains = view.rule.margins, view.preview.figures, view.gains
    settles = "-" if figures.settling_s is None else f"{figures.settling_s:.0f} s"
    return (
        f"{gains.kp:.1f}",
        f"{gains.ti_s:.0f}",
        f"{gains.td_s:.1f}",
        _capped(margins.ms, 2),
        _capped(margins.gain_margin, 1),
        f"{margins.phase_margin_deg:.0f}°" if margins.stable else "-",
        f"{figures.overshoot_degC:.1f}",
        settles,
    )


def _capped(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if value < 100.0 else "> 99"


def knob_word(knob: float) -> str:
    """Calm, even or brisk."""
    if knob < 1.25:
        return "brisk"
    return "even" if knob < 2.0 else "calm"


def turned(knob: float, brisker: bool) -> float:
    """SIMC's knob one notch on, within brisk (1) and calm (3)."""
    return min(3.0, max(1.0, knob + (-0.25 if brisker else 0.25)))
