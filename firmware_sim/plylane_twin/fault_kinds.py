"""The faults of the plant: what each needs, its unit, default and bounds. docs/twin.md says more.

The codes are those of `enum plant_fault_kind` in plant.h; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Part = Literal["lane", "zone", "drive"]


@dataclass(frozen=True, slots=True)
class Size:
    """How bad a fault is: field name with its unit, default and bounds (both included)."""

    name: str
    default: float
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One kind of fault. `part` is what has to be named with it (counted from 1 in files)."""

    name: str
    code: int
    doc: str
    part: Part | None = None
    size: Size | None = None
    grows: bool = False
    """Takes over_mm: feed travel over which it grows from nothing to its size; 0 is at once."""


OVER_MM_MAX = 100_000.0


def _by_name(kinds: Iterable[FaultKind]) -> dict[str, FaultKind]:
    return {kind.name: kind for kind in kinds}


FAULT_KINDS: dict[str, FaultKind] = _by_name(
    (
        FaultKind(
            "lane_jam", 0, "A strip binds in the guide: more drag in one lane.",
            "lane", Size("drag_N", 150.0, 0.0, 1000.0), grows=True,
        ),
        FaultKind(
            "head_jam", 1, "Every strip binds in the guide: more drag in each lane.",
            None, Size("drag_N", 150.0, 0.0, 1000.0), grows=True,
        ),
        FaultKind(
            "strip_out", 2, "A strip ends and none follows; its end threads a new one.", "lane"
        ),
        FaultKind("lane_wheel_stuck", 3, "A lane wheel stands although its strip moves.", "lane"),
        FaultKind("output_wheel_stuck", 4, "The output wheel stands although the cord moves."),
        FaultKind(
            "output_wheel_dirty", 5, "Dirt on the output wheel makes it larger: it counts short.",
            None, Size("diameter_percent", 2.0, 0.0, 50.0), grows=True,
        ),
        FaultKind(
            "output_wheel_slip", 6, "The output wheel loses a part of the travel.",
            None, Size("slip_percent", 20.0, 0.0, 100.0), grows=True,
        ),
        FaultKind("sensor_open", 7, "A sensor's circuit is open.", "zone"),
        FaultKind("sensor_shorted", 8, "A sensor's circuit is shorted.", "zone"),
        FaultKind("sensor_stuck", 9, "A converter channel repeats its last reading.", "zone"),
        FaultKind(
            "sensor_detached", 10, "A sensor leaves its seat and takes the temperature of the air.",
            "zone", Size("contact_lost_percent", 100.0, 0.0, 100.0),
        ),
        FaultKind("heater_open", 11, "A heater gives no heat.", "zone"),
        FaultKind("heater_shorted", 12, "A heater's switch stays on without command.", "zone"),
        FaultKind(
            "lost_steps", 13,
            "A motor loses full steps, always in fours; spread evenly over over_mm of feed.",
            "drive", Size("full_steps", 4.0, 1.0, 100_000.0), grows=True,
        ),
        FaultKind(
            "film", 14, "Adhesive on the rollers adds slip at nominal load.",
            None, Size("slip_percent", 3.0, 0.0, 50.0), grows=True,
        ),
        FaultKind("stop_tripped", 15, "The hard-wired stop is tripped."),
        FaultKind("permit_lost", 16, "The motion system withdraws its permit."),
        FaultKind(
            "supply_low", 17, "The supply is low: less heat, and motors pull out earlier.",
            None, Size("below_percent", 20.0, 0.0, 90.0),
        ),
    )
)  # fmt: skip
