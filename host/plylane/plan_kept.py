"""The parts of a plan, made again of what its run file and the log keep: `plan_forms` writes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from plylane.plan.heat_case import HeatCase
from plylane.plan.plan import CordPlan
from plylane.plan.strips import Schedule
from plylane.plan_errors import PlanError, first_wrong
from plylane.plan_file import AdhesiveTable, HeadTable, Speed, StackTable, heat_case


class _Table(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class _Heat(_Table):
    stack: StackTable
    adhesive: AdhesiveTable
    head: HeadTable
    between_mm_s: tuple[Speed, Speed]


class _Strip(_Table):
    strip: str


class _Joint(_Table):
    cord_mm: float
    lane: int = Field(ge=1)


class _Lanes(_Table):
    length_mm: float = Field(gt=0.0)
    shear_at_mm: float | None = None
    joints: list[_Joint]
    lanes: list[list[_Strip]] = Field(default_factory=list)


@dataclass(frozen=True, slots=True)
class KeptHeat:
    """What was asked of the heat, and between which speeds."""

    case: HeatCase
    speeds_mm_s: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Bar:
    """A strip in its place in the cord; `last` where no joint follows."""

    name: str
    start_mm: float
    end_mm: float
    last: bool


@dataclass(frozen=True, slots=True)
class LaneBars:
    """The strips of each lane in order, as a lane chart shows them.

    `shear_at_mm` None where a log does not have it.
    """

    lanes: tuple[tuple[Bar, ...], ...]
    length_mm: float
    shear_at_mm: float | None

    @classmethod
    def of(cls, plan: CordPlan, schedule: Schedule) -> LaneBars:
        """The plan's schedule, or one offered."""
        rows = (
            tuple(Bar(one.strip.name, one.start_mm, one.end_mm, one.last) for one in row)
            for row in schedule.lanes
        )
        return cls(tuple(rows), plan.job.path.length_mm, plan.shear_at_mm)

    @property
    def joints_mm(self) -> list[tuple[float, int]]:
        """Where joints lie, lane by lane; lanes count from 1."""
        return [
            (bar.end_mm, lane)
            for lane, row in enumerate(self.lanes, 1)
            for bar in row
            if not bar.last
        ]


def heat_of(cord: Mapping[str, Any]) -> KeptHeat | None:
    """What a ``[plan]`` table keeps of the heat; None in one of an earlier version.

    Raises PlanError where it was spoilt.
    """
    if "heat" not in cord:
        return None
    try:
        heat = _Heat.model_validate(cord["heat"])
        return KeptHeat(heat_case(heat.stack, heat.adhesive, heat.head), heat.between_mm_s)
    except ValidationError as error:
        raise PlanError(f"plan.cord.heat.{first_wrong(error)}") from error


def lanes_of(cord: Mapping[str, Any], lanes: int) -> LaneBars:
    """The strips of a head with so many lanes, by the joints that a ``[plan]`` table keeps.

    Raises PlanError where it was spoilt.
    """
    try:
        told = _Lanes.model_validate(cord)
    except ValidationError as error:
        raise PlanError(f"plan.cord.{first_wrong(error)}") from error
    rows = []
    for lane in range(1, lanes + 1):
        ends = sorted(joint.cord_mm for joint in told.joints if joint.lane == lane)
        names = [one.strip for one in told.lanes[lane - 1]] if lane <= len(told.lanes) else []
        rows.append(tuple(_bars([*ends, told.length_mm], names)))
    return LaneBars(tuple(rows), told.length_mm, told.shear_at_mm)


def _bars(ends_mm: list[float], names: list[str]) -> list[Bar]:
    starts, last = [0.0, *ends_mm], len(ends_mm) - 1
    return [
        Bar(names[k] if k < len(names) else "", starts[k], end, k == last)
        for k, end in enumerate(ends_mm)
    ]
