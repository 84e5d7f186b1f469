"""How much faster the heat map is than its points one by one with scipy.

    python tests/benchmarks/plan_speed.py [--side 200] [--points 6]

The map: `side` speeds by `side` block temperatures for eight strips. One by one: the same cells of
the same stack, integrated along the way by scipy's BDF with its tridiagonal Jacobian for one speed
and block temperature at a time; a few points are timed and the whole map is reckoned from them.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import diags_array

from plylane.plan.cells import Section, cut
from plylane.plan.conduction import Floats, Stretch, Way
from plylane.plan.heat_case import Block, HeatCase, Limits
from plylane.plan.stack import Stack
from plylane.plan.window import heat_map
from plylane.plan.wood import Wood, species


def case_of(lanes: int) -> HeatCase:
    stack = Stack((0.5,) * lanes, 6.0, Wood(species("white ash"), 9.0))
    way = Way(
        (
            Stretch("guide", 80.0, 650.0, zone=0),
            Stretch("gap", 30.0, 15.0),
            Stretch("nip", 20.0, 650.0, zone=1, pressed=True),
        )
    )
    blocks = (Block(60.0, 0.35, 0.15), Block(40.0, 0.25))
    return HeatCase(stack, way, Limits(72.0, 130.0, hold_s=1.0), (110.0, 95.0), blocks)


def glue_degC(case: HeatCase, section: Section, speed: float, block_degC: float) -> float:
    """Coldest glue line where it is pressed."""
    state = np.full(len(section.heat_J_m2K), case.way.entry_degC)
    zones = case.with_block(block_degC)
    coldest = 0.0
    for stretch in case.way.stretches:
        around = case.way.air_degC if stretch.zone is None else zones[stretch.zone]
        nodes = integrate(section, stretch, around, stretch.length_mm / speed, state)
        state = nodes[:, -1]
        if stretch.pressed:
            coldest = float(nodes[section.glue].max(axis=1).min())
    return coldest


def integrate(
    section: Section, stretch: Stretch, around_degC: float, time_s: float, start: Floats
) -> Floats:
    """Cells along one stretch (cells, times)."""
    between, heat = section.between_W_m2K, section.heat_J_m2K
    faces = np.zeros(len(heat))
    faces[[0, -1]] = stretch.contact_W_m2K
    own = -faces
    own[:-1] -= between
    own[1:] -= between
    matrix = diags_array(
        [between / heat[1:], own / heat, between / heat[:-1]], offsets=[-1, 0, 1]
    ).tocsc()
    gain = faces * around_degC / heat
    found = solve_ivp(
        lambda _, y: matrix @ y + gain,
        (0.0, time_s),
        start,
        "BDF",
        jac=matrix,
        rtol=1e-5,
        atol=1e-3,
    )
    nodes: Floats = found.y
    return nodes


def main() -> None:
    """Time both, print the ratio and how far they are apart."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--side", type=int, default=200)
    arguments.add_argument("--points", type=int, default=6)
    given = arguments.parse_args()
    case = case_of(8)
    speeds = np.linspace(2.0, 30.0, given.side)
    blocks = np.linspace(70.0, 170.0, given.side)
    heat_map(case, speeds[:2], blocks[:2])  # the first call loads libraries
    began = time.perf_counter()
    found = heat_map(case, speeds, blocks)
    map_s = time.perf_counter() - began
    draw, section = np.random.default_rng(1), cut(case.stack)
    picks = draw.integers(0, given.side, size=(given.points, 2))
    began = time.perf_counter()
    single = [glue_degC(case, section, speeds[s], blocks[b]) for s, b in picks]
    each_s = (time.perf_counter() - began) / given.points
    apart = max(abs(one - found.glue_degC[b, s]) for one, (s, b) in zip(single, picks, strict=True))
    print(
        f"map {given.side} x {given.side}, 8 strips, with bounds and fastest point: {map_s:.2f} s"
    )
    print(f"one point with scipy: {1000.0 * each_s:.0f} ms, {each_s * given.side**2:.0f} s for all")
    print(f"ratio {each_s * given.side**2 / map_s:.0f}; largest difference {apart:.3f} K")


if __name__ == "__main__":
    main()
