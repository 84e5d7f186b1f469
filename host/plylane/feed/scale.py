"""Millimetres a pulse of a drive, a count of a wheel, from measured lengths.

Lengths are fitted on counts by weighted least squares through the origin; with an offset where the
user says that all lengths share one (a worn hook, a cut edge that is not square). What varies from
reading to reading is counted once: as stated (type B) or as the residuals show (type A), whichever
is more. What all readings share, the tape's own error above all, does not shrink with their number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtri

from plylane.feed.errors import CalibrationError
from plylane.feed.line_fit import Floats, LineFit, Misread, find_misread, fit_line
from plylane.feed.uncertainty import Budget, Part, arcsine, rectangular, two_edges

LEAST_LENGTHS = 5
LEAST_SPREAD = 1.3
"""Longest over shortest: with less an offset would hide in the scale."""
MM_MOST = 20_000.0
FOREIGN_UNITS = (("inches", 25.4), ("centimetres", 10.0), ("metres", 1000.0), ("feet", 304.8))
UNIT_BAND = 0.15
"""Lengths this near to a foreign unit's are taken to be in it."""
OFFSET_SHOWS = 4.0
"""Offset over its standard uncertainty from which it is remarked on."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """A tape, rule or calliper: smallest step that is read; stated limit of error,
    `limit_mm + limit_mm_per_m` times the length in m.

    The preset is a steel tape of accuracy class II, 0.3 mm + 0.2 mm/m (directive 2014/32/EU, annex
    X, memory), read to half a millimetre at both ends.
    """

    resolution_mm: float = 0.5
    limit_mm: float = 0.3
    limit_mm_per_m: float = 0.2

    def __post_init__(self) -> None:
        values = (self.resolution_mm, self.limit_mm, self.limit_mm_per_m)
        if not all(math.isfinite(value) and 0.0 <= value <= 100.0 for value in values):
            raise CalibrationError(
                "resolution and limits of the gauge go from 0 to 100 mm: see what is printed on it"
            )
        if self.resolution_mm == 0.0:
            raise CalibrationError("a gauge has a smallest step: give its resolution above 0 mm")


@dataclass(frozen=True, slots=True)
class Counter:
    """What counts, and its known faults, relative: `run_out` amplitude once a turn, `scatter`
    standard deviation of the pulses' spacing within a turn (a turn is whole), `creep` largest slip
    of the strip measured on, `drift_per_m` change of the wheel's size while it rolls.
    """

    name: str
    per_turn: float
    run_out: float = 0.0
    scatter: float = 0.0
    creep: float = 0.0
    drift_per_m: float = 0.0

    def turn_error(self, counts: Floats) -> Floats:
        """Standard uncertainty of each reading from the wheel's shape, in counts; none over whole
        turns.

        Run-out a/(2 pi) (cos p0 - cos p1) at unknown p0 is a sine of amplitude a/pi sin((p1-p0)/2).
        Scatter: slot edges within a turn are a Brownian bridge, variance m (M - m)/M after m of M.
        """
        over = np.mod(np.abs(counts), self.per_turn)
        swing = self.run_out * self.per_turn / math.pi * np.sin(math.pi * over / self.per_turn)
        bridge = self.scatter**2 * over * (self.per_turn - over) / self.per_turn
        return np.asarray(np.hypot(arcsine(1.0) * swing, np.sqrt(bridge)))


DRIVE = Counter("pulse of the drive", per_turn=3200, creep=0.0002)
OUTPUT_WHEEL = Counter("count of the output wheel", per_turn=1256, run_out=0.01, drift_per_m=1e-4)
LANE_WHEEL = Counter("pulse of the lane wheel", per_turn=40, scatter=0.1)


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """What was found. `misread` names a length that does not belong to the others: then nothing
    should be written. `repeat_mm`: scatter of lengths fed alike (None without any), `stated_mm`
    what one reading was said to scatter.
    """

    counter: Counter
    gauge: Gauge
    fit: LineFit
    budget: Budget
    misread: Misread | None
    repeat_mm: float | None
    repeat_limit_mm: float | None
    stated_mm: float
    remarks: tuple[str, ...]

    @property
    def mm_per_count(self) -> float:
        """The scale."""
        return self.fit.slope

    @property
    def counts_per_m(self) -> float:
        """Its inverse, as a drive's register wants it."""
        return 1000.0 / self.fit.slope

    @property
    def repeats(self) -> bool:
        """Whether lengths fed alike agree as well as stated."""
        return self.repeat_mm is None or self.repeat_mm <= (self.repeat_limit_mm or math.inf)

    def to_json(self) -> dict[str, Any]:
        """For a record: value, uncertainty, readings."""
        form: dict[str, Any] = {
            "mm_per_count": self.mm_per_count,
            "counts_per_m": self.counts_per_m,
            "expanded_percent": 100.0 * self.budget.expanded,
            "uncertainty": self.budget.to_json(),
            "counts": self.fit.x.tolist(),
            "lengths_mm": self.fit.y.tolist(),
            "residuals_mm": self.fit.residuals.tolist(),
            "stated_mm": self.stated_mm,
            "gauge": {
                "resolution_mm": self.gauge.resolution_mm,
                "limit_mm": self.gauge.limit_mm,
                "limit_mm_per_m": self.gauge.limit_mm_per_m,
            },
            "remarks": list(self.remarks),
        }
        if self.fit.offset:
            form["offset_mm"] = self.fit.offset
        if self.repeat_mm is not None:
            form["repeat_mm"] = self.repeat_mm
        return form


