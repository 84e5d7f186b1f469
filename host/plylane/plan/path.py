"""The path of the cord: arc length, signed curvature, turning angle, layers.

A path comes as points, as arc length and curvature, as pieces of constant curvature, or as curves.
Curvature is signed: a turn to the left, seen from above, counts positive. Out of a
level plane the sign is that of the turn's part about the vertical; strips only bend across their
flat, so the head must turn with the path there.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import degrees, radians

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import savgol_filter

from plylane.plan.bending import Floats, overhang_deg

STEP_MM = 0.5
"""Spacing at which a path of points is looked at."""
SMOOTH_MM = 8.0
"""Length over which curvature is estimated from points: single points are never that good."""
GAP_FACTOR, GAP_MM = 10.0, 10.0
"""Points so many times the usual spacing apart, and so many mm, have a gap between them."""
SAME_MM = 1e-6
SAME_PER_MM = 1e-7
STRAIGHT_PER_MM = 1e-6
"""A radius of a kilometre bends no strip."""
PIECE_MM = 5.0
"""Length of the pieces that an unevenly curved path is cut into."""
POINTS = ("x_mm", "y_mm")
PIECES = ("from_mm", "to_mm", "curvature_per_mm")
CURVATURE = ("arc_mm", "curvature_per_mm")
LONGEST_MM = 2_000_000.0
MOST_ROWS = 200_000


class PathError(ValueError):
    """A path that cannot be used; names the line, the field and the remedy."""


@dataclass(frozen=True)
class CordPath:
    """Arc length (n), rising from 0, and signed curvature (n), changing evenly in between.

    `points_mm` (n, 3) where the path was given as points.
    """

    arc_mm: Floats
    curvature_per_mm: Floats
    points_mm: Floats | None = None

    @property
    def length_mm(self) -> float:
        """Length of the cord's middle."""
        return float(self.arc_mm[-1])

    @cached_property
    def turning_rad(self) -> Floats:
        """Angle turned up to each place (n), to the left positive."""
        mean = 0.5 * (self.curvature_per_mm[1:] + self.curvature_per_mm[:-1])
        return np.concatenate([[0.0], np.cumsum(mean * np.diff(self.arc_mm))])

    @property
    def turning_deg(self) -> float:
        """Angle turned from end to end, degrees."""
        return degrees(float(self.turning_rad[-1]))

    @property
    def smallest_radius_mm(self) -> float:
        """Radius at the sharpest place, infinite for a straight path."""
        sharpest = float(np.max(np.abs(self.curvature_per_mm)))
        return 1.0 / sharpest if sharpest > 0.0 else float("inf")


@dataclass(frozen=True, slots=True)
class Curve:
    """A curve from `start_mm` of cord on, turning left by `turn_deg` (right: negative)."""

    start_mm: float
    radius_mm: float
    turn_deg: float

    @property
    def end_mm(self) -> float:
        """Where it ends."""
        return self.start_mm + radians(abs(self.turn_deg)) * self.radius_mm


def from_curves(length_mm: float, curves: Sequence[Curve]) -> CordPath:
    """Straight parts and arcs. Raises PathError where curves overlap or leave the cord."""
    rows = [(0.0, 0.0)]
    for number, curve in enumerate(curves, 1):
        if curve.start_mm < rows[-1][0] - SAME_MM:
            raise PathError(
                f"curve {number}, start_mm: it begins at {curve.start_mm:g} mm, before the one "
                f"ahead of it ends at {rows[-1][0]:.1f} mm; bring them in order and apart"
            )
        if curve.end_mm > length_mm + SAME_MM:
            raise PathError(
                f"curve {number}: it ends at {curve.end_mm:.1f} mm, behind the end of the cord at "
                f"{length_mm:g} mm; make the cord longer or turn less"
            )
        curvature = np.copysign(1.0 / curve.radius_mm, curve.turn_deg)
        start, end = max(curve.start_mm, rows[-1][0] + SAME_MM), curve.end_mm
        rows += [(start, 0.0), (start + SAME_MM, curvature), (end, curvature)]
        rows.append((end + SAME_MM, 0.0))
    rows = [row for row in rows if row[0] < length_mm - 2 * SAME_MM]
    arc, curvature = zip(*rows, (length_mm, rows[-1][1]), strict=True)
    return CordPath(np.array(arc), np.array(curvature))


def from_points(points_mm: Floats) -> CordPath:
    """A path through points (n, 2 or 3), n at least 4.

    A cubic spline through the points gives the arc length; curvature is that of the cubic that
    fits the path best over 8 mm around each place. Raises PathError as `check_points` does.
    """
    points = np.asarray(points_mm, dtype=float)
    if points.shape[1] == 2:
        points = np.column_stack([points, np.zeros(len(points))])
    check_points(points, [f"point {k}" for k in range(1, len(points) + 1)])
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    spline = CubicSpline(chord, points)
    fine = np.linspace(0.0, chord[-1], max(64, int(chord[-1] / STEP_MM) * 4 + 1))
    speed = np.linalg.norm(spline(fine, 1), axis=1)
    lengths = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(fine))])
    arc = np.linspace(0.0, lengths[-1], max(16, int(lengths[-1] / STEP_MM) + 1))
    at = spline(np.interp(arc, lengths, fine))
    return CordPath(arc, _curvature(arc, at), at)


