"""A plan as JSON, and as the run file that the Monitor starts from."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import Any

import tomli_w

from plylane.plan.bending import Place
from plylane.plan.contact import ContactFit
from plylane.plan.heat_case import HeatCase
from plylane.plan.path import curves
from plylane.plan.plan import CordPlan
from plylane.plan.strips import Schedule
from plylane.plan.window import Point
from plylane.run_setup import RunSetup


def to_json(plan: CordPlan) -> dict[str, Any]:
    """Everything a plan says, in a form that `json.dumps` takes. Lanes and zones count from 1."""
    return {
        "name": plan.job.name,
        "ready": plan.ready,
        "problems": list(plan.problems),
        "changes": list(plan.changes),
        "speed_mm_s": plan.speed_mm_s,
        "setpoints_degC": list(plan.setpoints_degC),
        "length_mm": plan.job.path.length_mm,
        "turning_deg": plan.job.path.turning_deg,
        "duration_s": plan.duration_s,
        "shear_at_mm": plan.shear_at_mm,
        "contact": None if plan.job.contact is None else _contact(plan.job.contact),
        "heat": None if plan.point is None else _heat(plan.point),
        "motors": [
            {
                "name": drive.name,
                "needed_Nm": check.needed_Nm,
                "available_Nm": check.available_Nm,
                "margin": check.margin,
                "fastest_mm_s": check.fastest_mm_s if isfinite(check.fastest_mm_s) else None,
            }
            for drive, check in zip(plan.job.drives, plan.motors, strict=True)
        ],
        "smallest_radius_mm": plan.job.smallest_radius_mm,
        "bends": [_place(place) for place in plan.bends],
        "overhangs": [_place(place) for place in plan.overhangs],
        "offers": [
            {
                "what": one.what,
                "used_mm": one.schedule.used_mm,
                "lanes": strips_by_lane(one.schedule),
            }
            for one in plan.offers
        ],
        "schedule": None if plan.schedule is None else _schedule(plan, plan.schedule),
    }


def _contact(fit: ContactFit) -> dict[str, Any]:
    low, high = fit.factors
    return {
        "contact_W_m2K": fit.contact_W_m2K,
        "factor": fit.factor,
        "factor_low": low,
        "factor_high": high if isfinite(high) else None,
        "worst_K": fit.worst_K,
        "agree": fit.agree,
    }


def _heat(point: Point) -> dict[str, Any]:
    return {
        "safe": point.safe,
        "glue_degC": point.glue_degC,
        "glue_line": point.glue_line + 1,
        "above_s": point.above_s,
        "face_degC": point.face_degC,
        "heater_W": list(point.heater_W),
        "lowest_block_degC": point.lowest_degC if isfinite(point.lowest_degC) else None,
        "highest_block_degC": point.highest_degC if isfinite(point.highest_degC) else None,
        "lower_by": point.lower_by.value,
        "upper_by": point.upper_by.value,
    }


def _place(place: Place) -> dict[str, float]:
    return {
        "from_mm": place.from_mm,
        "to_mm": place.to_mm,
        "worst_at_mm": place.worst_at_mm,
        "worst": place.worst,
    }


def _schedule(plan: CordPlan, schedule: Schedule) -> dict[str, Any]:
    return {
        "used_mm": schedule.used_mm,
        "needed_mm": schedule.needed_mm,
        "waste_mm": schedule.waste_mm,
        "bound_mm": schedule.bound_mm,
        "optimal": schedule.optimal,
        "closest_joints_mm": schedule.closest_mm,
        "lanes": strips_by_lane(schedule),
        "joints": joints(plan),
        "loadings": [
            {
                "by_s": one.by_s,
                "lane": one.lane + 1,
                "strip": one.strip,
                "cut_mm": one.cut_mm,
            }
            for one in plan.loadings
        ],
    }


def strips_by_lane(schedule: Schedule) -> list[list[dict[str, Any]]]:
    """The strips of each lane in order: name, length, where it lies in the cord, what is left."""
    return [
        [
            {
                "strip": piece.strip.name,
                "length_mm": piece.strip.length_mm,
                "from_mm": piece.start_mm,
                "to_mm": piece.end_mm,
                "used_mm": piece.used_mm,
                "offcut_mm": piece.offcut_mm,
            }
            for piece in row
        ]
        for row in schedule.lanes
    ]


def joints(plan: CordPlan) -> list[dict[str, Any]]:
    """Every joint in order: where in the cord, lane, and how much strip its lane has laid by it."""
    if plan.schedule is None:
        return []
    maps = plan.job.lane_maps()
    return [
        {"cord_mm": at, "lane": lane + 1, "strip_mm": float(maps[lane].to_lane(at))}
        for at, lane in plan.schedule.joints_mm
    ]


def to_run(plan: CordPlan, settings: dict[str, Any]) -> str:
    """The text of a run file: ``[run]`` as the Monitor reads it, ``[plan]`` as the log keeps it.

    Raises ValueError where the plan cannot be run, and SetupError for a setting no head has.
    """
    if not plan.ready or plan.speed_mm_s is None:
        raise ValueError(f"the plan cannot be run: {'; also, '.join(plan.problems)}")
    run: dict[str, Any] = {
        "length_mm": round(plan.job.path.length_mm, 3),
        "speed_mm_s": round(plan.speed_mm_s, 2),
        "setpoints_degC": list(plan.setpoints_degC),
        "shear_at_mm": round(plan.shear_at_mm, 3),
        "settings": settings,
        "strips": run_strips(plan),
    }
    RunSetup.from_table(run, "the plan's run")
    return tomli_w.dumps({"run": run, "plan": _kept(plan)})


def run_strips(plan: CordPlan) -> dict[str, Any]:
    """What the Monitor keeps book of: what lies in each lane when the run begins."""
    schedule, geometry = plan.schedule, plan.job.geometry
    assert schedule is not None
    first = [row[0] for row in schedule.lanes]
    loaded = [piece.used_mm if not piece.last else piece.strip.length_mm for piece in first]
    lengths = sorted(piece.strip.length_mm for piece in schedule.pieces)
    thick = plan.job.case.stack.strip_mm
    return {
        "loaded_mm": [round(max(1.0, one - geometry.wheel_to_nozzle_mm), 1) for one in loaded],
        "next_mm": lengths[len(lengths) // 2],
        "wheel_to_nozzle_mm": geometry.wheel_to_nozzle_mm,
        "pitch_mm": sum(thick) / len(thick) + plan.job.case.stack.film.thickness_mm,
        "stagger_mm": plan.job.rule.joints_mm,
        "curve": [asdict(curve) for curve in curves(plan.job.path)],
    }


def _kept(plan: CordPlan) -> dict[str, Any]:
    """What a run is held against, what its figures are drawn from (`plan_kept` reads it), and what
    a person wants to find in the log.
    """
    schedule = plan.schedule
    assert schedule is not None and plan.speed_mm_s is not None
    return {
        "name": plan.job.name,
        "speed_mm_s": round(plan.speed_mm_s, 2),
        "setpoints_degC": list(plan.setpoints_degC),
        "tolerance_K": plan.job.case.limits.tolerance_K,
        "length_mm": round(plan.job.path.length_mm, 3),
        "shear_at_mm": round(plan.shear_at_mm, 3),
        "stagger_mm": plan.job.rule.joints_mm,
        "joints": joints(plan),
        "lanes": [
            [{"strip": p["strip"], "used_mm": round(p["used_mm"], 1)} for p in row]
            for row in strips_by_lane(schedule)
        ],
        "loadings": [
            {
                "by_s": round(one.by_s, 1),
                "lane": one.lane + 1,
                "strip": one.strip,
                "cut_mm": round(one.cut_mm, 1),
            }
            for one in plan.loadings
        ],
        "heat": _asked(plan.job.case) | {"between_mm_s": list(plan.job.speeds_mm_s)},
    }


def _asked(case: HeatCase) -> dict[str, Any]:
    """The tables of a plan file that say what is asked of the heat, contact as it was fitted."""
    stack, limits, way = case.stack, case.limits, case.way
    top = {"glue_top_degC": limits.glue_top_degC} if isfinite(limits.glue_top_degC) else {}
    return {
        "stack": {
            "species": stack.wood.species.name,
            "lanes": len(stack.strip_mm),
            "strip_mm": list(stack.strip_mm),
            "width_mm": stack.width_mm,
            "moisture_percent": stack.wood.moisture_percent,
            "film_mm": stack.film.thickness_mm,
        },
        "adhesive": {
            "glue_degC": limits.glue_degC,
            "face_degC": limits.face_degC,
            "hold_s": limits.hold_s,
            **top,
        },
        "head": {
            "chosen_zone": case.chosen + 1,
            "block_degC": list(limits.block_degC),
            "tolerance_K": limits.tolerance_K,
            "entry_degC": way.entry_degC,
            "air_degC": way.air_degC,
            "zone": [
                {
                    "heater_W": block.heater_W,
                    "loss_W_K": block.loss_W_K,
                    "link_W_K": block.link_W_K,
                    "setpoint_degC": degC,
                }
                for block, degC in zip(case.blocks, case.zone_degC, strict=True)
            ],
            "stretch": [
                {
                    "name": one.name,
                    "length_mm": one.length_mm,
                    "contact_W_m2K": one.contact_W_m2K,
                    "pressed": one.pressed,
                    **({} if one.zone is None else {"zone": one.zone + 1}),
                }
                for one in way.stretches
            ],
        },
    }
