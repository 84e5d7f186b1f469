# ruff: noqa: N802  (units are written as the trade writes them)
"""The stack as the plant's blocks feel it: one mean temperature a section, wood by the handbook."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from plylane.plan.wood import conductivity_W_mK, density_kg_m3, heat_capacity_J_kgK


@dataclass(frozen=True, slots=True)
class Stack:
    """The strips together as the heat sees them: a plate, warmed on both faces."""

    width_mm: float
    thickness_mm: float
    gravity: float
    moisture_percent: float
    temperature_degC: float

    @property
    def density_kg_m3(self) -> float:
        """Density, wood and water together."""
        return density_kg_m3(self.gravity, self.moisture_percent)

    @property
    def heat_capacity_J_kgK(self) -> float:
        """Heat capacity at the stack's temperature."""
        return heat_capacity_J_kgK(self.moisture_percent, self.temperature_degC)

    @property
    def heat_J_mm_K(self) -> float:
        """Heat of one millimetre of stack a kelvin."""
        volume_m3 = self.width_mm * self.thickness_mm * 1e-9
        return volume_m3 * self.density_kg_m3 * self.heat_capacity_J_kgK

    def contact_W_mm_K(self, contact_W_m2K: float) -> float:
        """Conductance from the block to the stack's mean temperature, a millimetre of length.

        Both faces; contact in series with L / (3 k), the resistance between face and mean of a
        plate of half thickness L whose profile is a parabola.
        """
        half_m = 0.5 * self.thickness_mm * 1e-3
        k = conductivity_W_mK(self.gravity, self.moisture_percent)
        through_W_m2K = 1.0 / (1.0 / contact_W_m2K + half_m / (3.0 * k))
        return 2.0 * self.width_mm * 1e-6 * through_W_m2K


def carried_W(
    heat_J_mm_K: float,
    contact_W_mm_K: float,
    length_mm: float,
    speed_mm_s: float,
    rise_K: float,
) -> float:
    """Heat a stack carries off a block of even temperature, `rise_K` above the stack coming in.

    Plug flow: speed * heat * rise * (1 - exp(-contact * length / (speed * heat))).
    """
    if speed_mm_s <= 0.0:
        return 0.0
    flow_W_K = speed_mm_s * heat_J_mm_K
    return flow_W_K * rise_K * (1.0 - exp(-contact_W_mm_K * length_mm / flow_W_K))