def _curvature(arc: Floats, points: Floats) -> Floats:
    step = float(arc[1])
    window = min(len(arc) - (len(arc) + 1) % 2, 2 * max(2, round(SMOOTH_MM / 2 / step)) + 1)
    first, second = (
        savgol_filter(points, window, 3, deriv=k, delta=step, axis=0, mode="interp") for k in (1, 2)
    )
    across = np.cross(first, second)
    size = np.linalg.norm(across, axis=1) / np.linalg.norm(first, axis=1) ** 3
    down = across[:, 2] < -1e-9 * np.linalg.norm(across, axis=1)
    signed: Floats = np.where(down, -size, size)
    return signed


def check_points(points: Floats, places: Sequence[str]) -> None:
    """Raise PathError where points repeat, turn back or leave a gap; `places` names them."""
    if len(points) < 4:
        raise PathError(f"a path takes 4 points at least, here are {len(points)}; add points")
    steps = np.diff(points, axis=0)
    sizes = np.linalg.norm(steps, axis=1)
    repeated = np.flatnonzero(sizes < SAME_MM)
    if len(repeated):
        k = int(repeated[0])
        raise PathError(f"{places[k + 1]}: repeats the point before it; take one of them out")
    usual = float(np.median(sizes))
    wide = np.flatnonzero((sizes > GAP_FACTOR * usual) & (sizes > GAP_MM))
    if len(wide):
        k = int(wide[0])
        raise PathError(
            f"{places[k + 1]}: a gap of {sizes[k]:.1f} mm to the point before it, where points are "
            f"usually {usual:.1f} mm apart; add the points between"
        )
    turn = np.sum(steps[1:] * steps[:-1], axis=1) / (sizes[1:] * sizes[:-1])
    back = np.flatnonzero(turn < -SAME_MM)
    if len(back):
        k = int(back[0])
        angle = degrees(float(np.arccos(np.clip(turn[k], -1.0, 1.0))))
        raise PathError(
            f"{places[k + 1]}: the path doubles back here, it turns by {angle:.0f} degrees within "
            "a step; a cord cannot, take the points out or round the corner"
        )


def parse(text: str, where: str) -> CordPath:
    """A path from CSV text with a head line.

    Columns are x_mm, y_mm and perhaps z_mm; or arc_mm and curvature_per_mm; or from_mm, to_mm and
    curvature_per_mm, a line a piece, as the twin's robot travels them. Other columns are left
    alone. Raises PathError naming `where`, line and field.
    """
    try:
        names, rows, lines = _read(text)
        if set(POINTS) <= set(names):
            return _points_path(names, rows, lines)
        if names == PIECES:
            return _pieces_path(rows, lines)
        return _curvature_path(rows, lines)
    except PathError as error:
        raise PathError(f"{where}, {error}") from error


def _wanted(names: Sequence[str]) -> tuple[str, ...]:
    if set(POINTS) <= set(names):
        return (*POINTS, "z_mm") if "z_mm" in names else POINTS
    for form in (PIECES, CURVATURE):
        if set(form) <= set(names):
            return form
    raise PathError(
        f"line 1: columns {', '.join(names) or 'none'}; a path has {', '.join(POINTS)} (and z_mm), "
        f"or {', '.join(CURVATURE)}, or {', '.join(PIECES)}"
    )


def _read(text: str) -> tuple[tuple[str, ...], Floats, list[int]]:
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff")))
    head = [name.strip() for name in next(reader, [])]
    names = _wanted(head)
    columns = [head.index(name) for name in names]
    rows, lines = [], []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        rows.append(
            [
                _number(cells, k, name, reader.line_num)
                for k, name in zip(columns, names, strict=True)
            ]
        )
        lines.append(reader.line_num)
        if len(rows) > MOST_ROWS:
            raise PathError(f"line {reader.line_num}: more than {MOST_ROWS} points; thin them out")
    if len(rows) < 2:
        raise PathError(
            f"line {reader.line_num}: a path takes more than {len(rows)} rows; add rows"
        )
    return names, np.array(rows), lines


def _number(cells: Sequence[str], column: int, name: str, line: int) -> float:
    text = cells[column].strip() if column < len(cells) else ""
    try:
        value = float(text)
    except ValueError:
        raise PathError(f"line {line}, {name}: {text!r} is no number; correct it") from None
    if not np.isfinite(value):
        raise PathError(f"line {line}, {name}: {text} is no place; correct it")
    if abs(value) > LONGEST_MM:
        raise PathError(f"line {line}, {name}: {text} is beyond {LONGEST_MM:g}; check the unit")
    return value


