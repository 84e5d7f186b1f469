# ruff: noqa: N802  (units are written as the trade writes them)
"""Wood by the equations of the Wood Handbook, and a table of species.

Source: Wood Handbook, FPL-GTR-190 (2010), chapter 4 (Glass and Zelinka), (4-15) to (4-18). Moisture
is in percent of dry mass, below fibre saturation; temperatures in degC; SI units otherwise. Wood
scatters: conductivity alone by 20 % about its equation, says the handbook.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches

KELVIN = 273.15
FIBRE_SATURATION_PERCENT = 30.0
WATER_KG_M3 = 1000.0
CONDUCTIVITY_AT_DEGC = 24.0


def specific_gravity(basic_gravity: float, moisture_percent: float) -> float:
    """Gravity on the volume at this moisture, from the basic one on green volume (*memory*).

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


def conductivity_W_mK(
    gravity: float, moisture_percent: float, temperature_degC: float = CONDUCTIVITY_AT_DEGC
) -> float:
    """Conductivity across the grain, (4-15), which holds near 24 degC.

    At another temperature it is corrected by 2.5 % for 10 K: the handbook says 2 to 3 %.
    """
    at_24 = gravity * (0.1941 + 0.004064 * moisture_percent) + 0.01864
    return at_24 * (1.0 + 0.0025 * (temperature_degC - CONDUCTIVITY_AT_DEGC))


class UnknownSpeciesError(ValueError):
    """No such species in the table; the message names those that come near."""


@dataclass(frozen=True, slots=True)
class Species:
    """`basic_gravity` on green volume; bending strength and stiffness along the grain at 12 %."""

    name: str
    basic_gravity: float
    strength_MPa: float
    stiffness_GPa: float

    @property
    def rupture_strain(self) -> float:
        """Strain at which a straight-grained strip breaks when it is bent cold, from above.

        Strength over stiffness, as if the wood stayed elastic. It yields in compression before, so
        a sound strip stands more; warm or moist wood more again.
        """
        return self.strength_MPa / (1000.0 * self.stiffness_GPa)


# Wood Handbook, FPL-GTR-190 (2010), Table 5-3a. The gravity of white ash is that of the worked
# example in chapter 4; every other value is recalled (*memory*).
SPECIES = {
    row.name: row
    for row in (
        Species("american basswood", 0.32, 60.0, 10.1),
        Species("american beech", 0.56, 103.0, 11.9),
        Species("black cherry", 0.47, 85.0, 10.3),
        Species("black walnut", 0.51, 101.0, 11.6),
        Species("black willow", 0.36, 54.0, 7.0),
        Species("northern red oak", 0.56, 99.0, 12.5),
        Species("sitka spruce", 0.37, 70.0, 10.8),
        Species("sugar maple", 0.56, 109.0, 12.6),
        Species("white ash", 0.55, 103.0, 12.0),
        Species("white oak", 0.60, 105.0, 12.3),
        Species("yellow birch", 0.55, 114.0, 13.9),
        Species("yellow poplar", 0.40, 70.0, 10.9),
    )
}


def species(name: str) -> Species:
    """The row of that name, in whatever case. Raises UnknownSpeciesError."""
    wanted = " ".join(name.lower().split())
    if wanted in SPECIES:
        return SPECIES[wanted]
    raise UnknownSpeciesError(f"no species {name!r}; {_near(wanted)}")


def _near(wanted: str) -> str:
    words = [full for full in SPECIES if set(wanted.split()) & set(full.split())]
    last = {full.split()[-1]: full for full in SPECIES}
    near = words or get_close_matches(wanted, SPECIES, n=3, cutoff=0.5)
    near = near or [last[word] for word in get_close_matches(wanted, last, n=3, cutoff=0.5)]
    return f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(SPECIES)}"


@dataclass(frozen=True, slots=True)
class Wood:
    """A species at a moisture (percent of dry mass, below fibre saturation).

    Raises ValueError when the moisture is out of 0 to 30.
    """

    species: Species
    moisture_percent: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.moisture_percent < FIBRE_SATURATION_PERCENT:
            raise ValueError(
                f"moisture {self.moisture_percent:g} % is outside of 0 to "
                f"{FIBRE_SATURATION_PERCENT:g} %, where the handbook's equations hold"
            )

    @property
    def gravity(self) -> float:
        """Specific gravity on the volume at this moisture."""
        return specific_gravity(self.species.basic_gravity, self.moisture_percent)

    @property
    def density_kg_m3(self) -> float:
        """Density, wood and water together."""
        return density_kg_m3(self.gravity, self.moisture_percent)

    def conductivity_W_mK(self, temperature_degC: float) -> float:
        """Conductivity across the grain."""
        return conductivity_W_mK(self.gravity, self.moisture_percent, temperature_degC)

    def heat_J_m3K(self, temperature_degC: float) -> float:
        """Heat capacity of a volume."""
        return self.density_kg_m3 * heat_capacity_J_kgK(self.moisture_percent, temperature_degC)
