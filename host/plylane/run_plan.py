"""The plan of a run: from the run file into the log, and from the log against what came of it."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, ValidationError

from plylane.plan.departures import Departure, columns_needed, departures
from plylane.plan_errors import PlanError
from plylane.run_setup import RunSetup, SetupError
from plylane.runlog import Run, RunError

if TYPE_CHECKING:
    from plylane.plan.plan import CordPlan


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
            raise SetupError(f"{where}: plan.{_first(error)}; {remedy}") from error
        kept["cord"] = cord
    return kept


def departure_lines(folder: Path) -> list[str]:
    """How a logged run departed from its plan, for a person; empty where it had none."""
    run = Run.open(folder)
    if "cord" not in run.info.plan:
        return []
    try:
        found = departures_of(run)
    except RunError as error:  # the run itself is worth having
        return [f"The run cannot be held against its plan: {error}"]
    if not found:
        return ["The run went as planned."]
    return ["Other than planned:", *(f"  {one.text}" for one in found)]


def departures_of(run: Run) -> list[Departure]:
    """How a run departed from its plan; empty where it had none. Raises RunError."""
    cord = run.info.plan.get("cord")
    if cord is None:
        return []
    try:
        plan = _CordPlan.model_validate(cord)
    except ValidationError as error:
        place = f"plan.cord.{_first(error)}"
        raise RunError(run.folder / "run.toml", place, "correct this line") from error
    zones = min(run.info.zones, len(plan.setpoints_degC))
    known = {
        "joints": [j.model_dump() for j in plan.joints if 1 <= j.lane <= run.info.lanes],
        "setpoints_degC": plan.setpoints_degC[:zones],
    }
    columns = run.columns(columns_needed(run.info.lanes, zones))
    return departures(plan.model_dump() | known, columns)


def _first(error: ValidationError) -> str:
    first = error.errors(include_url=False)[0]
    return f"{'.'.join(str(part) for part in first['loc'])}: {first['msg']}"