def find_scale(
    counter: Counter,
    counts: Sequence[float],
    lengths_mm: Sequence[float],
    gauge: Gauge,
    *,
    expected_mm_per_count: float | None,
    offset: bool = False,
) -> Scale:
    """Fit and judge measured lengths, one a feed; `expected_mm_per_count` is the value in force,
    where there is one. Raises CalibrationError for readings that cannot be used.
    """
    check_lengths(counts, lengths_mm, expected_mm_per_count)
    x, y = np.asarray(counts, dtype=float), np.asarray(lengths_mm, dtype=float)
    first = float(y.sum() / x.sum())
    read, counted = two_edges(gauge.resolution_mm), two_edges(first)
    shape = first * counter.turn_error(x)
    u = np.sqrt(read**2 + counted**2 + shape**2)
    fit = fit_line(x, y, u, offset=offset)
    repeat, limit = _repeat(x, y, u, counter)
    return Scale(
        counter=counter,
        gauge=gauge,
        fit=fit,
        budget=_budget(counter, gauge, fit, read, counted, shape),
        misread=find_misread(fit),
        repeat_mm=repeat,
        repeat_limit_mm=limit,
        stated_mm=float(np.sqrt(np.mean(u**2))),
        remarks=_remarks(fit, expected_mm_per_count, offset),
    )


def check_lengths(
    counts: Sequence[float], lengths_mm: Sequence[float], expected_mm_per_count: float | None
) -> None:
    """Raise CalibrationError, in one line, for what is no set of measured lengths."""
    if len(counts) != len(lengths_mm):
        raise CalibrationError(
            f"{len(lengths_mm)} lengths for {len(counts)} feeds: give one length a feed"
        )
    for number, (count, length) in enumerate(zip(counts, lengths_mm, strict=True), 1):
        check_length(number, length, abs(count) * (expected_mm_per_count or 0.0))
        if not count > 0:
            raise CalibrationError(
                f"feed {number}: {count:g} counts: the wheel or drive did not turn forwards;"
                " look at it and its 'reversed' setting"
            )
    if len(lengths_mm) < LEAST_LENGTHS:
        raise CalibrationError(
            f"{len(lengths_mm)} lengths are too few: measure {LEAST_LENGTHS} or more"
        )
    if max(lengths_mm) < LEAST_SPREAD * min(lengths_mm):
        raise CalibrationError(
            f"the lengths are all about {max(lengths_mm):g} mm, so that an offset would hide in the"
            f" scale: let the longest be {LEAST_SPREAD:g} times the shortest or more"
        )


