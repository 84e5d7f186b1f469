"""Cells across the stack, and where in each its node lies.

What a face meets all at once comes in with the square root of time: within a microsecond half a
micrometre knows of it. Cells that grow from the face by a factor follow it at every age alike. With
nodes at whole steps of a stretched depth and the borders of cells at half steps, such a grid comes
nearer to the continuum by a factor with every cell, where even cells do so by a power of their
number (optimal grids: D. Ingerman, V. Druskin, L. Knizhnerman, Comm. Pure Appl. Math. 53 (2000),
*memory*; the tests hold it against the half space).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from plylane.plan.stack import Stack

Floats = NDArray[np.float64]

CELL_MM, STRIP_CELLS, STACK_CELLS = 0.05, 10, 40  # at most; at least
FILM_CELLS = 3  # the middle one is the glue line
FIRST_M = 1e-7
"""Depth from which steps double: the face is then within 0.1 % of the step at any time for contacts
up to 6000 W/(m2 K); for greater ones it is off by more in proportion, in the first microsecond."""
TABLE = 2000  # depths among which nodes and borders are interpolated


@dataclass(frozen=True, slots=True)
class Cells:
    """`size_m` of each cell; from its border to its node `before_m`, and on to the next border
    `behind_m` (each: cells)."""

    size_m: Floats
    before_m: Floats
    behind_m: Floats

    def turned(self) -> Cells:
        """The same seen from the other side."""
        return Cells(self.size_m[::-1], self.behind_m[::-1], self.before_m[::-1])

    def then(self, other: Cells) -> Cells:
        """Both, one after the other."""
        return Cells(
            np.concatenate([self.size_m, other.size_m]),
            np.concatenate([self.before_m, other.before_m]),
            np.concatenate([self.behind_m, other.behind_m]),
        )


def even(thickness_m: float, count: int) -> Cells:
    """That many, all alike, their nodes in the middle."""
    size = np.full(count, thickness_m / count)
    return Cells(size, 0.5 * size, 0.5 * size)


def from_face(thickness_m: float, largest_m: float) -> Cells:
    """The first node on the face, cells doubling from `FIRST_M` until they near the largest."""
    nearest = 1e-3 * min(FIRST_M, thickness_m)
    depth = np.concatenate([[0.0], np.geomspace(nearest, thickness_m, TABLE)])
    steps = np.log2(1.0 + depth / FIRST_M) + depth / largest_m  # no step larger than either asks
    count = ceil(steps[-1] + 0.5)
    step = steps[-1] / (count - 0.5)  # the last border, half a step behind its node, is the end
    node = np.interp(step * np.arange(count), steps, depth)
    border = np.interp(step * (np.arange(count) + 0.5), steps, depth)
    start = np.concatenate([[0.0], border[:-1]])
    return Cells(border - start, node - start, border - node)


@dataclass(frozen=True, slots=True)
class Section:
    """Cells across the stack: heat of each, conductance between the nodes of neighbours.

    The outermost nodes lie on the faces; `glue` are the cells in the middle of the films.
    """

    heat_J_m2K: Floats
    between_W_m2K: Floats
    glue: NDArray[np.intp]


def cut(stack: Stack) -> Section:
    """Cut strips and films into cells, enough of them for 0.1 % (see tests)."""
    wood, film, at_degC = stack.wood, stack.film, stack.property_degC
    least = max(STRIP_CELLS, ceil(STACK_CELLS / len(stack.strip_mm)))
    glued = even(1e-3 * film.thickness_mm, FILM_CELLS)
    heat: list[Floats] = []
    before: list[Floats] = []  # resistance from the border of a cell to its node, and behind
    behind: list[Floats] = []
    glue: list[int] = []
    for lane, thickness in enumerate(stack.strip_mm):
        if lane:
            glue.append(sum(len(layer) for layer in heat) + FILM_CELLS // 2)
            heat.append(glued.size_m * film.heat_J_m3K)
            before.append(glued.before_m / film.conductivity_W_mK)
            behind.append(glued.behind_m / film.conductivity_W_mK)
        strip = _strip(
            1e-3 * thickness,
            max(least, ceil(thickness / CELL_MM)),
            (lane == 0, lane == stack.glue_lines),
        )
        heat.append(strip.size_m * wood.heat_J_m3K(at_degC))
        before.append(strip.before_m / wood.conductivity_W_mK(at_degC))
        behind.append(strip.behind_m / wood.conductivity_W_mK(at_degC))
    resistance = np.concatenate(behind)[:-1] + np.concatenate(before)[1:]
    borders = np.cumsum([len(layer) for layer in heat])[:-1] - 1
    resistance[borders] += 0.5 * film.gap_m2K_W
    return Section(np.concatenate(heat), 1.0 / resistance, np.array(glue, dtype=np.intp))


def _strip(thickness_m: float, count: int, outside: tuple[bool, bool]) -> Cells:
    """Cells of a strip, finer towards the sides that are faces of the stack."""
    if not any(outside):
        return even(thickness_m, count)
    largest_m = 0.5 * thickness_m / count  # what comes through a face is still steep there
    if all(outside):
        half = from_face(0.5 * thickness_m, largest_m)
        return half.then(half.turned())
    outer = from_face(thickness_m, largest_m)
    return outer if outside[0] else outer.turned()
