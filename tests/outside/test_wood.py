"""Heat of wood against values from outside the project.

Equations: Wood Handbook, FPL-GTR-190 (2010), chapter 4 (Glass and Zelinka), (4-15) to (4-18).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.plan import wood
from plylane_twin.wood import carried_W

KELVIN = 273.15

# recomputed from the equations with an independent program; columns 0, 5, 12, 20 % moisture
CP_KJ_KGK = {
    280.0: (1.18586, 1.345963095, 1.537548714, 1.715083333),
    300.0: (1.2632, 1.443220238, 1.663242286, 1.873933333),
    320.0: (1.34054, 1.540477381, 1.788935857, 2.032783333),
    340.0: (1.41788, 1.637734524, 1.914629429, 2.191633333),
    360.0: (1.49522, 1.734991667, 2.040323, 2.350483333),
}


@pytest.mark.parametrize("kelvin", CP_KJ_KGK)
def test_heat_capacity(kelvin: float) -> None:
    for moisture, expected in zip((0.0, 5.0, 12.0, 20.0), CP_KJ_KGK[kelvin], strict=True):
        found = wood.heat_capacity_J_kgK(moisture, kelvin - KELVIN) / 1000.0
        assert found == pytest.approx(expected, rel=1e-8)


def test_heat_capacity_as_published() -> None:
    """Example of the chemics documentation (chemics.readthedocs.io, wood): 1.91 at 12 %, 340 K."""
    assert wood.heat_capacity_J_kgK(12.0, 340.0 - KELVIN) == pytest.approx(1910.0, abs=5.0)


# recomputed rows: gravity at that moisture, moisture, temperature; k near 24 degC, density, cp,
# diffusivity
ROWS = [
    (0.40, 0.0, 25.0, 0.09628, 400.0, 1.25604605, 1.916331014e-07),
    (0.40, 12.0, 65.0, 0.1157872, 448.0, 1.903002773, 1.358135548e-07),
    (0.42, 8.0, 25.0, 0.11381704, 453.6, 1.531750431, 1.63812195e-07),
    (0.605, 0.0, 65.0, 0.1360705, 605.0, 1.41072605, 1.594284853e-07),
    (0.605, 8.0, 65.0, 0.15574026, 653.4, 1.750492654, 1.361637403e-07),
    (0.605, 12.0, 25.0, 0.16557514, 677.6, 1.65161563, 1.479492437e-07),
    (0.63, 12.0, 65.0, 0.17164684, 705.6, 1.903002773, 1.278314806e-07),
    (0.68, 8.0, 25.0, 0.17273616, 734.4, 1.531750431, 1.535545117e-07),
]


@pytest.mark.parametrize(("gravity", "moisture", "degC", "k", "density", "cp", "alpha"), ROWS)
def test_rows(
    gravity: float, moisture: float, degC: float, k: float, density: float, cp: float, alpha: float
) -> None:
    found = (
        wood.conductivity_W_mK(gravity, moisture),
        wood.density_kg_m3(gravity, moisture),
        wood.heat_capacity_J_kgK(moisture, degC),
    )
    assert found == pytest.approx((k, density, 1000.0 * cp), rel=1e-8)
    assert found[0] / (found[1] * found[2]) == pytest.approx(alpha, rel=1e-8)


@pytest.mark.parametrize(
    ("gravity", "at_12", "dry"), [(0.63, 0.17, 0.14), (0.68, 0.18, 0.15)], ids=["ash", "beech"]
)
def test_conductivities_of_the_handbooks_table(gravity: float, at_12: float, dry: float) -> None:
    """White ash and American beech of Table 4-7, two places (*memory*)."""
    assert round(wood.conductivity_W_mK(gravity, 12.0), 2) == at_12
    assert round(wood.conductivity_W_mK(gravity, 0.0), 2) == dry


def test_what_conduction_takes_is_the_handbooks_white_ash() -> None:
    """The row of gravity 0.605 at 12 %, by the species' name; the shrinkage rule is worth 1 %."""
    ash = wood.Wood(wood.species("white ash"), 12.0)
    assert ash.conductivity_W_mK(24.0) == pytest.approx(0.16557514, rel=0.01)
    assert ash.heat_J_m3K(25.0) == pytest.approx(677.6 * 1651.61563, rel=0.01)
    assert ash.heat_J_m3K(65.0) == pytest.approx(677.6 * 1903.002773, rel=0.01)


def test_white_ash_of_the_handbook() -> None:
    """Worked example: basic 0.55; at 12 % gravity 0.605 and 678 kg/m3. The shrinkage rule is an
    average over species, hence 1 %."""
    gravity = wood.specific_gravity(0.55, 12.0)
    assert gravity == pytest.approx(0.605, rel=0.01)
    assert wood.density_kg_m3(gravity, 12.0) == pytest.approx(678.0, rel=0.01)


def test_green_wood_has_its_basic_gravity() -> None:
    assert wood.specific_gravity(0.55, 30.0) == 0.55


@given(st.floats(0.1, 100.0), st.floats(1e-4, 1.0), st.floats(1e-4, 1.0), st.floats(1.0, 500.0))
def test_carried_heat_stays_between_its_limits(
    speed: float, heat: float, contact: float, length: float
) -> None:
    """Never more than warms the stack wholly, nor than the contact lets through at full rise."""
    found = carried_W(heat, contact, length, speed, 80.0)
    assert 0.0 < found <= min(speed * heat, contact * length) * 80.0 * (1.0 + 1e-12)


def test_nothing_is_carried_at_rest() -> None:
    assert carried_W(0.018, 0.003, 80.0, 0.0, 88.0) == 0.0


def test_conductivity_rises_by_two_to_three_percent_for_ten_kelvin() -> None:
    """The handbook's own figure, beside (4-15)."""
    warm, warmer = (wood.conductivity_W_mK(0.55, 9.0, degC) for degC in (24.0, 34.0))
    assert 1.02 <= warmer / warm <= 1.03


@pytest.mark.parametrize(
    ("asked", "near"),
    [("ash", "white ash"), ("whte ash", "white ash"), ("beach", "american beech")],
)
def test_unknown_species_names_the_near_ones(asked: str, near: str) -> None:
    with pytest.raises(
        wood.UnknownSpeciesError, match=f"no species '{asked}'; did you mean .*{near}"
    ):
        wood.species(asked)


def test_species_that_is_like_none_names_them_all() -> None:
    with pytest.raises(
        wood.UnknownSpeciesError, match=r"known are american basswood, .* yellow poplar"
    ):
        wood.species("xyzzy")
    assert wood.species(" White  Ash ").basic_gravity == 0.55
