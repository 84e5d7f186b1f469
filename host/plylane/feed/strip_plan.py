"""What a run file says of its strips."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from plylane.feed.lane_map import LaneMap
from plylane.head.registers import LANES

Length = Annotated[float, Field(gt=0.0, le=100_000.0)]


class Curve(BaseModel):
    """A bend of the part: from `start_mm` of cord on, turning left by `turn_deg` at that radius."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    start_mm: float = Field(ge=0.0, le=2_000_000)
    radius_mm: float = Field(gt=0.0, le=1e6)
    turn_deg: float = Field(ge=-1e8, le=1e8)


class StripPlan(BaseModel):
    """The strips of a run, the ``[run.strips]`` table.

    `loaded_mm` is what is left of the strip in each lane when the run begins, from the lane wheel
    to the strip's end; `next_mm` the usual length of the strips that follow. `wheel_to_nozzle_mm`
    is the way from a lane wheel to where the cord is laid. `pitch_mm` is the distance from the
    middle of one lane to the next, a strip's thickness; lane 1 lies outermost in a left turn.
    `stagger_mm` is how far apart two joints must lie in the cord, `lead_s` how long before a strip
    ends the next one is asked for. `curve` are the bends of the part.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    loaded_mm: list[Length] = Field(min_length=1, max_length=LANES)
    next_mm: Length
    wheel_to_nozzle_mm: float = Field(ge=0.0, le=10_000.0)
    pitch_mm: float = Field(default=0.0, ge=0.0, le=20.0)
    stagger_mm: float = Field(default=0.0, ge=0.0, le=10_000.0)
    lead_s: float = Field(default=60.0, ge=0.0, le=3600.0)
    curve: list[Curve] = Field(default_factory=list)

    @property
    def offsets_mm(self) -> list[float]:
        """Each lane's distance from the middle of the stack, outwards in a left turn positive."""
        middle = 0.5 * (len(self.loaded_mm) - 1)
        return [(middle - lane) * self.pitch_mm for lane in range(len(self.loaded_mm))]

    @model_validator(mode="after")
    def _curves_hold_together(self) -> StripPlan:
        for offset_mm in self.offsets_mm:
            LaneMap.of_bends(self.curve, offset_mm)
        return self
