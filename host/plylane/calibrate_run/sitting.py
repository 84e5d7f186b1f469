"""A calibration as it stands: what was fed, which lengths were given, what follows from them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

from plylane.calibrate_run.feeding import JOG_MOST_MM, Fed, InForce
from plylane.calibrate_run.settings import Change, change
from plylane.commission import DRIVE_NAMES
from plylane.feed.calibration import (
    DRIVE,
    LANE_WHEEL,
    LEAST_LENGTHS,
    OUTPUT_WHEEL,
    CalibrationError,
    Counter,
    Gauge,
    RatioFound,
    Scale,
    SlipFound,
    check_length,
    find_scale,
    misread_text,
)

Kind = Literal["drive", "wheel", "lanes", "slip", "ratio"]
TURNS = {"drive": (3, 7, 3, 7, 5, 5), "wheel": (3, 7, 3, 7, 5, 5), "lanes": (9, 22, 9, 22, 16, 16)}
"""Whole turns of what is calibrated: run-out and spacing cancel. Two of each for the repeat test,
long and short for the offset, within one jog.
"""


@dataclass(frozen=True, slots=True)
class Reading:
    """A feed and its measured length: one for all, or one a lane."""

    fed: Fed
    lengths_mm: tuple[float, ...]
    left_out: bool = False


@dataclass(frozen=True, slots=True)
class Sitting:
    """Lengths being measured. `number`: the drive, from 0. `waiting`: a feed whose length is not
    given yet; `again`: the reading (from 0) that it is to replace.
    """

    kind: Kind
    number: int
    gauge: Gauge
    in_force: InForce
    plan_mm: tuple[float, ...]
    offset: bool = False
    readings: tuple[Reading, ...] = ()
    waiting: Fed | None = None
    again: int | None = None

    @property
    def name(self) -> str:
        """What is calibrated, in words."""
        if self.kind == "drive":
            return f"drive {self.number + 1} ({DRIVE_NAMES[self.number]})"
        return {"wheel": "output wheel", "lanes": "lane wheels"}[self.kind]

    @property
    def drives(self) -> tuple[int, ...]:
        """The drives that move."""
        if self.kind == "drive":
            return (self.number,)
        return tuple(range(len(self.in_force.pulses_per_m)))

    @property
    def next_mm(self) -> float | None:
        """What is to be fed next; None when all is measured."""
        if self.again is not None:
            return self.readings[self.again].fed.length_mm
        at = len(self.readings)
        return self.plan_mm[at] if at < len(self.plan_mm) else None

    @property
    def complete(self) -> bool:
        """Whether all has been measured."""
        return self.next_mm is None and self.waiting is None

    def measured(self, *lengths_mm: float) -> Sitting:
        """With the length of the waiting feed: one, or one a lane. Raises CalibrationError."""
        fed = self.waiting
        if fed is None:
            raise CalibrationError("no feed waits for its length: feed first")
        lanes = len(self.in_force.lanes_mm_per_pulse)
        if len(lengths_mm) != 1 and not (self.kind == "lanes" and len(lengths_mm) == lanes):
            each = f" or {lanes}, one a lane" if self.kind == "lanes" else ""
            raise CalibrationError(f"{len(lengths_mm)} lengths for one feed: give one{each}")
        number = (len(self.readings) if self.again is None else self.again) + 1
        for length in lengths_mm:
            check_length(number, length, fed.length_mm)
        reading = Reading(fed, lengths_mm)
        kept = list(self.readings)
        if self.again is None:
            kept.append(reading)
        else:
            kept[self.again] = reading
        return replace(self, readings=tuple(kept), waiting=None, again=None)

    def leave_out(self, number: int) -> Sitting:
        """With that reading (from 0) left out, or back in. Raises CalibrationError."""
        if not 0 <= number < len(self.readings):
            raise CalibrationError(f"no length {number + 1}: there are {len(self.readings)}")
        kept = list(self.readings)
        kept[number] = replace(kept[number], left_out=not kept[number].left_out)
        if sum(not one.left_out for one in kept) < LEAST_LENGTHS:
            raise CalibrationError(
                f"{LEAST_LENGTHS} lengths have to stay: measure length {number + 1} again instead"
            )
        return replace(self, readings=tuple(kept))

    @property
    def used(self) -> tuple[tuple[int, Reading], ...]:
        """The readings that count, with their numbers from 0."""
        return tuple((k, one) for k, one in enumerate(self.readings) if not one.left_out)

    def find(self) -> tuple[Scale, ...]:
        """The scale of the drive or wheel, or of every lane. Raises CalibrationError."""
        used = [one for _, one in self.used]
        if self.kind == "drive":
            pulses = [one.fed.pulses[self.number] for one in used]
            expected = 1000.0 / self.in_force.pulses_per_m[self.number]
            return (self._scale(DRIVE, pulses, [one.lengths_mm[0] for one in used], expected),)
        if self.kind == "wheel":
            counts = [one.fed.output_counts for one in used]
            expected = self.in_force.output_mm_per_count
            return (
                self._scale(OUTPUT_WHEEL, counts, [one.lengths_mm[0] for one in used], expected),
            )
        return tuple(
            self._scale(
                LANE_WHEEL,
                [one.fed.lane_pulses[lane] for one in used],
                [one.lengths_mm[lane if len(one.lengths_mm) > 1 else 0] for one in used],
                expected,
            )
            for lane, expected in enumerate(self.in_force.lanes_mm_per_pulse)
        )

    def _scale(
        self, counter: Counter, counts: list[int], lengths_mm: list[float], expected: float
    ) -> Scale:
        try:
            return find_scale(
                counter,
                counts,
                lengths_mm,
                self.gauge,
                expected_mm_per_count=expected,
                offset=self.offset,
            )
        except ValueError as error:
            raise CalibrationError(f"{error}: measure more lengths, of different length") from error

    def worst(self, found: tuple[Scale, ...]) -> tuple[int, int] | None:
        """Lane and number (both from 0) of the length that fits its others least; None where all
        belong together.
        """
        named = [(lane, s.misread) for lane, s in enumerate(found) if s.misread is not None]
        if not named:
            return None
        lane, one = max(named, key=lambda pair: abs(pair[1].t) / pair[1].limit)
        return lane, self.used[one.number][0]

    def misread(self, found: tuple[Scale, ...]) -> str:
        """That length in one line; "" where there is none."""
        worst = self.worst(found)
        if worst is None:
            return ""
        lane, number = worst
        scale = found[lane]
        assert scale.misread is not None
        where = f"lane {lane + 1}: " if len(found) > 1 else ""
        return where + misread_text(scale.misread, scale.fit.y.tolist(), number)

    def changes(self, found: tuple[Scale, ...]) -> tuple[Change, ...]:
        """What is to be written. Raises CalibrationError where it does not fit into the head."""
        if self.kind == "drive":
            register, values = "drive_settings.pulses_per_m", [found[0].counts_per_m]
            held, first = self.in_force.pulses_per_m[self.number :], self.number
        elif self.kind == "wheel":
            register, values = "machine.output_mm_per_count", [found[0].mm_per_count]
            held, first = (self.in_force.output_mm_per_count,), 0
        else:
            register, values = "lane_settings.mm_per_pulse", [one.mm_per_count for one in found]
            held, first = self.in_force.lanes_mm_per_pulse, 0
        return tuple(change(register, first + k, held[k], value) for k, value in enumerate(values))


def turn_mm(kind: Kind, number: int, in_force: InForce) -> float:
    """Master feed that gives one turn of what is calibrated."""
    if kind == "drive":
        return DRIVE.per_turn * 1000.0 / in_force.pulses_per_m[number]
    fed = 1.0 / (1.0 - in_force.slip)
    if kind == "lanes":
        return LANE_WHEEL.per_turn * max(in_force.lanes_mm_per_pulse) * fed
    return OUTPUT_WHEEL.per_turn * in_force.output_mm_per_count * fed


def plan(kind: Kind, number: int, in_force: InForce) -> tuple[float, ...]:
    """Lengths to feed: whole turns of what is calibrated, mm of master feed."""
    turn = turn_mm(kind, number, in_force)
    most = max(1, math.floor(JOG_MOST_MM / turn))
    wanted = TURNS[kind]
    shrink = min(1.0, most / max(wanted))
    return tuple(round(max(1, round(turns * shrink)) * turn, 3) for turns in wanted)


def check_plan(lengths_mm: tuple[float, ...]) -> None:
    """Raise CalibrationError for lengths that cannot be fed."""
    for number, length in enumerate(lengths_mm, 1):
        if not (math.isfinite(length) and 10.0 <= length <= JOG_MOST_MM):
            raise CalibrationError(
                f"feed {number}: {length:g} mm: feed 10 to {JOG_MOST_MM:g} mm at a time"
            )
    if len(lengths_mm) < LEAST_LENGTHS:
        raise CalibrationError(f"{len(lengths_mm)} feeds are too few: plan {LEAST_LENGTHS} or more")


def slip_changes(in_force: InForce, found: SlipFound) -> tuple[Change, ...]:
    """The expected slip."""
    before = 100.0 * in_force.slip
    return (change("machine.expected_slip_percent", 0, before, 100.0 * found.slip),)


def ratio_changes(in_force: InForce, found: RatioFound) -> tuple[Change, ...]:
    """The infeed's ratio, half way."""
    return (change("drive_settings.ratio_ppm", 0, in_force.ratios_ppm[0], found.middle.ppm),)


Found = tuple[Scale, ...] | SlipFound | RatioFound


def found_json(found: Found) -> list[dict[str, Any]]:
    """For a record or a program."""
    return [one.to_json() for one in (found if isinstance(found, tuple) else (found,))]
