"""Plan files: what is to be made, of what, on which head; errors name line and field."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from math import inf
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from plylane.head.registers import DRIVES, LANES, ZONES
from plylane.plan.conduction import (
    CONTACT_W_M2K,
    MOVING_AIR_W_M2K,
    Stretch,
    Way,
)
from plylane.plan.contact import ContactError, ContactFit, Measured, fit_contact
from plylane.plan.heat_case import Block, HeatCase, Limits
from plylane.plan.job import OVERHANG_DEG, STRAIN_SHARE, Drive, Geometry, Job, Laying
from plylane.plan.motor import USUAL_MARGIN, Load, PullOut, PullOutFall, PullOutTable
from plylane.plan.path import CordPath, Curve, PathError, from_curves, parse
from plylane.plan.stack import Film, Stack
from plylane.plan.strips import StaggerRule, Strip
from plylane.plan.wood import Wood, species
from plylane.plan_errors import PlanError
from plylane.text_file import read_text
from plylane.toml_places import Place, line_of, lines_of

FORMAT = "plylane plan 1"
SIZE_MAX = 4_000_000  # bytes
MOST_STRIPS = 5000

Millimetres = Annotated[float, Field(gt=0.0, le=100_000.0)]
Distance = Annotated[float, Field(ge=0.0, le=10_000.0)]
Thickness = Annotated[float, Field(gt=0.0, le=20.0)]
Temperature = Annotated[float, Field(ge=-40.0, le=400.0)]
Speed = Annotated[float, Field(gt=0.0, le=100.0)]
Power = Annotated[float, Field(gt=0.0, le=10_000.0)]
Conductance = Annotated[float, Field(ge=0.0, le=100.0)]
Contact = Annotated[float, Field(gt=0.0, le=100_000.0)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class StackTable(_Table):
    """The strips in the head: `strip_mm` one thickness for all, or one a lane."""

    species: str
    lanes: int = Field(ge=2, le=LANES)
    strip_mm: Thickness | list[Thickness]
    width_mm: Millimetres
    moisture_percent: float = Field(default=9.0, ge=0.0, lt=30.0)
    film_mm: Thickness = Film().thickness_mm

    @field_validator("species")
    @classmethod
    def _known(cls, value: str) -> str:
        return species(value).name

    @model_validator(mode="after")
    def _one_a_lane(self) -> Self:
        if isinstance(self.strip_mm, list) and len(self.strip_mm) != self.lanes:
            raise ValueError(f"strip_mm has {len(self.strip_mm)} values for {self.lanes} lanes")
        return self

    @property
    def stack(self) -> Stack:
        """As the heat sees it."""
        one = self.strip_mm
        strips = tuple(one) if isinstance(one, list) else (one,) * self.lanes
        wood = Wood(species(self.species), self.moisture_percent)
        return Stack(strips, self.width_mm, wood, Film(self.film_mm))


class AdhesiveTable(_Table):
    """What every glue line must reach where it is pressed, and what nothing may exceed."""

    glue_degC: Temperature
    glue_top_degC: Temperature | None = None
    face_degC: Temperature
    hold_s: float = Field(default=0.0, ge=0.0, le=600.0)


class ZoneTable(_Table):
    """A zone: its heater, its losses, and its setpoint unless the plan is to choose that."""

    heater_W: Power
    loss_W_K: Conductance = 0.0
    link_W_K: Conductance = 0.0
    setpoint_degC: float = Field(default=95.0, ge=0.0, le=250.0)


class StretchTable(_Table):
    """Part of the way: `zone` from 1, none for air; `pressed` where rollers press.

    Where no contact is given, it is that of a smooth strip on a block, or of moving air.
    """

    name: str
    length_mm: Millimetres
    contact_W_m2K: Contact | None = None
    zone: int | None = Field(default=None, ge=1, le=ZONES)
    pressed: bool = False

    @property
    def stretch(self) -> Stretch:
        """As the heat sees it."""
        usual = MOVING_AIR_W_M2K if self.zone is None else CONTACT_W_M2K
        contact = usual if self.contact_W_m2K is None else self.contact_W_m2K
        zone = None if self.zone is None else self.zone - 1
        return Stretch(self.name, self.length_mm, contact, zone, self.pressed)


class HeadTable(_Table):
    """The head: zones, stretches in the order in which the strips pass, distances to the nozzle."""

    zone: list[ZoneTable] = Field(min_length=1, max_length=ZONES)
    stretch: list[StretchTable] = Field(min_length=1, max_length=20)
    chosen_zone: int = Field(default=1, ge=1, le=ZONES)
    block_degC: tuple[Temperature, Temperature] = (30.0, 140.0)
    tolerance_K: float = Field(default=2.0, ge=0.0, le=50.0)
    entry_degC: Temperature = 22.0
    air_degC: Temperature = 22.0
    shear_to_nozzle_mm: Distance = 0.0
    infeed_to_nozzle_mm: Distance = 0.0
    wheel_to_nozzle_mm: Distance = 0.0

    @model_validator(mode="after")
    def _zones_there(self) -> Self:
        there = len(self.zone)
        for number, stretch in enumerate(self.stretch, 1):
            if stretch.zone is not None and stretch.zone > there:
                raise ValueError(f"stretch {number}, zone: {stretch.zone} of {there} zones")
        if self.chosen_zone > there:
            raise ValueError(f"chosen_zone: {self.chosen_zone} of {there} zones")
        if {s.zone for s in self.stretch} - {None} != set(range(1, there + 1)):
            raise ValueError("every zone must warm a stretch; give the stretches their zones")
        self.way()
        return self

    def way(self) -> Way:
        """The stretches as the heat sees them."""
        return Way(tuple(s.stretch for s in self.stretch), self.entry_degC, self.air_degC)


class DriveTable(_Table):
    """A drive: load at the roller, pull-out torque as a fall or as a data sheet's table."""

    name: str
    roller_diameter_mm: Millimetres
    force_N: float = Field(ge=0.0, le=10_000.0)
    viscous_N_s_mm: float = Field(default=0.0, ge=0.0)
    bearing_Nm: float = Field(default=0.0, ge=0.0)
    inertia_kg_m2: float = Field(default=0.0, ge=0.0)
    acceleration_mm_s2: float = Field(default=0.0, ge=0.0)
    pull_out_Nm: Annotated[float, Field(gt=0.0)] | None = None
    half_rev_s: Annotated[float, Field(gt=0.0)] | None = None
    table_rev_s: list[float] | None = None
    table_Nm: list[float] | None = None
    margin: float = Field(default=USUAL_MARGIN, ge=1.0, le=20.0)

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        self.motor()
        return self

    def motor(self) -> PullOut:
        """Pull-out torque. Raises ValueError where it is told twice or not at all."""
        fall, table = (self.pull_out_Nm, self.half_rev_s), (self.table_rev_s, self.table_Nm)
        if fall[0] and fall[1] and table == (None, None):
            return PullOutFall(fall[0], fall[1])
        if table[0] and table[1] and fall == (None, None):
            return PullOutTable(tuple(table[0]), tuple(table[1]))
        raise ValueError("give pull_out_Nm with half_rev_s, or table_rev_s with table_Nm")

    def drive(self) -> Drive:
        """As the motor check wants it."""
        load = Load(
            self.roller_diameter_mm,
            self.force_N,
            self.viscous_N_s_mm,
            self.bearing_Nm,
            self.inertia_kg_m2,
            self.acceleration_mm_s2,
        )
        return Drive(self.name, load, self.motor(), self.margin)


