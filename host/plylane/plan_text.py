"""A plan as rows of characters, for the terminal and for the Plan screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from plylane.plan.bending import (
    lane_curvature_per_mm,
    lane_extra_mm,
    lane_offsets_mm,
    layer_offset_mm,
    surface_strain,
)
from plylane.plan.contact import ContactFit
from plylane.plan.plan import CordPlan
from plylane.plan.strips import Floats
from plylane.plan.window import HeatMap

COLD, HOT, WITHIN, HERE = "·", "×", "▒", "●"
MAP_LEGEND = f"{WITHIN} within  {COLD} cold  {HOT} too hot  {HERE} planned"
AIR_SHARE = 0.25  # what of the map is shown around its window
JOINT, STRIP = "┃", "━"
CAUTION = (
    "A plan rests on assumptions of contact and wood: try it on a sacrificial stack with a"
    " thermocouple in its glue line. Hot wood can char and ignite; stay with the machine."
)
CELLS_A_PIECE = 5  # less, and joints would hide the strips
GLUE, FACE, LIMIT = "●", "○", "┄"
COURSE_LEGEND = f"{GLUE} coldest glue line  {FACE} hottest face  {LIMIT} limits"


@dataclass(frozen=True, slots=True)
class Axis:
    """Values from `low` to `high` over `cells` cells."""

    low: float
    high: float
    cells: int

    def cell(self, value: float) -> int | None:
        """The cell of a value, None outside."""
        span = self.high - self.low
        at = round((value - self.low) / span * (self.cells - 1)) if span > 0.0 else 0
        return at if 0 <= at < self.cells else None

    def values(self) -> Floats:
        """The value in the middle of every cell."""
        return np.linspace(self.low, self.high, self.cells)


def framed(
    cells: Sequence[str], left: Axis, bottom: Axis, left_unit: str, bottom_unit: str
) -> list[str]:
    """Rows of cells (from the top) with the ends of both axes in words."""
    names = {0: f"{left.high:.0f}", len(cells) // 2: f"{(left.low + left.high) / 2:.0f}"}
    names[len(cells) - 1] = f"{left.low:.0f}"
    rows = [f"{names.get(k, ''):>5} │{row}" for k, row in enumerate(cells)]
    ends = f"{bottom.low:.0f}", f"{(bottom.low + bottom.high) / 2:.0f}", f"{bottom.high:.0f}"
    room = max(0, bottom.cells - sum(map(len, ends)))
    axis = f"{ends[0]}{' ' * (room // 2)}{ends[1]}{' ' * (room - room // 2)}{ends[2]}"
    return [
        f"{left_unit:>5}",
        *rows,
        f"{'':>5} └{'─' * bottom.cells}",
        f"{'':>7}{axis} {bottom_unit}",
    ]


def map_rows(plan: CordPlan, columns: int, rows: int) -> list[str]:
    """Speed against block temperature: what keeps all limits, what does not, what is planned."""
    shown = plan.map
    speed, block = _ranges(plan, columns, rows)
    marks = _marks(shown, speed, block)
    if plan.point is not None:
        x, y = speed.cell(plan.point.speed_mm_s), block.cell(plan.point.block_degC)
        if x is not None and y is not None:
            marks[y][x] = HERE
    return framed(["".join(row) for row in reversed(marks)], block, speed, "°C", "mm/s")


def _ranges(plan: CordPlan, columns: int, rows: int) -> tuple[Axis, Axis]:
    """The part of the map around the window and the planned point; all of it without a window."""
    shown = plan.map
    block, speed = np.nonzero(shown.safe)
    if not len(block):
        return Axis(*_ends(shown.speed_mm_s), columns), Axis(*_ends(shown.block_degC), rows)
    speeds, blocks = shown.speed_mm_s[speed], shown.block_degC[block]
    if plan.point is not None:
        speeds = np.append(speeds, plan.point.speed_mm_s)
        blocks = np.append(blocks, plan.point.block_degC)
    return (
        Axis(*_around(speeds, _ends(shown.speed_mm_s)), columns),
        Axis(*_around(blocks, _ends(shown.block_degC)), rows),
    )


def _ends(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[-1])


def _around(values: Floats, ends: tuple[float, float]) -> tuple[float, float]:
    """From the least to the largest with air about them, within the ends."""
    low, high = float(values.min()), float(values.max())
    air = AIR_SHARE * (high - low)
    return max(ends[0], low - air), min(ends[1], high + air)


def _marks(shown: HeatMap, speed: Axis, block: Axis) -> list[list[str]]:
    at = np.clip(np.searchsorted(shown.speed_mm_s, speed.values()), 0, len(shown.speed_mm_s) - 1)
    lowest, highest = shown.bounds.lowest_degC[at], shown.bounds.highest_degC[at]
    return [
        [
            HOT if value > high else COLD if value < low else WITHIN
            for low, high in zip(lowest, highest, strict=True)
        ]
        for value in block.values()
    ]


def lane_rows(plan: CordPlan, columns: int) -> list[str]:
    """The lanes along the cord, their joints standing in them; of a long cord its beginning."""
    schedule, rows = plan.schedule, []
    if schedule is None and plan.offers:
        schedule, rows = plan.offers[0].schedule, [f"With {plan.offers[0].what}:"]
    if schedule is None:
        return ["no schedule"]
    length = plan.job.path.length_mm
    most = max(len(lane) for lane in schedule.lanes)
    cord = Axis(0.0, length * min(1.0, columns / (CELLS_A_PIECE * most)), columns)
    for number, lane in enumerate(schedule.lanes, 1):
        cells = [STRIP] * columns
        for piece in lane:
            at = cord.cell(piece.end_mm)
            if not piece.last and at is not None:
                cells[at] = JOINT
        rows.append(f"lane {number} {''.join(cells)}")
    end = f"{cord.high:.0f} mm" if cord.high == length else f"{cord.high:.0f} of {length:.0f} mm"
    return [*rows, f"{'':>7}0{end:>{columns - 1}}"]


def course_rows(plan: CordPlan, columns: int, rows: int) -> list[str]:
    """Temperature along the way: coldest glue line, hottest face, and their limits."""
    if plan.point is None:
        return ["no speed, no temperatures"]
    course, limits = plan.point.course, plan.job.case.limits
    glue, face = course.glue_degC.min(axis=1), course.face_degC.max(axis=1)
    levels = [limits.glue_degC, limits.face_degC]
    low = min(float(glue.min()), plan.job.case.way.air_degC)
    y, x = Axis(low, max(float(face.max()), *levels) + 5.0, rows), _way(plan, columns)
    cells = [[" "] * columns for _ in range(rows)]
    for level in levels:
        _put(cells, y.cell(level), range(columns), LIMIT)
    for values, mark in ((face, FACE), (glue, GLUE)):
        along = np.interp(x.values(), course.position_mm, values)
        for column, value in enumerate(along):
            _put(cells, y.cell(float(value)), [column], mark)
    return framed(["".join(row) for row in reversed(cells)], y, x, "°C", "mm")


def _way(plan: CordPlan, columns: int) -> Axis:
    return Axis(0.0, float(plan.job.case.way.ends_mm[-1]), columns)


def _put(cells: list[list[str]], row: int | None, columns: Sequence[int], mark: str) -> None:
    if row is not None:
        for column in columns:
            cells[row][column] = mark


def facts(plan: CordPlan) -> list[tuple[str, str]]:
    """What is planned, as names and values in words."""
    job = plan.job
    found = [
        ("cord", f"{job.path.length_mm:.0f} mm, turns {job.path.turning_deg:+.0f}°"),
        ("smallest radius", _radius(plan)),
        ("worst strain", _strain(plan)),
        ("lane lengths", _lane_lengths(plan)),
        ("layer offset", _layer(plan)),
    ]
    found.append(("contact", _assumed(plan) if job.contact is None else _contact(job.contact)))
    if plan.point is not None:
        found += _heat_facts(plan)
    found += [
        (
            f"{drive.name} drive",
            f"{check.needed_Nm:.3f} of {check.available_Nm:.3f} Nm, margin {check.margin:.1f} "
            f"({check.least:g} wanted)",
        )
        for drive, check in zip(job.drives, plan.motors, strict=True)
    ]
    return found + _strip_facts(plan)


def _radius(plan: CordPlan) -> str:
    radius, least = plan.job.path.smallest_radius_mm, plan.job.smallest_radius_mm
    shown = f"{radius:.1f} mm" if np.isfinite(radius) else "straight"
    return f"{shown}, {least:.1f} mm allowed"


def _strain(plan: CordPlan) -> str:
    job, stack = plan.job, plan.job.case.stack
    offsets = lane_offsets_mm(stack.strip_mm, stack.film.thickness_mm)
    lanes = lane_curvature_per_mm(job.path.curvature_per_mm, offsets)
    strain = surface_strain(stack.strip_mm, lanes).max()
    breaks = stack.wood.species.rupture_strain
    shares = (strain, job.laying.strain_share * breaks, breaks)
    worst, allowed, broken = (f"{100 * share:.2f} %" for share in shares)
    return f"{worst} of {allowed} allowed, {broken} breaks"


def _lane_lengths(plan: CordPlan) -> str:
    stack = plan.job.case.stack
    offsets = lane_offsets_mm(stack.strip_mm, stack.film.thickness_mm)
    extra = lane_extra_mm(plan.job.path.turning_rad[-1], offsets)
    last = f"lane {len(offsets)} {extra[-1]:+.2f} mm"
    return f"lane 1 {extra[0]:+.2f}, {last} against the middle"


def _layer(plan: CordPlan) -> str:
    layer_mm, lean = plan.job.laying.layer_mm, plan.job.largest_overhang_deg
    return f"{layer_offset_mm(lean, layer_mm):.2f} mm at most, {lean:.1f}° from upright"


def _assumed(plan: CordPlan) -> str:
    heated = [s for s in plan.job.case.way.stretches if s.zone is not None]
    values = " / ".join(f"{value:.0f}" for value in dict.fromkeys(s.contact_W_m2K for s in heated))
    return f"{values} W/(m² K), not measured"


def _contact(fit: ContactFit) -> str:
    low, high = fit.factors
    agree = "" if fit.agree else "; the measurements disagree beyond their uncertainty"
    return (
        f"{fit.contact_W_m2K:.0f} W/(m² K) measured, {fit.factor:.2f} × as given "
        f"(95 %: {low:.2f} to {high:.2f}), worst misfit {fit.worst_K:.1f} K{agree}"
    )


def _heat_facts(plan: CordPlan) -> list[tuple[str, str]]:
    point, limits = plan.point, plan.job.case.limits
    assert point is not None
    setpoints = " / ".join(f"{t:.1f}" for t in plan.setpoints_degC)
    power = " / ".join(f"{w:.0f}" for w in point.heater_W)
    of = " / ".join(f"{block.heater_W:.0f}" for block in plan.job.case.blocks)
    low, high = point.lowest_degC, point.highest_degC
    return [
        ("speed", f"{point.speed_mm_s:.2f} mm/s, {plan.duration_s or 0.0:.0f} s of feeding"),
        ("setpoints", f"{setpoints} °C"),
        ("block may have", f"{low:.1f} to {high:.1f} °C, {point.tolerance_K:g} K kept from either"),
        ("not colder, for", point.lower_by.value),
        ("not hotter, for", point.upper_by.value),
        (
            f"glue line {point.glue_line + 1}",
            f"{point.glue_degC:.1f} °C where it is pressed ({limits.glue_degC:g} wanted)",
        ),
        ("hot enough for", f"{point.above_s:.1f} s ({limits.hold_s:g} wanted)"),
        ("hottest face", f"{point.face_degC:.1f} °C ({limits.face_degC:g} at most)"),
        ("heater power", f"{power} of {of} W"),
    ]


def _strip_facts(plan: CordPlan) -> list[tuple[str, str]]:
    schedule = plan.schedule
    if schedule is None:
        return []
    proof = (
        "proved least" if schedule.optimal else f"within {100 * schedule.gap:.2f} % of the least"
    )
    closest = schedule.closest_mm
    near = "" if closest is None else f", closest {closest:.0f} mm"
    return [
        ("strips", f"{len(schedule.pieces)}, {schedule.used_mm:.0f} mm together"),
        ("left over", f"{schedule.waste_mm:.0f} mm, {proof}"),
        ("joints", f"{len(schedule.joints_mm)}{near} ({plan.job.rule.joints_mm:g} mm wanted)"),
        ("shear", f"at {plan.shear_at_mm:.1f} mm of cord"),
    ]
