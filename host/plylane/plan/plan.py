# ruff: noqa: N802  (units are written as the trade writes them)
"""Works out a plan: speed and temperatures, bends, motors, strips, and what stands in the way."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from plylane.plan.bending import Place, places_beyond
from plylane.plan.job import Job
from plylane.plan.motor import MotorCheck, check_motor
from plylane.plan.path import overhang
from plylane.plan.remedies import remedies
from plylane.plan.schedule import USUAL, Effort, schedule
from plylane.plan.strips import Addition, Schedule, ScheduleError
from plylane.plan.window import HeatMap, Point, fastest_safe, heat_map, point

MAP_POINTS = 120


@dataclass(frozen=True, slots=True)
class Loading:
    """A strip to be put behind the one before it in its lane (from 0), before that one ends.

    `by_s` since the run's start; 0 where it must lie there already. `cut_mm` is what is cut off
    before it is loaded, so that its joint falls where the plan has it.
    """

    lane: int
    number: int
    strip: str
    length_mm: float
    cut_mm: float
    by_s: float


@dataclass(frozen=True)
class CordPlan:
    """A plan. `problems` says in lines what keeps it from being run; it is ready with none.

    `point` is what the planned speed and block temperature come to, None without a speed;
    `changes` what would open a window that is shut; `bends` and `overhangs` the places that cannot
    be laid; `schedule` None where there is none, `offers` then what would make one.
    """

    job: Job
    map: HeatMap
    point: Point | None
    changes: tuple[str, ...]
    motors: tuple[MotorCheck, ...]
    bends: tuple[Place, ...]
    overhangs: tuple[Place, ...]
    schedule: Schedule | None
    loadings: tuple[Loading, ...]
    problems: tuple[str, ...] = field(default=())
    offers: tuple[Addition, ...] = ()

    @property
    def ready(self) -> bool:
        """Whether it can be run."""
        return not self.problems

    @property
    def speed_mm_s(self) -> float | None:
        """Planned speed."""
        return None if self.point is None else self.point.speed_mm_s

    @property
    def setpoints_degC(self) -> tuple[float, ...]:
        """Of every zone."""
        case = self.job.case
        if self.point is None:
            return case.zone_degC
        return tuple(round(t, 1) for t in case.with_block(self.point.block_degC))

    @property
    def shear_at_mm(self) -> float:
        """Cord laid when the shear fires, so that the cord ends where the path does."""
        return max(0.0, self.job.path.length_mm - self.job.geometry.shear_to_nozzle_mm)

    @property
    def duration_s(self) -> float | None:
        """Time of feeding."""
        return None if self.speed_mm_s is None else self.job.path.length_mm / self.speed_mm_s


def work_out(job: Job, effort: Effort = USUAL) -> CordPlan:
    """The plan of a job. What cannot be done is in its problems; nothing is raised for it.

    `effort`: how far a strip schedule is looked for.
    """
    plotted = _map(job)
    chosen, problems, changes = _heat(job, plotted)
    motors = _motors(job, chosen)
    problems += [
        f"{drive.name} drive: torque margin {check.margin:.2f} at {check.speed_mm_s:.1f} mm/s, "
        f"{check.least:g} wanted; go no faster than {check.fastest_mm_s:.1f} mm/s"
        for drive, check in zip(job.drives, motors, strict=True)
        if not check.enough
    ]
    bends, overhangs = _bends(job), _overhangs(job)
    problems += [_bend_text(job, place) for place in bends]
    problems += [_overhang_text(job, place) for place in overhangs]
    strips, lacking, offers = _schedule(job, effort)
    problems += lacking
    loadings = () if strips is None or chosen is None else _loadings(job, strips, chosen.speed_mm_s)
    return CordPlan(
        job,
        plotted,
        chosen,
        changes,
        motors,
        bends,
        overhangs,
        strips,
        loadings,
        tuple(problems),
        offers,
    )


def _map(job: Job) -> HeatMap:
    low, high = job.speeds_mm_s
    speed = np.linspace(low, high, MAP_POINTS)
    return heat_map(job.case, speed, np.linspace(*job.case.limits.block_degC, MAP_POINTS))


def _heat(job: Job, plotted: HeatMap) -> tuple[Point | None, list[str], tuple[str, ...]]:
    """The planned point, what is wrong with it, and what would put it right."""
    low, high = job.speeds_mm_s
    if job.speed_mm_s is not None:
        chosen = point(job.case, job.speed_mm_s)
        return (chosen, *_judged(job, chosen))
    top = min([high, *(_motor_top(job, high))])
    found = fastest_safe(job.case, low, top) if top > low else None
    if found is not None:
        return found, [], ()
    return None, *_shut(job, f"no speed from {low:g} to {top:.1f} mm/s keeps all limits", low)


def _motor_top(job: Job, high: float) -> list[float]:
    checks = [check_motor(d.load, d.pull_out, high, d.margin) for d in job.drives]
    return [check.fastest_mm_s for check in checks]


def _judged(job: Job, chosen: Point) -> tuple[list[str], tuple[str, ...]]:
    if chosen.safe:
        return [], ()
    return _shut(
        job,
        f"at {chosen.speed_mm_s:g} mm/s the block would need {chosen.lowest_degC:.1f} °C or more "
        f"({chosen.lower_by.value}) and may have {chosen.highest_degC:.1f} °C "
        f"({chosen.upper_by.value}), with {chosen.tolerance_K:g} K to keep from either",
        chosen.speed_mm_s,
    )


def _shut(job: Job, what: str, speed_mm_s: float) -> tuple[list[str], tuple[str, ...]]:
    offers = tuple(str(remedy) for remedy in remedies(job.case, speed_mm_s))
    remedy = f"; any of these opens it: {'; '.join(offers)}" if offers else ""
    return [f"the heat window is empty: {what}{remedy}"], offers


def _motors(job: Job, chosen: Point | None) -> tuple[MotorCheck, ...]:
    speed = job.speeds_mm_s[0] if chosen is None else chosen.speed_mm_s
    return tuple(check_motor(d.load, d.pull_out, speed, d.margin) for d in job.drives)


def _bends(job: Job) -> tuple[Place, ...]:
    limit = 1.0 / job.smallest_radius_mm
    return tuple(places_beyond(job.path.arc_mm, np.abs(job.path.curvature_per_mm), limit))


def _bend_text(job: Job, place: Place) -> str:
    radius, least = 1.0 / place.worst, job.smallest_radius_mm
    return (
        f"path from {place.from_mm:.1f} to {place.to_mm:.1f} mm cannot be laid: radius "
        f"{radius:.1f} mm at {place.worst_at_mm:.1f} mm, {least - radius:.1f} mm below the "
        f"smallest of {least:.1f} mm; widen the bend or take thinner strips"
    )


def _overhangs(job: Job) -> tuple[Place, ...]:
    found = overhang(job.path, job.laying.layer_mm)
    return tuple(places_beyond(found.arc_mm, found.lean_deg, job.largest_overhang_deg))


def _overhang_text(job: Job, place: Place) -> str:
    limit = job.largest_overhang_deg
    lean = (
        f"leans {place.worst:.1f} degrees at {place.worst_at_mm:.1f} mm, "
        f"{place.worst - limit:.1f} beyond the {limit:.1f} allowed"
        if place.worst < 90.0
        else f"has nothing below it at {place.worst_at_mm:.1f} mm"
    )
    return (
        f"path from {place.from_mm:.1f} to {place.to_mm:.1f} mm cannot be laid: the layer {lean}; "
        "bring it nearer to the layer below"
    )


def _schedule(job: Job, effort: Effort) -> tuple[Schedule | None, list[str], tuple[Addition, ...]]:
    try:
        return schedule(job.strips, job.lane_maps(), job.rule, effort=effort), [], ()
    except ScheduleError as error:
        return None, [f"strips: {error}"], error.additions
    except ValueError as error:  # a bend no lane map can follow
        return None, [f"strips: {error}"], ()


def _loadings(job: Job, strips: Schedule, speed_mm_s: float) -> tuple[Loading, ...]:
    found = []
    for lane, (map_, row) in enumerate(zip(job.lane_maps(), strips.lanes, strict=True)):
        for number, piece in enumerate(row):
            begins = float(map_.to_lane(piece.start_mm)) - job.geometry.infeed_to_nozzle_mm
            by_s = float(map_.to_cord(begins)) / speed_mm_s if number and begins > 0.0 else 0.0
            cut = 0.0 if piece.last else piece.offcut_mm
            strip = piece.strip
            found.append(Loading(lane, number, strip.name, strip.length_mm, cut, by_s))
    return tuple(sorted(found, key=lambda one: (one.by_s, one.lane, one.number)))