class SpeedTable(_Table):
    """A speed, or "fastest" for the fastest safe one between two."""

    wanted_mm_s: Speed | Literal["fastest"] = "fastest"
    between_mm_s: tuple[Speed, Speed] = (2.0, 40.0)

    @field_validator("between_mm_s")
    @classmethod
    def _rising(cls, value: tuple[float, float]) -> tuple[float, float]:
        if not value[0] < value[1]:
            raise ValueError("give the lower speed first")
        return value


class CurveTable(_Table):
    """A curve from `start_mm` of cord on, turning left by `turn_deg`."""

    start_mm: float = Field(ge=0.0, le=2_000_000.0)
    radius_mm: Millimetres
    turn_deg: float = Field(ge=-36_000.0, le=36_000.0)


class PathTable(_Table):
    """The path: a CSV file beside the plan's, or a length with curves."""

    file: str | None = None
    length_mm: Annotated[float, Field(gt=0.0, le=2_000_000.0)] | None = None
    curve: list[CurveTable] = Field(default_factory=list, max_length=10_000)

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if (self.file is None) == (self.length_mm is None):
            raise ValueError("give a file, or length_mm with curves")
        if self.file is not None and self.curve:
            raise ValueError("the file has the curves; take [[path.curve]] out")
        return self


class LayingTable(_Table):
    """What the wood and the layers allow; a layer is as high as the strips are wide."""

    layer_mm: Millimetres | None = None
    strain_share: float = Field(default=STRAIN_SHARE, gt=0.0, le=1.0)
    overhang_deg: float = Field(default=OVERHANG_DEG, ge=0.0, lt=90.0)


class StaggerTable(_Table):
    """How far apart joints must lie, from each other and from the ends of the cord."""

    joints_mm: Distance
    ends_mm: Distance = 0.0
    shortest_strip_mm: Distance = 0.0


