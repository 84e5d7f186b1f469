"""What is asked of the heat: stack and way, limits, blocks, and which block is to be chosen."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import inf

from plylane.plan.conduction import Way
from plylane.plan.stack import Stack


class Limit(StrEnum):
    """What holds a window, in words for people."""

    GLUE_COLD = "innermost glue line not hot enough when pressed"
    HOLD_SHORT = "glue line hot for too short a time"
    FACE_HOT = "wood surface too hot"
    GLUE_HOT = "glue line too hot"
    HEATER = "heater too weak"
    COOLING = "block would have to cool the strips"
    BLOCK_LOW = "lowest block temperature"
    BLOCK_HIGH = "highest block temperature"


@dataclass(frozen=True, slots=True)
class Block:
    """What heats a zone: the power its heater can be relied on for, and where it goes.

    `loss_W_K` to the air, `link_W_K` to the block of the next zone.
    """

    heater_W: float
    loss_W_K: float = 0.0
    link_W_K: float = 0.0


@dataclass(frozen=True, slots=True)
class Limits:
    """What has to hold. Temperatures in degC.

    `glue_degC` is what every glue line reaches where it is pressed, `hold_s` how long on its way it
    stays above; `face_degC` what no wood surface exceeds, `glue_top_degC` no glue line;
    `block_degC` between which the block may be set; `tolerance_K` by how much it may be off either
    way.
    """

    glue_degC: float
    face_degC: float
    hold_s: float = 0.0
    glue_top_degC: float = inf
    block_degC: tuple[float, float] = (30.0, 220.0)
    tolerance_K: float = 2.0

    def __post_init__(self) -> None:
        if not self.block_degC[0] < self.block_degC[1]:
            raise ValueError("block_degC: the lowest must be below the highest")
        if not self.glue_degC < self.glue_top_degC:
            raise ValueError("glue_top_degC must be above glue_degC")
        if self.hold_s < 0.0 or self.tolerance_K < 0.0:
            raise ValueError("hold_s and tolerance_K must not be below 0")


@dataclass(frozen=True, slots=True)
class HeatCase:
    """A stack on its way, what has to hold, and the zone whose temperature is to be chosen.

    `zone_degC` has a temperature for every zone; that of `chosen` (from 0) is a first guess only.
    Raises ValueError when blocks or temperatures are not one for each zone, or nothing is glued.
    """

    stack: Stack
    way: Way
    limits: Limits
    zone_degC: tuple[float, ...]
    blocks: tuple[Block, ...]
    chosen: int = 0

    def __post_init__(self) -> None:
        zones = self.way.zones
        if len(self.zone_degC) != zones or len(self.blocks) != zones:
            raise ValueError(f"a way of {zones} zones needs a temperature and a block for each")
        if not 0 <= self.chosen < zones:
            raise ValueError(f"zone {self.chosen + 1} is not on the way")
        if self.stack.glue_lines == 0:
            raise ValueError("a stack of one strip has no glue line")

    def with_block(self, block_degC: float) -> tuple[float, ...]:
        """Temperatures of all zones with the chosen one at that temperature."""
        zones = list(self.zone_degC)
        zones[self.chosen] = block_degC
        return tuple(zones)
