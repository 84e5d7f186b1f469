"""The steps of a clearing, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from plylane.clearing import Step, open_steps
from plylane.head.registers import State
from plylane.head.snapshot import Snapshot
from plylane.screens.decide.kinds import Kind, Said
from plylane.screens.decide.state import state_sentence
from plylane.trends import NO_READING_DEGC
from plylane.words import zone_name

CLEARING_KEYS_LINE = "enter done   A acknowledge all   u unhold   escape back   t stop   b abort"


@dataclass(frozen=True, slots=True)
class StepRow:
    """A step as shown: what is open stands out, what is done steps back."""

    name: str
    label: Said
    reading: Said
    by: Said
    what: str
    judged: bool
    confirmed: bool


def step_rows(steps: Sequence[Step], *, stale: bool = False) -> tuple[StepRow, ...]:
    """A row a step, numbered from 1."""
    return tuple(_row(number, step, stale) for number, step in enumerate(steps, start=1))


def _row(number: int, step: Step, stale: bool) -> StepRow:
    kind = Kind.QUIET if step.done else Kind.STRONG
    mark = "✓" if step.done else "○"
    reading_kind = Kind.STALE if stale else kind
    return StepRow(
        name=step.name,
        label=Said(f"{mark} {number:>2}  {step.label}", kind),
        reading=Said(step.reading, reading_kind),
        by=Said(_by(step), Kind.QUIET),
        what=step.what,
        judged=step.judged,
        confirmed=step.confirmed,
    )


def _by(step: Step) -> str:
    if step.judged:
        return "measured"
    if step.done and not step.confirmed:
        return "counted"
    return "you said so" if step.done else "yours to say"


def clearing_says(steps: Sequence[Step], *, stale: bool = False) -> Said:
    """How far it is, in one line."""
    if stale:
        return Said("✕ The head does not answer: what is shown is old.", Kind.MEDIUM)
    still = open_steps(tuple(steps))
    if not still:
        return Said("Every step is done. u asks once more, then unholds.", Kind.STRONG)
    names = ", ".join(step.label for step in still)
    return Said(f"{len(steps) - len(still)} of {len(steps)} done. Open: {names}", Kind.STRONG)


def after_clearing(now: Snapshot | None) -> str:
    """What the head does once nothing is to be cleared any more."""
    if now is None:
        return "The head has not answered yet."
    state = now.telemetry.state
    if state is not State.UNHOLDING:
        return f"Nothing to clear now. {state_sentence(state)}"
    zones = [
        f"{zone_name(k)} {zone.pv_degC:.0f} of {zone.sp_degC:.0f} °C"
        if zone.pv_degC > NO_READING_DEGC
        else f"{zone_name(k)} no reading"
        for k, zone in enumerate(now.zones)
    ]
    return f"Heating: {', '.join(zones)}. Feeding follows by itself: keep clear."