class StripsTable(_Table):
    """Strips at hand: `count` of a length, or a CSV file (name, length_mm, thickness_mm)."""

    file: str | None = None
    count: int | None = Field(default=None, ge=1, le=MOST_STRIPS)
    length_mm: Millimetres | None = None
    thickness_mm: Thickness | None = None
    name: str = "strip"

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        told = [self.count, self.length_mm]
        if (self.file is None) == (None in told) or (self.file is not None and told != [None] * 2):
            raise ValueError("give count and length_mm, or a file")
        return self


class MeasuredTable(_Table):
    """A glue line measured in a sacrificial stack: `glue_line` from 1, `zone_degC` of every zone.

    `at_mm` along the way; left out, `degC` is the highest that the thermocouple read.
    """

    speed_mm_s: Speed
    zone_degC: list[Temperature] = Field(min_length=1, max_length=ZONES)
    glue_line: int = Field(ge=1, le=LANES)
    degC: Temperature
    sigma_K: float = Field(default=1.0, gt=0.0, le=50.0)
    at_mm: Annotated[float, Field(gt=0.0, le=100_000.0)] | None = None

    def measured(self) -> Measured:
        """As the fit wants it."""
        zones = tuple(self.zone_degC)
        return Measured(
            self.speed_mm_s, zones, self.glue_line - 1, self.degC, self.sigma_K, self.at_mm
        )


class RunTable(_Table):
    """What goes into the run file besides: register settings."""

    settings: dict[str, float | list[float]] = Field(default_factory=dict)


class PlanFile(_Table):
    """A plan file."""

    format: Literal["plylane plan 1"]
    name: str = Field(min_length=1, max_length=100)
    stack: StackTable
    adhesive: AdhesiveTable
    head: HeadTable
    drive: list[DriveTable] = Field(default_factory=list, max_length=DRIVES)
    speed: SpeedTable = SpeedTable()
    path: PathTable
    laying: LayingTable = LayingTable()
    stagger: StaggerTable
    strips: list[StripsTable] = Field(min_length=1)
    measured: list[MeasuredTable] = Field(default_factory=list, max_length=1000)
    run: RunTable = RunTable()

    @model_validator(mode="after")
    def _case_holds_together(self) -> Self:
        self.case()
        for number, one in enumerate(self.measured, 1):
            if len(one.zone_degC) != len(self.head.zone):
                raise ValueError(
                    f"measured {number}, zone_degC: {len(one.zone_degC)} temperatures for "
                    f"{len(self.head.zone)} zones"
                )
        return self

    def case(self) -> HeatCase:
        """What is asked of the heat."""
        return heat_case(self.stack, self.adhesive, self.head)


def heat_case(stack: StackTable, glue: AdhesiveTable, head: HeadTable) -> HeatCase:
    """What is asked of the heat. Raises ValueError where the tables do not go together."""
    limits = Limits(
        glue.glue_degC,
        glue.face_degC,
        glue.hold_s,
        inf if glue.glue_top_degC is None else glue.glue_top_degC,
        head.block_degC,
        head.tolerance_K,
    )
    return HeatCase(
        stack.stack,
        head.way(),
        limits,
        tuple(zone.setpoint_degC for zone in head.zone),
        tuple(Block(zone.heater_W, zone.loss_W_K, zone.link_W_K) for zone in head.zone),
        head.chosen_zone - 1,
    )


def read_plan(path: Path) -> tuple[PlanFile, Job]:
    """Read a plan file and what it names. Raises PlanError."""
    text = _text(path, "a plan's TOML file")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{path}: not valid TOML: {error}; correct the file there") from error
    lines = lines_of(text)
    if data.get("format") != FORMAT:
        line = line_of(lines, ("format",))
        raise PlanError(
            f"{path}{_at(line)}, format: {data.get('format')!r}; this version reads {FORMAT!r}"
        )
    try:
        file = PlanFile.model_validate(data)
    except ValidationError as error:
        raise PlanError(f"{path}{_told(error, lines)}") from error
    return file, _job(file, path, lines)


def _at(line: int | None) -> str:
    return "" if line is None else f", line {line}"


def _told(error: ValidationError, lines: dict[Place, int]) -> str:
    # a misspelt name tells more than the missing one it leaves behind
    first = min(error.errors(include_url=False), key=lambda e: e["type"] != "extra_forbidden")
    more = f" (and {error.error_count() - 1} more)" if error.error_count() > 1 else ""
    place = tuple(part for part in first["loc"] if not _is_branch(part))
    field = _field(place)
    match first["type"]:
        case "missing":
            what = "is missing; add it"
        case "extra_forbidden":
            what = "is not known; check its spelling or take it out"
        case "value_error":
            what = str(first["ctx"]["error"])
        case _:
            shown = first["input"]
            message = first["msg"].replace("Input should be", "give a value").lower()
            what = f"{shown!r:.40}: {message}"
    return f"{_at(line_of(lines, place))}{', ' if field else ''}{field}: {what}{more}"


