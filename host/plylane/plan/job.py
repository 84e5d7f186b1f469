"""What a plan is made from: everything that a plan file says, as values."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, degrees

from plylane.feed.lane_map import LaneMap
from plylane.plan.bending import lane_offsets_mm, smallest_cord_radius_mm
from plylane.plan.contact import ContactFit
from plylane.plan.heat_case import HeatCase
from plylane.plan.motor import Load, PullOut
from plylane.plan.path import CordPath
from plylane.plan.strips import StaggerRule, Strip

STRAIN_SHARE = 0.7  # common practice, no source: of the strain at which a straight strip breaks
OVERHANG_DEG = 22.5  # common practice, no source


@dataclass(frozen=True, slots=True)
class Geometry:
    """Where things sit along the head, mm upstream of the nozzle."""

    shear_to_nozzle_mm: float = 0.0
    infeed_to_nozzle_mm: float = 0.0
    wheel_to_nozzle_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Laying:
    """What the wood and the layers allow.

    `strain_share` of the strain at which a straight-grained strip breaks when bent cold;
    `overhang_deg` and never more than half the cord's width a layer of `layer_mm`.
    """

    layer_mm: float
    strain_share: float = STRAIN_SHARE
    overhang_deg: float = OVERHANG_DEG


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive and its motor; `margin` is the least of pull-out torque over needed torque."""

    name: str
    load: Load
    pull_out: PullOut
    margin: float


@dataclass(frozen=True)
class Job:
    """A cord to be made. `speed_mm_s` None asks for the fastest within `speeds_mm_s`.

    `contact` is the fit to measured glue lines that the case's contact comes from, if any.
    """

    name: str
    case: HeatCase
    path: CordPath
    strips: tuple[Strip, ...]
    rule: StaggerRule
    geometry: Geometry
    laying: Laying
    drives: tuple[Drive, ...]
    speed_mm_s: float | None
    speeds_mm_s: tuple[float, float]
    contact: ContactFit | None = None

    @property
    def lanes(self) -> int:
        """How many strips lie in the stack."""
        return len(self.case.stack.strip_mm)

    def lane_maps(self) -> list[LaneMap]:
        """Cord length against strip length of every lane. Raises ValueError as LaneMap does."""
        stack, path = self.case.stack, self.path
        offsets = lane_offsets_mm(stack.strip_mm, stack.film.thickness_mm)
        return [LaneMap(path.arc_mm, path.turning_rad, float(offset)) for offset in offsets]

    @property
    def smallest_radius_mm(self) -> float:
        """Of the cord's middle, for its strips and species."""
        stack = self.case.stack
        strain = self.laying.strain_share * stack.wood.species.rupture_strain
        return smallest_cord_radius_mm(stack.strip_mm, strain, stack.film.thickness_mm)

    @property
    def largest_overhang_deg(self) -> float:
        """Lean of a layer on the one below: half the cord's width, or what is allowed anyhow."""
        half = degrees(atan2(0.5 * self.case.stack.thickness_mm, self.laying.layer_mm))
        return min(half, self.laying.overhang_deg)
