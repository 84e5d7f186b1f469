"""What opens a window that is shut at a wanted speed: each change alone, and how much of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil, floor, log10

import numpy as np

from plylane.plan.contact import with_contact
from plylane.plan.heat_case import HeatCase
from plylane.plan.window import fastest_safe, room_K

SLOWEST_SHARE = 0.1  # how much slower than wanted is still looked at
_TRIES = 9
_HALVINGS = 12


@dataclass(frozen=True, slots=True)
class Remedy:
    """One change that opens the window: what, from, to, in its unit."""

    what: str
    now: float
    needed: float
    unit: str

    def __str__(self) -> str:
        return f"{self.what}: {self._needed():g} {self.unit} instead of {self.now:g} {self.unit}"

    def _needed(self) -> float:
        """Three figures, rounded to the side that does."""
        step = 10.0 ** (floor(log10(self.needed)) - 2) if self.needed > 0.0 else 1.0
        turned = floor if self.needed < self.now else ceil
        return round(turned(self.needed / step) * step, 9)


@dataclass(frozen=True, slots=True)
class _Change:
    """A quantity that may go from what it is to a far end, and the case with it changed."""

    what: str
    now: float
    end: float
    unit: str
    made: Callable[[HeatCase, float], HeatCase]


def remedies(case: HeatCase, speed_mm_s: float) -> list[Remedy]:
    """Single changes that open a window at that speed, each as small as does; may be none."""
    found = [_slower(case, speed_mm_s), *(_least(c, case, speed_mm_s) for c in _changes(case))]
    return [remedy for remedy in found if remedy is not None]


def _slower(case: HeatCase, speed_mm_s: float) -> Remedy | None:
    point = fastest_safe(case, SLOWEST_SHARE * speed_mm_s, speed_mm_s)
    return None if point is None else Remedy("go slower", speed_mm_s, point.speed_mm_s, "mm/s")


def _least(change: _Change, case: HeatCase, speed_mm_s: float) -> Remedy | None:
    """The least of a change that does; even steps first, since more is not always better."""

    def opens(value: float) -> bool:
        return room_K(change.made(case, value), speed_mm_s) >= 0.0

    shut = change.now
    for value in np.linspace(change.now, change.end, _TRIES)[1:]:
        if opens(value):
            break
        shut = value
    else:
        return None
    enough = value
    for _ in range(_HALVINGS):
        middle = 0.5 * (shut + enough)
        shut, enough = (shut, middle) if opens(middle) else (middle, enough)
    return Remedy(change.what, change.now, float(enough), change.unit)


def _changes(case: HeatCase) -> list[_Change]:
    limits, block = case.limits, case.blocks[case.chosen]
    length_mm = sum(s.length_mm for s in case.way.stretches if s.zone == case.chosen)
    contact = max(s.contact_W_m2K for s in case.way.stretches if s.zone == case.chosen)
    thickest, zone = max(case.stack.strip_mm), case.chosen + 1
    changes = [
        _Change(f"longer block of zone {zone}", length_mm, 4 * length_mm, "mm", _longer),
        _Change("thinner strips", thickest, 0.2 * thickest, "mm", _thinner),
        _Change("better contact", contact, 5 * contact, "W/(m² K)", _closer),
        _Change("hotter surface allowed", limits.face_degC, limits.face_degC + 80, "°C", _surface),
        _Change(
            f"hotter block allowed in zone {zone}",
            limits.block_degC[1],
            limits.block_degC[1] + 100,
            "°C",
            _hotter,
        ),
        _Change(
            f"stronger heater in zone {zone}", block.heater_W, 4 * block.heater_W, "W", _stronger
        ),
    ]
    if limits.hold_s > 0.0:
        changes.append(_Change("shorter time above", limits.hold_s, 0.0, "s", _hold))
    return changes


def _longer(case: HeatCase, length_mm: float) -> HeatCase:
    stretches = case.way.stretches
    factor = length_mm / sum(s.length_mm for s in stretches if s.zone == case.chosen)
    longer = tuple(
        replace(s, length_mm=s.length_mm * factor) if s.zone == case.chosen else s
        for s in stretches
    )
    return replace(case, way=replace(case.way, stretches=longer))


def _thinner(case: HeatCase, thickest_mm: float) -> HeatCase:
    factor = thickest_mm / max(case.stack.strip_mm)
    strips = tuple(factor * thickness for thickness in case.stack.strip_mm)
    return replace(case, stack=replace(case.stack, strip_mm=strips))


def _closer(case: HeatCase, contact_W_m2K: float) -> HeatCase:
    now = max(s.contact_W_m2K for s in case.way.stretches if s.zone == case.chosen)
    return replace(case, way=with_contact(case.way, contact_W_m2K / now))


def _surface(case: HeatCase, face_degC: float) -> HeatCase:
    return replace(case, limits=replace(case.limits, face_degC=face_degC))


def _hotter(case: HeatCase, highest_degC: float) -> HeatCase:
    block_degC = (case.limits.block_degC[0], highest_degC)
    return replace(case, limits=replace(case.limits, block_degC=block_degC))


def _stronger(case: HeatCase, heater_W: float) -> HeatCase:
    blocks = list(case.blocks)
    blocks[case.chosen] = replace(blocks[case.chosen], heater_W=heater_W)
    return replace(case, blocks=tuple(blocks))


def _hold(case: HeatCase, hold_s: float) -> HeatCase:
    return replace(case, limits=replace(case.limits, hold_s=hold_s))
