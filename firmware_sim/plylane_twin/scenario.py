"""Scenario files: what stands on the bench and what goes wrong when.

Everything but `[run]` is checked here; `[run]` is what the technician does and belongs to the host.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_core import ErrorDetails

from plylane.head.registers import DRIVES, State
from plylane_twin.fault_kinds import FAULT_KINDS, OVER_MM_MAX, FaultKind, Size
from plylane_twin.plant_parameters import ParameterError, PlantParameters

FORMAT = "plylane scenario 1"
DEMO = Path(__file__).parent / "scenarios" / "demo.toml"
SIZE_MAX = 1_000_000  # bytes; a scenario is a page of text
STATES = tuple(state.name.lower() for state in State)
NO_CODE = -1  # not a fault of the plant
TWIN_KINDS = (
    FaultKind("power_lost", NO_CODE, "The head has no power; settings being written may suffer."),
    FaultKind("brown_out", NO_CODE, "The supply dips so low that the head resets."),
    FaultKind("watchdog_reset", NO_CODE, "The head's program hangs and its watchdog resets it."),
    FaultKind("pulse_late", NO_CODE, "One pulse period comes too late."),
    FaultKind(
        "line_noise", NO_CODE, "Bits on the serial line are wrong.",
        None, Size("bit_error_rate", 1e-3, 0.0, 0.5),
    ),
)  # fmt: skip
KINDS = FAULT_KINDS | {kind.name: kind for kind in TWIN_KINDS}
DARK = ("power_lost", "brown_out")  # the head is off meanwhile
_STARTS = ("at_s", "at_output_mm", "at_state")
_WORDS = (
    ("Input should be", "give"),
    ("a valid integer", "a whole number"),
    ("a valid ", "a "),
    ("greater than or equal to", "no less than"),
    ("less than or equal to", "no more than"),
    ("greater than", "more than"),
)
_TOML_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|(end of document))\)$")


class ScenarioError(ValueError):
    """A scenario file cannot be used; the message names the file, the place and the remedy."""


def _known_state(value: str) -> str:
    if value not in STATES:
        raise ValueError(f"{value!r} is not a machine state; give one of {', '.join(STATES)}")
    return value


class _Strict(BaseModel):
    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, allow_inf_nan=False, str_strip_whitespace=True
    )


class Until(_Strict):
    """A fault ends once the machine has been in `state` for `for_s` seconds with it standing."""

    state: str
    for_s: float = Field(default=0.0, ge=0.0)

    _state_exists = field_validator("state")(_known_state)


class Fault(_Strict):
    """One fault: what, where (parts count from 1), how bad, from when, until when.

    In a file the size goes by the name that docs/twin.md gives it for that kind. A fault without
    `for_s` and `until` stays.
    """

    kind: str
    lane: int | None = None
    zone: int | None = None
    drive: int | None = None
    size: float | None = None
    over_mm: float = Field(default=0.0, ge=0.0, le=OVER_MM_MAX)
    at_s: float | None = Field(default=None, ge=0.0)
    at_output_mm: float | None = Field(default=None, ge=0.0)
    at_state: str | None = None
    for_s: float | None = Field(default=None, ge=0.001)
    until: Until | None = None

    _state_exists = field_validator("at_state")(_known_state)

    @property
    def what(self) -> FaultKind:
        """The kind, with what it needs."""
        return KINDS[self.kind]

    @property
    def part(self) -> int:
        """Number of the lane, zone or drive, from 1; 0 where the kind has none."""
        return getattr(self, self.what.part) if self.what.part else 0

    @property
    def strength(self) -> float:
        """The size, or the kind's default; 0 where the kind has none."""
        if self.size is not None or self.what.size is None:
            return self.size or 0.0
        return self.what.size.default

    @model_validator(mode="before")
    @classmethod
    def _by_kind(cls, values: Any) -> Any:
        """Check the fields against the kind, and give the size its common name."""
        if not isinstance(values, dict) or not isinstance(values.get("kind"), str):
            return values  # pydantic says it better
        kind = KINDS.get(values["kind"])
        if kind is None:
            raise ValueError(
                f"kind {values['kind']!r} is not known; give one of {', '.join(KINDS)}"
            )
        _check_names(kind, values)
        if kind.size is None or kind.size.name not in values:
            return values
        size = values[kind.size.name]
        _check_size(kind.size, size)
        rest = {name: value for name, value in values.items() if name != kind.size.name}
        return {**rest, "size": float(size)}

    @model_validator(mode="after")
    def _timed(self) -> Self:
        starts = [name for name in _STARTS if getattr(self, name) is not None]
        if len(starts) != 1:
            raise ValueError(f"give one of {', '.join(_STARTS)} to say when it starts")
        if self.for_s is not None and self.until is not None:
            raise ValueError("it ends by for_s or by until; take one out")
        if self.kind in DARK and self.for_s is None:
            raise ValueError(f"for_s is missing; say how long {self.kind} lasts")
        return self


def _check_names(kind: FaultKind, values: dict[str, Any]) -> None:
    if kind.part and kind.part not in values:
        raise ValueError(f"{kind.part} is missing; {kind.name} needs it, counted from 1")
    takes = {"kind", "for_s", "until", *_STARTS}
    if kind.part:
        takes.add(kind.part)
    if kind.size:
        takes.add(kind.size.name)
    if kind.grows:
        takes.add("over_mm")
    for name in values:
        if name not in takes:
            raise ValueError(
                f"{name} does not belong to {kind.name}; it takes {', '.join(sorted(takes))}"
            )


