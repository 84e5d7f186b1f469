"""Path files: curvature against circles and helices, turning, layers, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.plan.path import (
    CordPath,
    Curve,
    PathError,
    from_curves,
    from_points,
    overhang,
    parse,
    pieces,
)


def arc_points(radius_mm: float, turn_deg: float, count: int = 200) -> np.ndarray:
    angle = np.linspace(0.0, np.radians(turn_deg), count)
    side = np.sign(turn_deg)
    return np.column_stack(
        [radius_mm * np.sin(np.abs(angle)), side * radius_mm * (1 - np.cos(angle))]
    )


@given(st.floats(45.0, 400.0), st.floats(40.0, 300.0), st.booleans())
def test_a_circle_has_its_radius_length_and_angle(radius: float, turn: float, left: bool) -> None:
    turn = turn if left else -turn
    path = from_points(arc_points(radius, turn))
    assert path.length_mm == pytest.approx(radius * np.radians(abs(turn)), rel=1e-5)
    assert path.curvature_per_mm == pytest.approx(np.sign(turn) / radius, rel=0.01)
    assert path.turning_deg == pytest.approx(turn, rel=2e-3)


def test_a_helix_has_its_curvature_in_space() -> None:
    """Curvature of a helix: r / (r^2 + c^2), with c the rise a radian."""
    r, c, t = 60.0, 20.0, np.linspace(0.0, 12.0, 800)
    path = from_points(np.column_stack([r * np.cos(t), r * np.sin(t), c * t]))
    assert path.length_mm == pytest.approx(12.0 * np.hypot(r, c), rel=1e-5)
    assert path.curvature_per_mm == pytest.approx(r / (r**2 + c**2), rel=0.01)


def test_noise_of_a_hundredth_does_not_drown_a_radius() -> None:
    points = arc_points(60.0, 200.0) + np.random.default_rng(5).normal(0.0, 0.01, (200, 2))
    path = from_points(points)
    assert np.median(path.curvature_per_mm) == pytest.approx(1 / 60.0, rel=0.05)
    assert path.turning_deg == pytest.approx(200.0, abs=3.0)


def test_curves_turn_as_far_as_they_say() -> None:
    path = from_curves(1000.0, [Curve(100.0, 120.0, 90.0), Curve(400.0, 45.0, -120.0)])
    assert path.length_mm == 1000.0
    assert path.turning_deg == pytest.approx(-30.0, abs=1e-3)
    assert path.smallest_radius_mm == pytest.approx(45.0)


def test_pieces_and_back() -> None:
    curves = from_curves(1000.0, [Curve(100.0, 120.0, 90.0), Curve(400.0, 45.0, -120.0)])
    found = pieces(curves)
    assert [round(1 / k, 3) if k else 0.0 for *_, k in found] == [0.0, 120.0, 0.0, -45.0, 0.0]
    rows = "".join(f"{a!r},{b!r},14,{k!r}\n" for a, b, k in found)
    again = parse("from_mm,to_mm,speed_mm_s,curvature_per_mm\n" + rows, "pieces.csv")
    at = np.linspace(0.0, 1000.0, 301)
    assert np.interp(at, again.arc_mm, again.turning_rad) == pytest.approx(
        np.interp(at, curves.arc_mm, curves.turning_rad), abs=1e-4
    )


def test_a_spiral_s_pieces_turn_as_far() -> None:
    path = CordPath(np.linspace(0.0, 300.0, 301), np.linspace(0.0, 1 / 60.0, 301))
    turned = sum((b - a) * k for a, b, k in pieces(path))
    assert turned == pytest.approx(path.turning_rad[-1], rel=1e-4)


def layers(side_mm: float, height_mm: float = 2.6) -> np.ndarray:
    """Three straight walls of 100 mm over each other, there and back, each to the side."""
    rows = []
    for layer in range(3):
        x = np.linspace(0.0, 100.0, 51)
        x = x if layer % 2 == 0 else x[::-1]
        rows += [(float(a), layer * side_mm, layer * height_mm) for a in x]
    return np.array(rows)


def test_layers_lean_by_their_offset() -> None:
    arc = np.arange(153) * 2.0
    found = overhang(CordPath(arc, np.zeros(153), layers(1.0)), 2.6)
    assert len(found.lean_deg) == 102
    assert found.lean_deg == pytest.approx(np.degrees(np.arctan(1.0 / 2.6)))


def test_a_level_path_has_no_overhang_and_one_in_the_air_nothing_below() -> None:
    level = from_points(arc_points(60.0, 200.0))
    assert len(overhang(level, 2.6).lean_deg) == 0
    t = np.linspace(0.0, 1.0, 60)
    ramp = from_points(np.column_stack([400.0 * t, 0.0 * t, 30.0 * t]))
    assert overhang(ramp, 2.6).lean_deg.max() > 80.0


SQUARE = "x_mm,y_mm\n0,0\n2,0\n4,0\n6,1\n8,2\n10,3\n"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "line 1: columns none"),
        ("x,y\n0,0\n", "x_mm, y_mm"),
        ("x_mm,y_mm\n0,0\n", "line 2: a path takes more than 1 rows"),
        (SQUARE.replace("6,1", "6"), "line 5, y_mm: '' is no number"),
        (SQUARE.replace("6,1", "six,1"), "line 5, x_mm: 'six' is no number"),
        (SQUARE.replace("6,1", "nan,1"), "line 5, x_mm: nan"),
        (SQUARE.replace("6,1", "6e9,1"), "line 5, x_mm: 6e9 is beyond"),
        (SQUARE.replace("6,1", "4,0"), "line 5: repeats"),
        (SQUARE.replace("6,1", "3,0"), "line 4: the path doubles back"),
        (SQUARE.replace("10,3", "100,3"), "line 7: a gap of 92"),
        ("arc_mm,curvature_per_mm\n0,0\n10,0\n10,0\n", "line 4, arc_mm: 10 repeats"),
        ("arc_mm,curvature_per_mm\n0,0\n10,0\n5,0\n", "line 4, arc_mm: 5 doubles back"),
        ("arc_mm,curvature_per_mm\n5,0\n10,0\n", "line 2, arc_mm: begins at 5"),
        ("arc_mm,curvature_per_mm\n0,0\n10,inf\n", "line 3, curvature_per_mm: inf"),
        ("from_mm,to_mm,curvature_per_mm\n0,5,0\n6,9,0\n", "line 3, from_mm: 6 leaves a gap"),
        ("from_mm,to_mm,curvature_per_mm\n0,5,0\n5,4,0\n", "line 3, to_mm: 4 doubles back"),
    ],
)
def test_bad_files_are_refused_by_line_and_field(text: str, expected: str) -> None:
    with pytest.raises(PathError) as found:
        parse(text, "rib.csv")
    place = str(found.value)
    assert place.startswith("rib.csv, line ")
    assert expected in place
    assert "\n" not in place


@pytest.mark.parametrize(
    ("curves", "expected"),
    [
        ([Curve(0.0, 100.0, 90.0), Curve(100.0, 100.0, 90.0)], "curve 2, start_mm"),
        ([Curve(900.0, 100.0, 90.0)], "curve 1: it ends at 1057.1 mm"),
    ],
)
def test_curves_that_do_not_fit(curves: list[Curve], expected: str) -> None:
    with pytest.raises(PathError, match=expected):
        from_curves(1000.0, curves)
