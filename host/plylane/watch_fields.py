"""The detectors' settings for people: each in words, with its unit and range; changes from text.

Everything is read from `WatchSettings` itself, so a setting added there appears here.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from annotated_types import Ge, Gt, Le, Lt
from pydantic import ValidationError
from pydantic.fields import FieldInfo

from plylane.jam import WatchSettings

_UNITS = (("_mm_s", "mm/s"), ("_mm", "mm"), ("_degC", "°C"), ("_s", "s"), ("_hours", "h"))
_BOUNDS: tuple[tuple[type, str, str], ...] = (
    (Ge, "ge", "at least"),
    (Gt, "gt", "above"),
    (Le, "le", "at most"),
    (Lt, "lt", "below"),
)


class WatchSettingsError(ValueError):
    """Settings that cannot be. `problems`: by name of the setting, what it must be instead."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        self.problems = dict(problems)
        super().__init__("; ".join(self.problems.values()))


@dataclass(frozen=True, slots=True)
class WatchField:
    """One setting. `bounds` says what it may be, e.g. "above 0, at most 20"; "" for anything."""

    name: str
    words: str
    unit: str
    bounds: str
    meaning: str

    @classmethod
    def of(cls, name: str, info: FieldInfo) -> WatchField:
        """From its declaration."""
        ending, unit = next(((e, u) for e, u in _UNITS if name.endswith(e)), ("", ""))
        words = name.removesuffix(ending) if unit != "h" else name
        meaning = " ".join((info.description or "").split())
        return cls(name, words.replace("_", " "), unit, _bounds(info.metadata), meaning)

    @property
    def wanted(self) -> str:
        """What it must be, with the unit."""
        return f"{self.bounds or 'any number'} {self.unit}".rstrip()


def _bounds(metadata: Iterable[Any]) -> str:
    told = [
        f"{words} {number_text(getattr(rule, attribute))}"
        for kind, attribute, words in _BOUNDS
        for rule in metadata
        if isinstance(rule, kind)
    ]
    return ", ".join(told)


def number_text(value: float) -> str:
    """A setting's value, as short as is exact."""
    text = repr(float(value))
    return text.removesuffix(".0") if "e" not in text else f"{value:g}"


FIELDS = tuple(
    WatchField.of(name, info)
    for name, info in WatchSettings.model_fields.items()
    if info.annotation is float  # where strips end is known of a run, not chosen
)
_BY_NAME = {field.name: field for field in FIELDS}


def differing(settings: WatchSettings, base: WatchSettings) -> dict[str, float]:
    """The settings that differ from `base`, by name."""
    values = {field.name: float(getattr(settings, field.name)) for field in FIELDS}
    return {name: value for name, value in values.items() if value != getattr(base, name)}


def with_changes(base: WatchSettings, changes: Mapping[str, str]) -> WatchSettings:
    """`base` with other values for some settings, given as text.

    Raises WatchSettingsError naming every setting that cannot be.
    """
    problems = {name: _unknown(name) for name in changes if name not in _BY_NAME}
    values: dict[str, float] = {}
    for name in (name for name in changes if name in _BY_NAME):
        try:
            values[name] = _number(changes[name])
        except ValueError:
            problems[name] = _refused(name, changes[name])
    try:
        settings = WatchSettings.model_validate(base.model_dump() | values)
    except ValidationError as error:
        problems |= _refusals(error, changes)
    if problems:
        raise WatchSettingsError(problems)
    return settings


def changes_of(told: Iterable[str]) -> dict[str, str]:
    """NAME=VALUE texts by name, the last of a name counting. Raises WatchSettingsError."""
    changes = {}
    for text in told:
        name, equals, value = text.partition("=")
        name = name.strip()
        if not equals:
            raise WatchSettingsError({name: f"{text!r}: give it as NAME=VALUE"})
        if name not in _BY_NAME:
            raise WatchSettingsError({name: _unknown(name)})
        changes[name] = value.strip()
    return changes


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _unknown(name: str) -> str:
    near = difflib.get_close_matches(name, _BY_NAME, n=3, cutoff=0.5)
    offered = f"near it: {', '.join(near)}" if near else f"there are: {', '.join(_BY_NAME)}"
    return f"the detectors have no setting {name!r}; {offered}"


def _refused(name: str, text: str) -> str:
    return f"{name} is {text!r}, it must be a number {_BY_NAME[name].wanted}"


def _refusals(error: ValidationError, changes: Mapping[str, str]) -> dict[str, str]:
    """By setting; what concerns several together goes with the first that was changed."""
    found: dict[str, str] = {}
    for one in error.errors():
        name = str(one["loc"][0]) if one["loc"] else next(iter(changes))
        alone = bool(one["loc"]) and name in changes
        found[name] = _refused(name, changes[name]) if alone else str(one["msg"])
    return found