def _check_size(size: Size, value: Any) -> None:
    if not _is_number(value) or not size.least <= value <= size.most:
        raise ValueError(f"{size.name} must be a number from {size.least:g} to {size.most:g}")


class LineSettings(_Strict):
    """The serial line: adapter latency (lowest, highest) and how often a bit is wrong."""

    latency_ms: tuple[float, float] = (1.0, 4.0)
    bit_error_rate: float = Field(default=1e-7, ge=0.0, le=0.5)

    @field_validator("latency_ms", mode="before")
    @classmethod
    def _two_numbers(cls, value: Any) -> Any:
        pair = tuple(value) if isinstance(value, list) else value
        if not (isinstance(pair, tuple) and len(pair) == 2 and all(map(_is_number, pair))):
            raise ValueError("give two numbers: [lowest, highest]")
        if not 0.0 <= pair[0] <= pair[1] <= 1000.0:
            raise ValueError("give two numbers from 0 to 1000, the lower one first")
        return pair


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


class Scenario(_Strict):
    """A scenario. `run` is left as read; the host checks it."""

    format: str
    name: str = Field(min_length=1)
    run: dict[str, Any] = Field(default_factory=dict)
    plant: dict[str, Any] = Field(default_factory=dict)
    line: LineSettings = Field(default_factory=LineSettings)
    fault: list[Fault] = Field(default_factory=list)

    @field_validator("format")
    @classmethod
    def _format_known(cls, value: str) -> str:
        if value != FORMAT:
            raise ValueError(
                f"{value!r} is not understood; this version of plylane reads {FORMAT!r}"
            )
        return value

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        try:
            parameters = PlantParameters.load(self.plant)
        except ParameterError as error:
            raise ValueError(_plain(str(error))) from error
        there = {"lane": parameters.lanes, "zone": parameters.zones, "drive": DRIVES}
        for number, fault in enumerate(self.fault, 1):
            part = fault.what.part
            if part and not 1 <= fault.part <= there[part]:
                raise ValueError(f"fault {number}, {part}: give one from 1 to {there[part]}")
        return self

    @property
    def faults(self) -> Sequence[Fault]:
        """What goes wrong, in the order of the file."""
        return self.fault

    @classmethod
    def load(cls, path: str | Path) -> Self:
        """Read a scenario file. Raises ScenarioError."""
        path = Path(path)
        return cls.parse(_read(path), str(path))

    @classmethod
    def demo(cls) -> Self:
        """The demo: a rib of a pendant lamp, with a jam in lane 3."""
        return cls.load(DEMO)

    @classmethod
    def parse(cls, text: str, source: str = "scenario") -> Self:
        """Check the text of a scenario; `source` names it in errors. Raises ScenarioError."""
        try:
            return cls.model_validate(tomllib.loads(text))
        except tomllib.TOMLDecodeError as error:
            raise ScenarioError(f"{source}{_toml_fault(error)}; correct the file there") from error
        except ValidationError as error:
            raise ScenarioError(f"{source}, {_field_fault(error)}") from error


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > SIZE_MAX:
            raise ScenarioError(f"{path}: too large for a scenario; give a scenario's TOML file")
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise ScenarioError(
            f"{path}: no such file; give the path of a scenario, or none for the demo"
        ) from error
    except UnicodeDecodeError as error:
        raise ScenarioError(
            f"{path}, byte {error.start}: not UTF-8 text; give a scenario's TOML file"
        ) from error
    except OSError as error:
        raise ScenarioError(
            f"{path}: cannot be read ({error.strerror}); give a scenario's TOML file"
        ) from error


def _toml_fault(error: tomllib.TOMLDecodeError) -> str:
    """Where and what, from tomllib's message, which carries the place in its text only."""
    message = str(error)
    place = _TOML_PLACE.search(message)
    what = message[: place.start()] if place else message
    what = what[:1].lower() + what[1:]
    if place is None:
        return f": {what}"
    return f", line {place[1]}: {what}" if place[1] else f", end of file: {what}"


def _field_fault(error: ValidationError) -> str:
    first, *others = error.errors(include_url=False)
    more = f" (and {len(others)} more to correct)" if others else ""
    return ": ".join(filter(None, [_place(first), _remedy(first)])) + more


def _place(detail: ErrorDetails) -> str:
    """("fault", 1, "until", "state") -> "fault 2, until.state"; faults count from 1."""
    parts = [str(part + 1) if isinstance(part, int) else part for part in detail["loc"]]
    if detail["loc"][:1] == ("fault",) and len(parts) > 1:
        return ", ".join(filter(None, [f"fault {parts[1]}", ".".join(parts[2:])]))
    return ".".join(parts)


def _remedy(detail: ErrorDetails) -> str:
    match detail["type"]:
        case "missing":
            return "is missing; add it"
        case "extra_forbidden":
            return "is not known; check its spelling or take it out"
        case "value_error":
            return str(detail["ctx"]["error"])
    return f"{detail['input']!r:.40}: {_plain(detail['msg'])}"


def _plain(message: str) -> str:
    """pydantic's words as an instruction."""
    for theirs, ours in _WORDS:
        message = message.replace(theirs, ours)
    return message
