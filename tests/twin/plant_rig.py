"""A plant on the bench: C struct, pulses at a speed, quiet parameters."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from plylane_twin._core import ffi, lib
from plylane_twin.fault_kinds import FAULT_KINDS
from plylane_twin.plant_parameters import fill

ALL_DRIVES = 7

STILL_AIR = {"supply_drift_percent": 0.0, "air_swing_K": 0.0, "seating_error_K": 0.0}
EVEN_STRIPS: dict[str, Any] = {
    "slip_drift_percent": 0.0,
    "film_slip_percent_per_m": 0.0,
    "drag_variation_percent": 0.0,
    "strip_mean_variation_percent": 0.0,
    "joint_gap_max_mm": 0.0,
    "joint_step_percent": 0.0,
    "output_run_out_percent": 0.0,
    "output_burst_slip_percent": 0.0,
    "output_dirt_percent_per_m": 0.0,
    "lane_scatter_percent": 0.0,
    "curve": [],
}
QUIET = STILL_AIR | EVEN_STRIPS


class Rig:
    """One plant and the pulses that drive it."""

    def __init__(self, seed: int = 7, **overrides: Any) -> None:
        self.set = ffi.new("struct plant_parameters *")
        fill(self.set, overrides)
        self.p = ffi.new("struct plant *")
        lib.plant_init(self.p, self.set, seed)
        self._pulses = ffi.new("int8_t[]", lib.PLANT_DRIVES)
        self._rest = 0.0

    def run(
        self,
        ms: int,
        speed_mm_s: float = 0.0,
        heaters: int = 0,
        each: Callable[[Any], object] | None = None,
        *,
        drives: int = ALL_DRIVES,
        shear: int = 0,
    ) -> None:
        """Advance; `drives` are given pulses and are enabled, `each` looks after every ms."""
        step = speed_mm_s * self.set.pulses_per_mm / 1000.0
        advance, plant, pulses = lib.plant_ms, self.p, self._pulses
        for _ in range(ms):
            self._rest += step
            whole = int(self._rest)
            self._rest -= whole
            for drive in range(lib.PLANT_DRIVES):
                pulses[drive] = whole if drives >> drive & 1 else 0
            advance(plant, heaters, pulses, drives, shear)
            if each is not None:
                each(plant)

    def feed(self, length_mm: float, speed_mm_s: float = 14.0, **more: Any) -> None:
        self.run(round(abs(length_mm / speed_mm_s) * 1000.0), speed_mm_s, **more)

    def fault(
        self,
        name: str,
        index: int = 0,
        *,
        size: float | None = None,
        over: float = 0.0,
        on: int = 1,
    ) -> None:
        kind = FAULT_KINDS[name]
        if size is None:
            size = kind.size.default if kind.size else 0.0
        assert lib.plant_fault(self.p, kind.code, index, size, over, on) == 0

    @property
    def lanes(self) -> list[Any]:
        return [self.p.lane[k] for k in range(self.set.lanes)]

    def bytes(self) -> bytes:
        return bytes(ffi.buffer(self.p))


def hold_hot(degC: float = 110.0) -> Callable[[Any], None]:
    """For `each`: a block that an ideal loop holds at one temperature."""

    def hold(plant: Any) -> None:
        plant.block[0].degC = degC

    return hold
