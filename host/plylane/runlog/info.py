"""run.toml: what was run, on what, and how it ended."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from plylane.head.registers import DRIVES, LANES, ZONES
from plylane.runlog.errors import RunError

FORMAT = "plylane run 1"
FILE = "run.toml"


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class RunEnd(_Table):
    """How a run ended. Written last: a run without it was cut off.

    `state` is the machine state at the end; the counts say how many rows each stream holds and
    `rows_lost` how many could not be written (full disk, queue full).
    """

    state: str
    telemetry_rows: int = Field(ge=0)
    event_rows: int = Field(ge=0)
    finding_rows: int = Field(ge=0)
    journal_rows: int = Field(default=0, ge=0)
    rows_lost: int = Field(default=0, ge=0)


class RunInfo(_Table):
    """What was run.

    `zones`, `drives`, `lanes` are the fitted ones. `started` is the wall-clock time in ISO 8601,
    empty in virtual time so that the same run gives the same bytes. `versions` maps a part to its
    version, `head` holds the identity the head gave, `settings` maps a register ("block.name") to
    its value in its unit, or a list with one value an instance. `scenario` and `plan` are kept as
    they were given.
    """

    name: str
    zones: int = Field(ge=1, le=ZONES)
    drives: int = Field(ge=1, le=DRIVES)
    lanes: int = Field(ge=1, le=LANES)
    started: str = ""
    seed: int | None = None
    versions: dict[str, str] = Field(default_factory=dict)
    head: dict[str, Any] = Field(default_factory=dict)
    settings: dict[str, Any] = Field(default_factory=dict)
    scenario: dict[str, Any] = Field(default_factory=dict)
    plan: dict[str, Any] = Field(default_factory=dict)
    end: RunEnd | None = None

    @property
    def fitted(self) -> tuple[int, int, int]:
        """Zones, drives and lanes, in the order the schema wants them."""
        return self.zones, self.drives, self.lanes


def to_toml(info: RunInfo) -> str:
    """The text of run.toml."""
    parts = {"format": FORMAT, **_without_none(info.model_dump(mode="json"))}
    return tomli_w.dumps({key: value for key, value in parts.items() if value not in ("", {})})


def _without_none(value: Any) -> Any:
    """TOML has no null: what is not set is left out."""
    if isinstance(value, dict):
        return {key: _without_none(part) for key, part in value.items() if part is not None}
    if isinstance(value, list):
        return [_without_none(part) for part in value if part is not None]
    return value


def write_info(folder: Path, info: RunInfo) -> None:
    """Put run.toml into the folder; a crash leaves the old one or the new one. Raises OSError."""
    unfinished = folder / (FILE + ".new")
    with unfinished.open("w", encoding="utf-8", newline="\n") as file:
        file.write(to_toml(info))
        file.flush()
        os.fsync(file.fileno())
    unfinished.replace(folder / FILE)


def read_info(folder: Path) -> RunInfo:
    """What run.toml says. Raises RunError."""
    file = folder / FILE
    parts = _parse(file, _text(folder, file))
    _check_format(file, parts)
    try:
        return RunInfo.model_validate(parts)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise RunError(file, f"{place}: {first['msg']}", "correct this line") from error


def _text(folder: Path, file: Path) -> str:
    if not folder.is_dir():
        raise RunError(folder, "no such run folder", "give the folder that holds run.toml")
    try:
        return file.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise RunError(file, "is missing", "give the folder of a recorded run") from error
    except UnicodeDecodeError as error:
        remedy = "the file is damaged, restore it from a copy"
        raise RunError(file, f"byte {error.start} is not UTF-8", remedy) from error
    except OSError as error:
        raise RunError(file, f"cannot be read ({error.strerror})", "check its rights") from error


def _parse(file: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RunError(file, f"is not TOML: {error}", "correct it or restore it") from error


def _check_format(file: Path, parts: dict[str, Any]) -> None:
    found = parts.pop("format", None)
    if found == FORMAT:
        return
    versions = parts.get("versions")
    writer = versions.get("plylane") if isinstance(versions, dict) else None
    remedy = f"open it with plylane {writer or 'of the version that wrote it'}"
    raise RunError(file, f"format is {found!r}, this program reads {FORMAT!r}", remedy)