def _points_path(names: tuple[str, ...], rows: Floats, lines: Sequence[int]) -> CordPath:
    points = rows if "z_mm" in names else np.column_stack([rows, np.zeros(len(rows))])
    check_points(points, [f"line {number}" for number in lines])
    return from_points(points)


def _curvature_path(rows: Floats, lines: Sequence[int]) -> CordPath:
    arc, curvature = rows.T
    if arc[0] != 0.0:
        raise PathError(f"line {lines[0]}, arc_mm: begins at {arc[0]:g}; begin with 0")
    steps = np.diff(arc)
    if np.any(steps <= 0.0):
        k = int(np.argmax(steps <= 0.0))
        what = "repeats the one before it" if steps[k] == 0.0 else "doubles back"
        raise PathError(f"line {lines[k + 1]}, arc_mm: {arc[k + 1]:g} {what}; lengths must rise")
    return CordPath(arc, curvature)


def _pieces_path(rows: Floats, lines: Sequence[int]) -> CordPath:
    end = 0.0
    for (start, stop, _), line in zip(rows, lines, strict=True):
        if abs(start - end) > 0.001:
            what = "leaves a gap behind" if start > end else "goes back before"
            raise PathError(
                f"line {line}, from_mm: {start:g} {what} the end of the piece before, {end:g}; "
                "let them meet"
            )
        if stop <= start:
            raise PathError(f"line {line}, to_mm: {stop:g} doubles back; lengths must rise")
        end = stop
    inner = np.column_stack([rows[:, 0] + SAME_MM, rows[:, 1]])
    arc, curvature = inner.ravel(), np.repeat(rows[:, 2], 2)
    return CordPath(np.concatenate([[0.0], arc[1:]]), curvature)


def pieces(path: CordPath) -> list[tuple[float, float, float]]:
    """The path as pieces of constant curvature: from, to and curvature, which turn as far.

    Curves and straight parts stay as they are; where curvature changes along the way a piece of
    5 mm gets its mean.
    """
    steps = np.abs(np.diff(path.curvature_per_mm)) > SAME_PER_MM
    if np.all(np.diff(path.arc_mm)[steps] < 0.01):
        at = path.arc_mm
    else:
        at = np.linspace(0.0, path.length_mm, max(2, round(path.length_mm / PIECE_MM) + 1))
    turned = np.interp(at, path.arc_mm, path.turning_rad)
    found: list[tuple[float, float, float]] = []
    for start, stop, angle in zip(at[:-1], at[1:], np.diff(turned), strict=True):
        if stop - start < 0.01:  # the edge between two pieces
            continue
        curvature = float(angle / (stop - start))
        begin = found[-1][1] if found else 0.0
        if found and abs(found[-1][2] - curvature) < SAME_PER_MM:
            begin = found.pop()[0]
        found.append((begin, round(float(stop), 3), curvature))
    return found


def curves(path: CordPath) -> list[Curve]:
    """The path as a run file has it: its curves, straight between them."""
    return [
        Curve(start, 1.0 / abs(curvature), degrees(curvature * (stop - start)))
        for start, stop, curvature in pieces(path)
        if abs(curvature) > STRAIGHT_PER_MM
    ]


@dataclass(frozen=True, slots=True)
class Overhang:
    """How layers lie on each other: at `arc_mm` (m) of the cord by `lean_deg` (m) from upright."""

    arc_mm: Floats
    lean_deg: Floats


def overhang(path: CordPath, layer_mm: float) -> Overhang:
    """Lean of every place on what was laid a layer below it; empty where there is only one layer.

    Below means earlier in the path and lower by half a layer to one and a half; the nearest such
    place, seen from above, counts. The first layer, and a path that never comes to lie above its
    start, has none.
    """
    points = path.points_mm
    if points is None or float(np.ptp(points[:, 2])) < 0.5 * layer_mm:
        return Overhang(np.empty(0), np.empty(0))
    lowest = float(points[0, 2])
    upper = np.flatnonzero(points[:, 2] >= lowest + 0.5 * layer_mm)
    sides = np.array([_side_mm(points, int(k), layer_mm) for k in upper])
    return Overhang(path.arc_mm[upper], overhang_deg(sides, layer_mm))


def _side_mm(points: Floats, at: int, layer_mm: float) -> float:
    """How far to the side the nearest place a layer below lies; infinite where nothing does."""
    down = points[at, 2] - points[:at, 2]
    below = points[:at][(down >= 0.5 * layer_mm) & (down <= 1.5 * layer_mm)]
    if not len(below):
        return float("inf")
    return float(np.min(np.hypot(*(below[:, :2] - points[at, :2]).T)))
