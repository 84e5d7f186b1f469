"""The plan of a run: from the run file into the log, and from the log against what came of it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from plylane.plan.departures import Departure, columns_needed, departures
from plylane.run_setup import RunSetup, SetupError
from plylane.runlog import Run, RunError


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


def kept_plan(setup: RunSetup | None, file: Path | None) -> dict[str, Any]:
    """What the log keeps of a run file: its setup, and its ``[plan]`` table under ``cord``.

    Raises SetupError where that table is not one that `plylane plan` writes.
    """
    if setup is None or file is None:
        return {}
    kept = setup.model_dump()
    cord = tomllib.loads(file.read_text(encoding="utf-8")).get("plan")
    if cord is not None:
        try:
            _CordPlan.model_validate(cord)
        except ValidationError as error:
            raise SetupError(
                f"{file}: plan.{_first(error)}; write it anew: plylane plan"
            ) from error
        kept["cord"] = cord
    return kept


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
