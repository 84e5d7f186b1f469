"""Cells across one strip or film, and where in each its node lies.

What a face meets all at once comes in with the square root of time: within a microsecond half a
micrometre knows of it. Cells that grow from the face by a factor follow it at every age alike. With
nodes at whole steps of a stretched depth and the borders of cells at half steps, such a grid comes
nearer to the continuum by a factor with every cell, where even cells do so by a power of their
number (optimal grids: D. Ingerman, V. Druskin, L. Knizhnerman, Comm. Pure Appl. Math. 53 (2000),
*memory*; the tests hold it against the half space).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FIRST_M = 1e-7
"""Depth from which steps double: the face is then within 0.1 % of the step at any time for contacts
up to 6000 W/(m2 K), beyond within as much more in its first microsecond."""
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
    depth = np.concatenate([[0.0], np.geomspace(1e-3 * FIRST_M, thickness_m, TABLE)])
    steps = np.log2(1.0 + depth / FIRST_M) + depth / largest_m  # no step larger than either asks
    count = int(np.ceil(steps[-1] + 0.5))
    step = steps[-1] / (count - 0.5)  # the last border, half a step behind its node, is the end
    node = np.interp(step * np.arange(count), steps, depth)
    border = np.interp(step * (np.arange(count) + 0.5), steps, depth)
    start = np.concatenate([[0.0], border[:-1]])
    return Cells(border - start, node - start, border - node)
