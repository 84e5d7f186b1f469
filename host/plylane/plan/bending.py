"""What bending asks of strips, lanes and layers. Lengths in mm, angles in degrees.

Curvature is signed: a turn to the left counts positive. A lane's offset from the middle of the cord
is positive to the right, so that it lies outermost in a left turn; lane 1 has the largest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def lane_offsets_mm(strip_mm: tuple[float, ...], film_mm: float = 0.0) -> Floats:
    """Offset of every strip's middle from the middle of the cord (lanes)."""
    strips = np.asarray(strip_mm, dtype=np.float64)
    starts = np.cumsum(strips + film_mm) - strips - film_mm
    whole_mm = strips.sum() + (len(strips) - 1) * film_mm
    offsets: Floats = 0.5 * (whole_mm - strips) - starts
    return offsets


def lane_curvature_per_mm(curvature_per_mm: ArrayLike, offset_mm: ArrayLike) -> Floats:
    """Curvature of each lane (n, lanes) where the cord's middle has this one (n).

    Parallel curves: the lane's radius is the cord's plus the offset. Infinite where the cord bends
    so sharply that the lane has no room.
    """
    cord = np.asarray(curvature_per_mm, dtype=np.float64)[..., None]
    room = 1.0 + cord * np.asarray(offset_mm)
    with np.errstate(divide="ignore"):
        return np.where(room > 0.0, cord / np.maximum(room, 0.0), np.inf)


def surface_strain(thickness_mm: ArrayLike, curvature_per_mm: ArrayLike) -> Floats:
    """Strain in the outer fibre of a strip whose middle is bent to a curvature 1/R: t / 2R.

    Euler-Bernoulli. The strips slide on their glue lines while they bend, so each bends for itself.
    """
    return 0.5 * np.asarray(thickness_mm, dtype=np.float64) * np.abs(curvature_per_mm)


def smallest_radius_mm(thickness_mm: ArrayLike, strain: ArrayLike) -> Floats:
    """Radius of its middle at which a strip's outer fibre comes to that strain."""
    return np.asarray(thickness_mm, dtype=np.float64) / (2.0 * np.asarray(strain))


def smallest_cord_radius_mm(strip_mm: tuple[float, ...], strain: float, film_mm: float) -> float:
    """Radius of the cord's middle at which no strip of it comes beyond that strain.

    The strip at the inner side decides, whichever way the cord turns.
    """
    own = smallest_radius_mm(strip_mm, strain)
    return float((own + np.abs(lane_offsets_mm(strip_mm, film_mm))).max())


def lane_extra_mm(turning_rad: ArrayLike, offset_mm: ArrayLike) -> Floats:
    """How much more than the cord's middle each lane has travelled at each place (n, lanes).

    Turning angle up to there (n) times offset (lanes), whatever the curve looks like.
    """
    extra: Floats = np.multiply.outer(np.asarray(turning_rad), np.asarray(offset_mm))
    return extra


def overhang_deg(offset_mm: ArrayLike, layer_mm: ArrayLike) -> Floats:
    """Lean from upright of layers of that height that are each laid so far to the side.

    Half the width of a square cord comes to atan(1/2), 26.6 degrees.
    """
    return np.degrees(np.arctan2(np.abs(offset_mm), layer_mm))


def layer_offset_mm(overhang_deg: ArrayLike, layer_mm: ArrayLike) -> Floats:
    """How far to the side a layer of that height may be laid for a lean from upright."""
    offset: Floats = np.tan(np.radians(overhang_deg)) * np.asarray(layer_mm, dtype=np.float64)
    return offset


@dataclass(frozen=True, slots=True)
class Place:
    """Part of a path beyond a limit: from, to, where it is worst and the value there."""

    from_mm: float
    to_mm: float
    worst_at_mm: float
    worst: float


def places_beyond(arc_mm: ArrayLike, value: ArrayLike, limit: float) -> list[Place]:
    """Every part of a path whose value (n) at the places (n) is above a limit."""
    arc, values = np.asarray(arc_mm, dtype=np.float64), np.asarray(value, dtype=np.float64)
    beyond = np.concatenate([[False], values > limit, [False]]).astype(np.int8)
    edges = np.flatnonzero(np.diff(beyond)).reshape(-1, 2)
    places = []
    for first, end in edges:
        worst = first + int(np.argmax(values[first:end]))
        places.append(
            Place(float(arc[first]), float(arc[end - 1]), float(arc[worst]), float(values[worst]))
        )
    return places
