# ruff: noqa: N802  (units are written as the trade writes them)
"""Density and heat of wood by the equations of the Wood Handbook, and the stack that they make.

Source: Wood Handbook, FPL-GTR-190 (2010), chapter 4 (Glass and Zelinka), (4-15) to (4-18). Moisture
is in percent of dry mass, below fibre saturation; temperatures in degC; SI units otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

KELVIN = 273.15
FIBRE_SATURATION_PERCENT = 30.0
WATER_KG_M3 = 1000.0


def specific_gravity(basic_gravity: float, moisture_percent: float) -> float:
    """Gravity on the volume at this moisture, from the basic one on green volume (memory).

    The wood shrinks in proportion to its gravity as it dries below fibre saturation:
    G = Gb / (1 - 0.265 a Gb), a = (30 - x) / 30. Held against the white-ash row in the tests.
    """
    dried = max(0.0, 1.0 - moisture_percent / FIBRE_SATURATION_PERCENT)
    return basic_gravity / (1.0 - 0.265 * dried * basic_gravity)


def density_kg_m3(gravity: float, moisture_percent: float) -> float:
    """Density, wood and water together; `gravity` on the volume at this moisture."""
    return WATER_KG_M3 * gravity * (1.0 + moisture_percent / 100.0)


def heat_capacity_J_kgK(moisture_percent: float, temperature_degC: float) -> float:
    """Heat capacity of moist wood, (4-16a) to (4-18), with the term for the sorption bond."""
    x, t = moisture_percent, temperature_degC + KELVIN
    dry = 0.1031 + 0.003867 * t
    bond = x * (-0.06191 + 2.36e-4 * t - 1.33e-4 * x)
    return 1000.0 * ((dry + 4.18 * x / 100.0) / (1.0 + x / 100.0) + bond)


def conductivity_W_mK(gravity: float, moisture_percent: float) -> float:
    """Conductivity across the grain near 24 degC, (4-15); scatter of wood about 20 percent."""
    return gravity * (0.1941 + 0.004064 * moisture_percent) + 0.01864


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
