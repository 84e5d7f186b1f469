"""The plan of a run: from the run file into the log, and from the log against what came of it."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, ValidationError

from plylane.head.registers import EventCode, State
from plylane.plan.departures import AgainstPlan, Departure, PlannedRun, columns_needed
from plylane.plan_errors import PlanError, first_wrong
from plylane.run_setup import RunSetup, SetupError
from plylane.runlog import Entry, Run, RunError

if TYPE_CHECKING:
    from plylane.plan.laid import LaidCord
    from plylane.plan.plan import CordPlan

DEPARTED, KEPT = "departed", "as_planned"
"""Kinds of the journal's lines that tell how a run departed from its plan, or that it did not."""
AS_PLANNED = "The run went as planned."
WORKED_OUT = "The log ends without saying so: worked out anew from its rows."
WORKED_OUT_OTHERWISE = (
    "So the log has it; worked out anew from its rows it is otherwise: rows are missing, or the"
    " program that wrote it was of another version."
)


class _Joint(BaseModel):
    cord_mm: float
    lane: int
    strip_mm: float


class _CordPlan(BaseModel):
    """The part of a ``[plan]`` table that a run is held against; the rest is for people."""

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)

    speed_mm_s: float
    setpoints_degC: list[float]
    tolerance_K: float
    length_mm: float
    stagger_mm: float
    joints: list[_Joint]


@dataclass(frozen=True)
class Given:
    """What a run is to do: its setup, what the log keeps of it, and the plan where there is one."""

    setup: RunSetup | None = None
    kept: dict[str, Any] = field(default_factory=dict)
    plan: CordPlan | None = None


def given(run: Path | None, plan: Path | None) -> Given:
    """From a run file, from a plan file, or from neither. Raises SetupError and PlanError."""
    if run is not None and plan is not None:
        raise SetupError(f"{run}: a run file and a plan file are one too many; give one of them")
    if plan is not None:
        return _planned(plan)
    if run is None:
        return Given()
    setup = RunSetup.load(run)
    return Given(setup, kept_plan(setup, run.read_text(encoding="utf-8"), str(run)))


def _planned(file: Path) -> Given:
    from plylane.plan.plan import work_out  # brings scipy along: not needed before
    from plylane.plan_file import read_plan
    from plylane.plan_forms import to_run

    told, job = read_plan(file)
    plan = work_out(job)
    try:
        text = to_run(plan, dict(told.run.settings))
    except ValueError as error:
        raise PlanError(f"{file}: {error}") from error
    setup = RunSetup.from_table(tomllib.loads(text)["run"], str(file))
    return Given(setup, kept_plan(setup, text, str(file)), plan)


def kept_plan(setup: RunSetup, text: str, where: str) -> dict[str, Any]:
    """What the log keeps of a run file's text: its setup, and its ``[plan]`` under ``cord``.

    Raises SetupError where that table is not one that `plylane plan` writes.
    """
    kept = setup.model_dump()
    cord = tomllib.loads(text).get("plan")
    if cord is not None:
        try:
            _CordPlan.model_validate(cord)
        except ValidationError as error:
            remedy = "write the file anew with plylane plan"
            raise SetupError(f"{where}: plan.{first_wrong(error)}; {remedy}") from error
        kept["cord"] = cord
    return kept


def departure_lines(folder: Path) -> list[str]:
    """How a logged run departed from its plan, for a person; empty where it had none."""
    try:
        told = departures_of(Run.open(folder))
    except RunError as error:  # the run itself is worth having
        return [f"The run cannot be held against its plan: {error}"]
    if told is None:
        return []
    lines = ["Other than planned:", *(f"  {one.text}" for one in told.found)]
    return [*(lines if told.found else [AS_PLANNED]), *([] if told.logged else [WORKED_OUT])]


@dataclass(frozen=True, slots=True)
class Departed:
    """How a run departed from its plan, and the journal's lines that say so; none where the log
    does not, and it was worked out anew.
    """

    found: list[Departure]
    lines: list[Entry]

    @property
    def logged(self) -> bool:
        """Whether the log itself says so."""
        return bool(self.lines)


def departures_of(run: Run, anew: PlannedRun | None = None) -> Departed | None:
    """What the log says of the last run that fed, or else what its rows come to (`anew`, where
    that has been worked out already).

    None where there was no plan. Raises RunError.
    """
    if "cord" not in run.info.plan:
        return None
    lines = _last_lines(run)
    if lines:
        return Departed(_said(run, lines), lines)
    return Departed(list((anew or against_plan(run)).departures), [])


def against_plan(run: Run, laid: LaidCord | None = None) -> PlannedRun:
    """The last run that fed held against the plan, its rows read part by part.

    `laid` is shown the same rows. Raises RunError, also where there was no plan.
    """
    try:
        plan = plan_of(run.info.plan.get("cord"), zones=run.info.zones, lanes=run.info.lanes)
    except ValidationError as error:
        place = f"plan.cord.{first_wrong(error)}"
        raise RunError(run.folder / "run.toml", place, "correct this line") from error
    against = AgainstPlan(plan)
    for part in run.chunks(columns_needed(run.info.lanes, len(plan["setpoints_degC"]))):
        against.take(part)
        if laid is not None:
            laid.take(part)
    return against.last()


def plan_of(cord: Any, *, zones: int, lanes: int) -> dict[str, Any]:
    """What of a ``[plan]`` table a run on a head of so many zones and lanes is held against.

    Raises ValidationError, which is a ValueError.
    """
    plan = _CordPlan.model_validate(cord).model_dump()
    plan["setpoints_degC"] = plan["setpoints_degC"][:zones]
    plan["joints"] = [joint for joint in plan["joints"] if 1 <= joint["lane"] <= lanes]
    return plan


# ---- in the journal ----


def entries_of(departures: Sequence[Departure], time_s: float) -> list[Entry]:
    """The journal's lines for a run that ended then: one a departure, or one that it had none."""
    if not departures:
        return [Entry(time_s, KEPT, None, "the run went as planned")]
    return [
        Entry(
            time_s,
            DEPARTED,
            None,
            one.text,
            {k: v for k, v in one.to_json().items() if k != "text"},
        )
        for one in departures
    ]


def _last_lines(run: Run) -> list[Entry]:
    """The journal's lines for the last run that fed, which have one time; empty where it has none.

    A program that was killed has said nothing of a run that began since it last did.
    """
    lines = [line for line in run.journal_entries() if line.kind in (DEPARTED, KEPT)]
    if not lines or _began_after(run, lines[-1].time_s):
        return []
    return [line for line in lines if line.time_s == lines[-1].time_s]


def _said(run: Run, lines: Sequence[Entry]) -> list[Departure]:
    told = (line for line in lines if line.kind == DEPARTED)
    try:
        return [Departure(text=line.text, **(line.numbers or {})) for line in told]
    except TypeError as error:
        place = f"a line of kind {DEPARTED} does not say what departed"
        raise RunError(run.folder / "journal.arrows", place, "leave out this line") from error


def _began_after(run: Run, time_s: float) -> bool:
    code, argument, at_s = (run.events[name].to_numpy() for name in ("code", "argument", "time_s"))
    begun = (code == EventCode.STATE_ENTERED) & (argument == State.EXECUTE)
    return bool((begun & (at_s > time_s)).any())
