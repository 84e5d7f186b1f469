"""What a run is to do: speed, length, setpoints and the settings it needs."""

from __future__ import annotations

import tomllib
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from plylane.feed.strip_plan import StripPlan
from plylane.head.client import HeadClient
from plylane.head.registers import BLOCKS, ZONES, Command, FeedSource, TrimMode, ZoneMode
from plylane.text_file import read_text

Setpoint = Annotated[float, Field(ge=0, le=250)]


class SetupError(ValueError):
    """A run setup that cannot be used: names the file, the field and the remedy in one line."""


class RunSetup(BaseModel):
    """One run.

    `settings` maps a register name such as ``zone_settings.kp_percent_per_degC`` to its value in
    the register's unit, or to a list with one value an instance. `clearing_s` is how long the
    technician of the demo takes to clear a jam before going on. With the `source` "path" or
    "path_position" the cell leads: the speed is what is expected of it. The second ends at
    `length_mm`, the length of the robot's path; the first, and a path whose length is 0 or left
    out because nobody knows it, when somebody asks for Complete. `trim`
    sets how the feed is trimmed to the laid length; left out, it stays as the head has it.
    `shear_at_mm` is where in the cord the cut shall lie, 0 for none; how far the shear stands
    before the nozzle is the setting ``machine.shear_to_nozzle_mm``. `strips`, where they are told,
    are kept book of lane by lane.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    length_mm: float = Field(default=0.0, ge=0, le=2_000_000)
    speed_mm_s: float = Field(gt=0, le=100)
    source: Literal["length", "path", "path_position"] = "length"
    trim: Literal["off", "fixed", "automatic"] | None = None
    setpoints_degC: list[Setpoint] = Field(min_length=1, max_length=ZONES)
    shear_at_mm: float = Field(default=0.0, ge=0)
    clearing_s: float = Field(default=25.0, ge=0)
    settings: dict[str, float | list[float]] = Field(default_factory=dict)
    strips: StripPlan | None = None

    @model_validator(mode="after")
    def _length_is_known(self) -> RunSetup:
        if self.source == "length" and self.length_mm == 0.0:
            raise ValueError(
                "length_mm is 0 or left out: give the length of the cord; only with the source"
                ' "path" or "path_position" need nobody know it'
            )
        return self

    @model_validator(mode="after")
    def _cut_lies_in_the_cord(self) -> RunSetup:
        if self.length_mm and self.shear_at_mm > self.length_mm:
            raise ValueError(
                f"shear_at_mm {self.shear_at_mm:g} lies beyond length_mm {self.length_mm:g}:"
                " give at most the length, or the cut never comes"
            )
        return self

    @model_validator(mode="after")
    def _registers_exist(self) -> RunSetup:
        for name, value in self.settings.items():
            _check_setting(name, value)
        return self

    @classmethod
    def load(cls, path: Path) -> RunSetup:
        """Read the ``[run]`` table of a scenario or run file. Raises SetupError.

        There `path_file` may name a path's CSV file (see `plylane.plan.path.parse`), from the run
        file's folder: it gives `length_mm`, where that is left out, and the curves of `strips`.
        """
        table = _read(path).get("run")
        if isinstance(table, dict) and "path_file" in table:
            table = _with_path(dict(table), path)
        return cls.from_table(table, str(path))

    @classmethod
    def from_table(cls, table: Any, where: str) -> RunSetup:
        """Check a ``[run]`` table. Raises SetupError naming `where` and the field."""
        if not isinstance(table, dict):
            raise SetupError(f"{where}: has no [run] table; add one with length_mm and speed_mm_s")
        try:
            return cls.model_validate(table)
        except ValidationError as error:
            # a misspelt name tells more than the missing one it leaves behind
            first = min(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
            field = ".".join(["run", *(str(part) for part in first["loc"])])
            more = f" (and {error.error_count() - 1} more)" if error.error_count() > 1 else ""
            what = first["msg"].removeprefix("Value error, ")
            raise SetupError(f"{where}: {field}: {what}{more}") from error

    def write_settings(self, client: HeadClient) -> None:
        """Write the settings; the head must stand. Raises the client's errors."""
        for name, value in self.settings.items():
            for instance, one in enumerate(value if isinstance(value, list) else [value]):
                client.write(name, one, instance)

    def write_run(self, client: HeadClient) -> None:
        """Write setpoints, modes, speed and length, ready for start."""
        for zone, degC in enumerate(self.setpoints_degC):
            client.write("zone.setpoint_degC", degC, zone)
            client.write("zone.mode", ZoneMode.AUTOMATIC, zone)
        client.write("feed.source", FeedSource[self.source.upper()])
        client.write("feed.speed_mm_s", self.speed_mm_s)
        client.write("feed.length_mm", self.length_mm)
        if self.trim is not None:
            client.write("feed.trim_mode", TrimMode[self.trim.upper()])
        if self.shear_at_mm:
            client.write("feed.shear_at_mm", self.shear_at_mm)

    def start(self, client: HeadClient) -> None:
        """Write the run and start it."""
        self.write_run(client)
        client.command(Command.START)


def _with_path(table: dict[str, Any], where: Path) -> dict[str, Any]:
    """The table with what the path's file says in place of its name."""
    from plylane.plan.path import PathError, curves, parse  # brings scipy along: not needed before

    name, strips = table.pop("path_file"), table.get("strips")
    if not isinstance(name, str):
        raise SetupError(f"{where}: run.path_file: {name!r} is no file; name the path's CSV file")
    if isinstance(strips, dict) and "curve" in strips:
        raise SetupError(f"{where}: run.strips.curve: the path_file has the curves; take them out")
    beside = where.parent / name
    try:
        path = parse(_text(beside), str(beside))
    except PathError as error:
        raise SetupError(str(error)) from error
    table.setdefault("length_mm", round(path.length_mm, 3))
    if isinstance(strips, dict):
        table["strips"] = strips | {"curve": [asdict(curve) for curve in curves(path)]}
    return table


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(_text(path))
    except tomllib.TOMLDecodeError as error:
        raise SetupError(f"{path}: not valid TOML: {error}") from error


def _text(path: Path) -> str:
    return read_text(path, SetupError, "name a text file")


def _check_setting(name: str, value: float | list[float]) -> None:
    block_name, _, register_name = name.partition(".")
    block = BLOCKS.get(block_name)
    if block is None or not block.stored:
        raise ValueError(f"{name}: no such setting; docs/registers.md lists the stored registers")
    try:
        register = block.register(register_name)
    except KeyError:
        raise ValueError(f"{name}: no such setting; docs/registers.md lists them") from None
    values = value if isinstance(value, list) else [value]
    if len(values) > block.instances:
        raise ValueError(f"{name}: {len(values)} values for {block.instances} instances")
    for one in values:
        register.encode(one)
