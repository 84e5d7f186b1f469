"""Conduction against the plane wall of the text books, and the half space.

theta = (T - T surroundings) / (T start - T surroundings); L half the thickness, Bi = h L / k,
Fo = alpha t / L^2. A wall is two strips with next to nothing between them; the middle is their glue
line. Values below are recomputed from the named series unless said otherwise.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import erfcx

from plylane.plan.conduction import ENTRY, Passage, Stretch, Way, passage
from plylane.plan.stack import Film, Stack
from plylane.plan.wood import Wood, species

NOTHING = Film(1e-3, 0.2, 1e5, 0.0)
ASH = Wood(species("white ash"), 9.0)
K = ASH.conductivity_W_mK(65.0)
HEAT = ASH.heat_J_m3K(65.0)
PERFECT = 1e9


def wall(bi: float, fo: float, half_mm: float = 0.5) -> Passage:
    """A plane wall after a time, by one stretch that it passes at 10 mm/s."""
    contact = PERFECT if math.isinf(bi) else bi * K / (half_mm * 1e-3)
    time_s = fo * (half_mm * 1e-3) ** 2 * HEAT / K
    stack = Stack((half_mm, half_mm), 6.0, ASH, NOTHING)
    way = Way((Stretch("block", 10.0 * time_s, contact, zone=0, pressed=True),))
    return passage(stack, way, [10.0])


def thetas(run: Passage) -> tuple[float, float]:
    """Middle and face at the end."""
    return float(run.glue[0, -1, 0, ENTRY]), float(run.face[0, -1, 0, ENTRY])


# full series, H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. (1959), ch. 3
SERIES = [
    (0.1, 0.1, 0.9992225907, 0.9652940802),
    (0.1, 0.5, 0.967980746, 0.921778942),
    (0.1, 1.0, 0.9223885716, 0.8781264876),
    (0.1, 2.0, 0.8373261065, 0.7971443856),
    (1.0, 0.1, 0.9931082548, 0.7235772387),
    (1.0, 0.5, 0.7725263834, 0.5045219279),
    (1.0, 1.0, 0.5338594014, 0.3481768517),
    (1.0, 2.0, 0.2546680424, 0.1660905815),
    (10.0, 0.1, 0.9684242138, 0.1705738115),
    (10.0, 0.2, 0.8292547308, 0.1224822381),
    (10.0, 0.5, 0.4546405556, 0.06432895527),
    (10.0, 1.0, 0.1638176417, 0.02317206022),
    (10.0, 2.0, 0.02126546469, 0.00300800685),
    (math.inf, 0.1, 0.9493053627, 0.0),
    (math.inf, 0.2, 0.7723116069, 0.0),
    (math.inf, 0.5, 0.3707774298, 0.0),
    (math.inf, 1.0, 0.1079770444, 0.0),
    (math.inf, 2.0, 0.00915699029, 0.0),
]


@pytest.mark.parametrize(("bi", "fo", "middle", "face"), SERIES)
def test_full_series(bi: float, fo: float, middle: float, face: float) -> None:
    """Within 0.5 % of the value, which asks much of a theta of a hundredth; 1e-6 for the zeros."""
    assert thetas(wall(bi, fo)) == pytest.approx((middle, face), rel=0.005, abs=1e-6)


@pytest.mark.parametrize(("bi", "fo", "face"), [(bi, fo, face) for bi, fo, _, face in SERIES[:13]])
def test_one_strip_alone_is_a_wall_too(bi: float, fo: float, face: float) -> None:
    half_m = 0.5e-3
    time_s = fo * half_m**2 * HEAT / K
    way = Way((Stretch("block", 10.0 * time_s, bi * K / half_m, zone=0, pressed=True),))
    run = passage(Stack((1e3 * 2.0 * half_m,), 6.0, ASH), way, [10.0])
    assert run.face[0, -1, :, ENTRY] == pytest.approx([face, face], rel=0.005)


# zeta1 and C1: F. P. Incropera, D. P. DeWitt, Fundamentals of Heat and Mass Transfer, table of the
# one-term approximation (four decimals there; the digits here are recomputed)
ONE_TERM = [
    (0.01, 0.0998, 1.0017),
    (0.02, 0.1410, 1.0033),
    (0.05, 0.2218, 1.0082),
    (0.1, 0.3111, 1.0161),
    (0.2, 0.4328, 1.0311),
    (0.3, 0.5218, 1.0450),
    (0.5, 0.6533, 1.0701),
    (1.0, 0.8603, 1.1191),
    (2.0, 1.0769, 1.1785),
    (3.0, 1.1925, 1.2102),
    (5.0, 1.3138, 1.2402),
    (10.0, 1.4289, 1.2620),
    (20.0, 1.4961, 1.2699),
    (50.0, 1.5400, 1.2727),
    (100.0, 1.5552, 1.2731),
]


@pytest.mark.parametrize(("bi", "zeta", "c1"), ONE_TERM)
@pytest.mark.parametrize("fo", [0.4, 1.0])
def test_one_term(bi: float, zeta: float, c1: float, fo: float) -> None:
    middle = c1 * math.exp(-(zeta**2) * fo)
    assert thetas(wall(bi, fo)) == pytest.approx((middle, middle * math.cos(zeta)), rel=0.005)


def test_worked_example_with_its_heat() -> None:
    """M. M. Yovanovich's worksheet: L 0.1 m, k 20, h 100, alpha 20e-6, 600 s: Bi 0.5, Fo 1.2.

    Middle, face and the share of the heat that went over, recomputed from the one-term solution.
    """
    run = wall(0.5, 1.2)
    assert thetas(run) == pytest.approx((0.6412489646, 0.5092157161), rel=0.005)
    flow_W_K = 10.0 * 6.0 * 1e-6 * 1e-3 * HEAT  # a wall of 1 mm, 6 mm wide, 10 mm/s
    gained = run.course((1.0,)).carried_W[0] / (1.0 - 22.0) / flow_W_K
    assert gained == pytest.approx(0.4033978753, rel=0.005)


@pytest.mark.parametrize(
    ("theta", "fo"),
    [(0.5, 0.3787478383), (0.1, 1.031104982), (0.05, 1.312026954), (0.01, 1.964307571)],
)
def test_time_to_warm_through(theta: float, fo: float) -> None:
    """Fo at which the middle has come so far, faces stepped: from the same series."""
    assert thetas(wall(math.inf, fo))[0] == pytest.approx(theta, rel=0.005)


@pytest.mark.parametrize(("seconds", "share"), [(1, 0.07709987), (5, 0.42919530), (10, 0.57615012)])
def test_half_space(seconds: float, share: float) -> None:
    """erfc(x / (2 sqrt(alpha t))) 1 mm deep with alpha 1.6e-7 m2/s; here the time that gives this
    Fo. Ten strips of 1 mm are deep enough; the nearest glue line is looked at. Early on little has
    come there: then within a thousandth of the step."""
    time_s = seconds * 1.6e-7 * HEAT / K
    stack = Stack((1.0,) * 10, 6.0, ASH, NOTHING)
    way = Way((Stretch("block", 10.0 * time_s, PERFECT, zone=0, pressed=True),))
    run = passage(stack, way, np.array([10.0]))
    assert 1.0 - run.glue[0, -1, 0, ENTRY] == pytest.approx(share, rel=0.005, abs=0.001)


@pytest.mark.parametrize("contact_W_m2K", [15.0, 650.0, 1450.0, 6000.0])
def test_face_from_the_first_instant(contact_W_m2K: float) -> None:
    """Half space behind a film conductance: face exp(h^2 alpha t / k^2) erfc(h sqrt(alpha t) / k).

    H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. (1959), 2.7. From 10 ns to
    3 s, to 0.1 % of the step: of the change so far it would mean nothing where that is nought."""
    time_s = np.geomspace(1e-8, 3.0, 200)
    stack = Stack((1.0,) * 10, 6.0, ASH, NOTHING)
    way = Way((Stretch("block", 1.0, contact_W_m2K, zone=0, pressed=True),))
    face = passage(stack, way, 1.0 / time_s).face[:, :, 0, ENTRY]
    biot = contact_W_m2K * np.sqrt(time_s * K / HEAT) / K
    assert face[:, 0] == pytest.approx(1.0, abs=1e-9)
    assert face[:, -1] == pytest.approx(erfcx(biot), abs=0.001)
