"""Calibration records: one TOML file each, never changed; an undo is a record of its own."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from plylane.calibrate_run.settings import Change
from plylane.feed.calibration import CalibrationError

FORMAT = "plylane calibration 1"
FOLDER = Path("calibrations")


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Written(_Strict):
    """A register that was written, its instance from 1, its value before and after."""

    setting: str
    instance: int = Field(ge=1)
    before: float
    after: float

    @property
    def change(self) -> Change:
        """As the head is told."""
        return Change(self.setting, self.instance - 1, self.before, self.after)


class CalibrationRecord(_Strict):
    """A whole file. `found` is as `plylane calibrate --json` gives it; `undoes` names the record
    whose writing this one took back.
    """

    format: Literal["plylane calibration 1"]
    date: datetime
    kind: Literal["drive", "wheel", "lanes", "slip", "ratio", "undo"]
    what: str
    operator: str
    note: str
    head: str
    found: list[dict[str, Any]] = []
    written: list[Written] = []
    undoes: str = ""

    @property
    def changes(self) -> tuple[Change, ...]:
        """What it wrote."""
        return tuple(one.change for one in self.written)

    @property
    def result(self) -> str:
        """What was found and how sure, in a few words."""
        if not self.found:
            return f"undoes {self.undoes}"
        first = self.found[0]
        if self.kind == "slip":
            return f"{first['slip_percent']:.2f} ± {first['slip_expanded_percent']:.2f} %"
        if self.kind == "ratio":
            return f"{first['middle_ppm']:.0f} ± {first['middle_expanded_ppm']:.0f} ppm"
        worst = max(one["expanded_percent"] for one in self.found)
        if self.kind == "drive":
            return f"{first['counts_per_m']:.2f} /m ± {worst:.3f} %"
        values = ", ".join(f"{one['mm_per_count']:.6g}" for one in self.found)
        return f"{values} mm ± {worst:.3f} %"


Kept = tuple[Path, CalibrationRecord]
"""A record and its file."""


def write_record(
    folder: Path,
    *,
    kind: str,
    what: str,
    operator: str,
    note: str,
    head: str,
    found: list[dict[str, Any]],
    changes: Sequence[Change],
    undoes: str = "",
) -> Path:
    """Write a new file into the folder. Raises CalibrationError where it cannot be written."""
    now = datetime.now(UTC)
    form: dict[str, Any] = {
        "format": FORMAT,
        "date": now,
        "kind": kind,
        "what": what,
        "operator": operator,
        "note": note,
        "head": head,
        "found": json.loads(json.dumps(found, allow_nan=False)),
        "written": [
            {
                "setting": one.register,
                "instance": one.instance + 1,
                "before": float(one.before),
                "after": float(one.after),
            }
            for one in changes
        ],
        "undoes": undoes,
    }
    name = f"{now:%Y%m%d-%H%M%S}-{'-'.join(what.replace('(', '').replace(')', '').split())}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        number, path = 1, folder / f"{name}.toml"
        while path.exists():
            number += 1
            path = folder / f"{name}-{number}.toml"
        beside = path.with_suffix(".new")
        beside.write_text(tomli_w.dumps(form), encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise CalibrationError(
            f"{folder}: the calibration record cannot be written ({error.strerror}): make room, or"
            " name another folder"
        ) from error
    return path


def read_record(path: Path) -> CalibrationRecord:
    """Read a file. Raises CalibrationError naming it and the place."""
    try:
        form = tomllib.loads(path.read_text(encoding="utf-8"))
        return CalibrationRecord.model_validate(form)
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not a text file"
        raise CalibrationError(f"{path}: {reason}: name a calibration record") from error
    except tomllib.TOMLDecodeError as error:
        raise CalibrationError(f"{path}: not valid TOML: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise CalibrationError(
            f"{path}: {place}: {first['msg']}: give a file of format '{FORMAT}', unchanged"
        ) from error


def read_records(folder: Path) -> list[Kept]:
    """All records of a folder, oldest first; none where there is no folder yet.

    Raises CalibrationError for a record that is none, and for what is no folder.
    """
    if folder.exists() and not folder.is_dir():
        raise CalibrationError(f"{folder} is not a folder: give the folder of the records")
    found = [(path, read_record(path)) for path in sorted(folder.glob("*.toml"))]
    return sorted(found, key=lambda one: one[1].date)


def last_to_undo(
    records: Sequence[Kept],
) -> Kept:
    """The newest record that wrote something and was not undone. Raises CalibrationError."""
    undone = {record.undoes for _, record in records}
    for path, record in reversed(records):
        if record.written and record.kind != "undo" and path.name not in undone:
            return path, record
    raise CalibrationError("no calibration here has been written into a head: nothing to undo")
