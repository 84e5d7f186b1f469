"""Bending and parallel curves against their closed forms, and cold bending against trade rules."""

from __future__ import annotations

import math

import numpy as np
import pytest

from plylane.plan import bending
from plylane.plan.path import CordPath
from plylane.plan.wood import SPECIES


@pytest.mark.parametrize(
    ("thickness", "radius", "strain"),
    [(0.6, 15.0, 0.02), (1.0, 25.0, 0.02), (1.0, 50.0, 0.01), (2.0, 60.0, 0.01666666667)],
)
def test_strain(thickness: float, radius: float, strain: float) -> None:
    """t / 2R, Euler-Bernoulli, R to the middle of the strip."""
    assert bending.surface_strain(thickness, -1.0 / radius) == pytest.approx(strain)
    assert bending.smallest_radius_mm(thickness, strain) == pytest.approx(radius)


@pytest.mark.parametrize(
    ("thickness", "inside", "strain"),
    [
        (0.6, 15.0, 0.01960784314),
        (1.0, 25.0, 0.01960784314),
        (1.0, 50.0, 0.009900990099),
        (2.0, 60.0, 0.01639344262),
    ],
)
def test_strain_round_a_former(thickness: float, inside: float, strain: float) -> None:
    """t / (2 Ri + t), Euler-Bernoulli, Ri of the former on which the strip lies."""
    middle = bending.lane_curvature_per_mm(1.0 / inside, 0.5 * thickness)
    assert bending.surface_strain(thickness, middle) == pytest.approx(strain)


@pytest.mark.parametrize(
    ("degrees", "extra"), [(90, 1.570796327), (180, 3.141592654), (360, 6.283185307)]
)
@pytest.mark.parametrize("sharpest", [0.002, 0.02])
def test_differential_length(degrees: float, extra: float, sharpest: float) -> None:
    """Turning angle times offset, for one millimetre, whatever the shape (J. Steiner, *memory*)."""
    turn = math.radians(degrees)
    length = 2.0 * turn / sharpest  # curvature rises from 0 and falls again
    arc = np.linspace(0.0, length, 2001)
    path = CordPath(arc, sharpest * (1.0 - np.abs(2.0 * arc / length - 1.0)))
    assert bending.lane_extra_mm(path.turning_rad, [1.0])[-1] == pytest.approx([extra], rel=1e-5)


def test_closed_loop_of_four_strips() -> None:
    """Four strips of 1 mm, once round: 2 pi more for each strip farther out."""
    offsets = bending.lane_offsets_mm((1.0,) * 4)
    extra = bending.lane_extra_mm(2 * math.pi, offsets)
    assert extra - extra.min() == pytest.approx(
        [18.84955592, 12.56637061, 6.283185307, 0.0], abs=1e-8
    )


@pytest.mark.parametrize("name", sorted(SPECIES))
def test_cold_bending_of_every_species_keeps_a_rule_of_thumb(name: str) -> None:
    """Dry bending: radius over thickness not below 20 to 30 (G. Wengert, The Wood Doctor Rx, as
    summarised). Strength over stiffness is on the safe side of it, by less than four times."""
    ratio = bending.smallest_radius_mm(1.0, SPECIES[name].rupture_strain)
    assert 30.0 < ratio < 4 * 30.0


def test_overhang() -> None:
    """Half the width of a square cord a layer. Common practice, no source, calls it 22.5 degrees;
    the tangent says 26.6, and 22.5 is what 0.414 of the width gives."""
    assert bending.overhang_deg(3.0, 6.0) == pytest.approx(26.565, abs=0.001)
    assert bending.layer_offset_mm(22.5, 6.0) == pytest.approx(6.0 * (math.sqrt(2.0) - 1.0))
    assert bending.overhang_deg(-6.0, 6.0) == pytest.approx(45.0)
