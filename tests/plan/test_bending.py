"""Bending: lanes against the twin's, parallel curves drawn and measured, places named."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.plan import bending
from plylane_twin.plant_parameters import PlantParameters

radii = st.floats(20.0, 500.0)
strips = st.lists(st.floats(0.2, 2.0), min_size=1, max_size=8).map(tuple)


def test_offsets_are_those_of_the_twin() -> None:
    plant = PlantParameters.load()
    assert bending.lane_offsets_mm((0.5,) * 5) == pytest.approx(plant.lane_offset_mm)


@given(strips, st.floats(0.0, 0.2))
def test_strips_lie_on_one_another(strip_mm: tuple[float, ...], film_mm: float) -> None:
    offsets, half = bending.lane_offsets_mm(strip_mm, film_mm), 0.5 * np.array(strip_mm)
    outer, inner = offsets + half, offsets - half
    assert outer[0] == pytest.approx(-inner[-1])
    assert outer[1:] == pytest.approx(inner[:-1] - film_mm)


@given(radii, st.floats(-1.0, 1.0).filter(lambda turn: abs(turn) > 0.1), st.floats(-5.0, 5.0))
def test_lane_of_an_arc_measured_on_its_points(radius: float, turn: float, offset: float) -> None:
    """An arc drawn point by point, shifted square to itself, its length measured."""
    angle = np.linspace(0.0, turn, 4001)
    way = np.sign(turn)
    lane_radius = radius + way * offset
    points = lane_radius * np.exp(1j * angle)
    extra = np.abs(np.diff(points)).sum() - radius * abs(turn)
    assert bending.lane_extra_mm(turn, offset) == pytest.approx(extra, abs=1e-5)
    found = bending.lane_curvature_per_mm([way / radius], [offset])
    assert found == pytest.approx(np.full((1, 1), way / lane_radius))


@given(strips, st.floats(0.004, 0.03), st.sampled_from([-1.0, 1.0]))
def test_smallest_cord_radius_is_where_the_worst_strip_is_at_its_limit(
    strip_mm: tuple[float, ...], strain: float, way: float
) -> None:
    radius = bending.smallest_cord_radius_mm(strip_mm, strain, 0.03)
    offsets = bending.lane_offsets_mm(strip_mm, 0.03)
    for turn in (way, -way):
        lanes = bending.lane_curvature_per_mm([turn / radius], offsets)[0]
        assert (bending.surface_strain(strip_mm, lanes) < strain * (1.0 + 1e-9)).all()
    tighter = [
        bending.surface_strain(
            strip_mm, bending.lane_curvature_per_mm([turn / (0.999 * radius)], offsets)[0]
        ).max()
        for turn in (way, -way)
    ]
    assert max(tighter) > strain


def test_a_lane_without_room_is_infinitely_sharp() -> None:
    assert bending.lane_curvature_per_mm([-0.5], [3.0])[0, 0] == np.inf


def test_places_beyond_a_limit() -> None:
    arc = np.arange(10.0)
    value = np.array([3.0, 1.0, 1.0, 2.5, 4.0, 2.5, 1.0, 1.0, 1.0, 2.1])
    found = bending.places_beyond(arc, value, 2.0)
    assert [(p.from_mm, p.to_mm, p.worst_at_mm, p.worst) for p in found] == [
        (0.0, 0.0, 0.0, 3.0),
        (3.0, 5.0, 4.0, 4.0),
        (9.0, 9.0, 9.0, 2.1),
    ]
    assert bending.places_beyond(arc, value, 5.0) == []