def check_length(number: int, length_mm: float, expected_mm: float) -> None:
    """Raise CalibrationError for a length (`number` from 1) that cannot have been measured."""
    if not math.isfinite(length_mm) or not 0.0 < length_mm <= MM_MOST:
        raise CalibrationError(
            f"length {number}: {length_mm:g} mm is none: give 0 to {MM_MOST:g} mm, above 0"
        )
    for unit, mm in FOREIGN_UNITS:
        if expected_mm > 0.0 and abs(length_mm * mm / expected_mm - 1.0) < UNIT_BAND:
            raise CalibrationError(
                f"length {number}: {length_mm:g} looks like {unit}, about {expected_mm:.0f} mm"
                " were fed: give millimetres"
            )


def _budget(
    counter: Counter, gauge: Gauge, fit: LineFit, read: float, counted: float, shape: Floats
) -> Budget:
    gain, slope = fit.gain[0], fit.slope
    each = math.sqrt(fit.covariance[0, 0]) / slope
    seen = fit.birge > 1.0  # scatter beyond what was stated: then the residuals count instead
    spread = float(np.linalg.norm(gain)) / slope

    def stated(name: str, u_mm: float) -> Part:
        return Part(name, "B", u_mm * spread, counted=not seen)

    shaped = float(np.linalg.norm(gain * shape)) / slope
    limit = abs(gauge.limit_mm * float(gain.sum()))
    limit += gauge.limit_mm_per_m * 1e-3 * abs(float(gain @ fit.y))
    metres = float(fit.y.sum()) / 1000.0
    parts = [
        Part("scatter of the readings", "A", fit.birge * each, fit.dof, counted=seen),
        stated("resolution of the gauge, both ends", read),
        stated("whole counts, both ends", counted),
        Part("run-out and spacing, part turns", "B", shaped, counted=not seen),
        Part("limit of error of the gauge", "B", rectangular(limit) / slope),
        Part("creep of the measured strip", "B", rectangular(counter.creep)),
        Part("dirt gathered meanwhile", "B", rectangular(0.5 * counter.drift_per_m * metres)),
    ]
    return Budget(tuple(part for part in parts if part.u > 0.0))


def _repeat(x: Floats, y: Floats, u: Floats, counter: Counter) -> tuple[float | None, float | None]:
    """Scatter of lengths that were fed alike, and what it may be; None without any.

    Alike: within a twentieth of a turn; the little that they differ is taken off in proportion.
    """
    order = np.argsort(x)
    groups: list[list[int]] = []
    for k in order:
        alike = groups and x[k] - x[groups[-1][0]] <= max(2.0, 0.05 * counter.per_turn)
        groups[-1].append(int(k)) if alike else groups.append([int(k)])
    several = [group for group in groups if len(group) > 1]
    dof = sum(len(group) - 1 for group in several)
    if dof == 0:
        return None, None
    ratio = y / x
    squares = sum(
        float(np.sum((x[group].mean() * (ratio[group] - ratio[group].mean())) ** 2))
        for group in several
    )
    limit = math.sqrt(chdtri(dof, 0.01) / dof) * float(np.sqrt(np.mean(u**2)))
    return math.sqrt(squares / dof), limit


def _remarks(fit: LineFit, expected: float | None, offset: bool) -> tuple[str, ...]:
    found = []
    change = 0.0 if expected is None else fit.slope / expected - 1.0
    if abs(change) > 0.05:
        found.append(f"{100 * change:+.1f} % off the value in force: look for the reason first")
    if not offset and len(fit.x) > LEAST_LENGTHS:
        other = fit_line(fit.x, fit.y, 1.0 / np.sqrt(fit.weights), offset=True)
        u = math.sqrt(other.covariance[1, 1]) * max(1.0, other.birge)
        if abs(other.offset) > OFFSET_SHOWS * u:
            found.append(
                f"the lengths share an offset of {other.offset:+.2f} mm: look how the gauge was"
                " laid on, or fit one"
            )
    if fit.birge > fit.scatter_limit:
        found.append("the lengths scatter more than the gauge's resolution explains")
    return tuple(found)


def misread_text(misread: Misread, lengths_mm: Sequence[float], number: int) -> str:
    """One line that names it; `number` from 0, as the user counts the lengths."""
    return (
        f"length {number + 1} ({lengths_mm[misread.number]:g} mm) is {misread.off_by:+.1f} mm off"
        f" what the others say (t = {misread.t:.1f}, limit {misread.limit:.1f})"
    )