def _is_branch(part: str | int) -> bool:
    """pydantic names which form of a field it tried: that says nothing to a person."""
    return (
        isinstance(part, str)
        and re.search(r"^(constrained-)?float|^list\[|^literal\[", part) is not None
    )


def _field(place: Sequence[str | int]) -> str:
    """("head", "zone", 1, "heater_W") -> "head.zone 2.heater_W"."""
    text = ""
    for part in place:
        text += f" {part + 1}" if isinstance(part, int) else f".{part}"
    return text.lstrip(".")


def _job(file: PlanFile, path: Path, lines: dict[Place, int]) -> Job:
    head, laying, rule = file.head, file.laying, file.stagger
    speed = file.speed.wanted_mm_s
    case, fit = file.case(), _contact(file, path, lines)
    return Job(
        file.name,
        case if fit is None else replace(case, way=fit.way),
        _path(file.path, path, lines),
        _strips(file, path, lines),
        StaggerRule(rule.joints_mm, rule.ends_mm, rule.shortest_strip_mm),
        Geometry(head.shear_to_nozzle_mm, head.infeed_to_nozzle_mm, head.wheel_to_nozzle_mm),
        Laying(laying.layer_mm or file.stack.width_mm, laying.strain_share, laying.overhang_deg),
        tuple(table.drive() for table in file.drive),
        None if speed == "fastest" else speed,
        file.speed.between_mm_s,
        fit,
    )


def _contact(file: PlanFile, path: Path, lines: dict[Place, int]) -> ContactFit | None:
    """The contact that the measured glue lines tell of; None where nothing was measured."""
    if not file.measured:
        return None
    case = file.case()
    try:
        return fit_contact(case.stack, case.way, [one.measured() for one in file.measured])
    except ContactError as error:
        number = re.match(r"measurement (\d+)", str(error))
        place: Place = ("measured", int(number[1]) - 1) if number else ("measured",)
        raise PlanError(f"{path}{_at(line_of(lines, place))}, measured: {error}") from error


def _path(table: PathTable, path: Path, lines: dict[Place, int]) -> CordPath:
    try:
        if table.file is not None:
            beside = path.parent / table.file
            return parse(_text(beside, "a path's CSV file"), str(beside))
        curves = [Curve(c.start_mm, c.radius_mm, c.turn_deg) for c in table.curve]
        return from_curves(table.length_mm or 0.0, curves)
    except PathError as error:
        if table.file is not None:
            raise PlanError(str(error)) from error
        number = re.match(r"curve (\d+)", str(error))
        place: Place = ("path", "curve", int(number[1]) - 1) if number else ("path",)
        raise PlanError(f"{path}{_at(line_of(lines, place))}, path: {error}") from error


def _strips(file: PlanFile, path: Path, lines: dict[Place, int]) -> tuple[Strip, ...]:
    strips: list[Strip] = []
    for number, table in enumerate(file.strips):
        if table.file is not None:
            beside = path.parent / table.file
            strips += _strips_csv(_text(beside, "a CSV file of strips"), str(beside))
            continue
        for _ in range(table.count or 0):
            name = f"{table.name} {len(strips) + 1}"
            strips.append(Strip(name, table.length_mm or 0.0, table.thickness_mm))
        if len(strips) > MOST_STRIPS:
            place = _at(line_of(lines, ("strips", number)))
            raise PlanError(f"{path}{place}, strips: more than {MOST_STRIPS}; plan in parts")
    return tuple(strips)


def _strips_csv(text: str, where: str) -> list[Strip]:
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), skipinitialspace=True)
    if "length_mm" not in (reader.fieldnames or []):
        raise PlanError(f"{where}, line 1: column length_mm is missing; add it")
    strips: list[Strip] = []
    for row in reader:
        line = reader.line_num
        length = _positive(row.get("length_mm"), f"{where}, line {line}, length_mm", 100_000.0)
        thick = row.get("thickness_mm")
        name = (row.get("name") or "").strip() or f"strip {len(strips) + 1}"
        strips.append(
            Strip(
                name,
                length,
                _positive(thick, f"{where}, line {line}, thickness_mm", 20.0) if thick else None,
            )
        )
    if not 1 <= len(strips) <= MOST_STRIPS:
        raise PlanError(f"{where}: {len(strips)} strips; give 1 to {MOST_STRIPS}")
    return strips


def _positive(text: str | None, where: str, most: float) -> float:
    try:
        value = float(text or "")
    except ValueError:
        raise PlanError(f"{where}: {text!r} is no number; correct it") from None
    if not 0.0 < value <= most:
        raise PlanError(f"{where}: {value:g} is not above 0 and up to {most:g}; correct it")
    return value


def _text(path: Path, what: str) -> str:
    return read_text(path, PlanError, f"give {what}", SIZE_MAX)
