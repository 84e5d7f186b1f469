# ruff: noqa: N802  (units are written as the trade writes them)
"""Transient conduction through the stack of coated strips on its way through the head.

The stack is a plate, warmed or cooled on both faces, and lies so thin against its length that heat
flows across it only. Strips and glue lines are cut into cells (finite volumes, second order; much
finer at the faces, see `cells`), so that it holds from the first instant of a stretch on. Along a
stretch of constant surroundings the cells obey C dT/dt = -K (T - T_surroundings) with K symmetric
and tridiagonal, solved exactly by its modes:
    T(t) = T_surroundings + C^-1/2 V exp(-lambda t) V' C^1/2 (T(0) - T_surroundings).
Temperatures are therefore linear in what the strips bring and in what they meet, and speed enters
through time alone. So `passage` solves for the *share* that each source (strips coming in, air,
each zone) has in every temperature, for many speeds at once; block temperatures come in last.

Left out: heat that dries the wood, heat lost at the edges, properties changing along the way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh_tridiagonal

from plylane.plan.cells import Section, cut
from plylane.plan.stack import Stack, check_positive

Floats = NDArray[np.float64]

AIR_W_MK = 0.029  # conductivity of air near 65 degC (*memory*: 0.026 at 300 K, 0.030 at 350 K)
ROUGHNESS_MM = 0.02
"""Air between block and wood on average, an assumption: what lies under the peaks of a planed or
finely sanded face, 0.01 to 0.04 mm by the usual roughness of such wood (*memory*)."""
CONTACT_W_M2K = 1000.0 * AIR_W_MK / ROUGHNESS_MM
"""From block to face where nobody has measured it: heat goes through the air, wood on metal touches
in points only. The roughness makes it uncertain by a factor of two either way."""
PERFECT_W_M2K = 1e9
MOVING_AIR_W_M2K = 15.0  # assumption
ENTRY, AIR, FIRST_ZONE = 0, 1, 2  # sources


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of the way on which the stack meets the same surroundings on both faces.

    `contact_W_m2K` is the conductance from block or air to each face; `zone` counts from 0, None
    is air; `pressed` where rollers press the strips together.
    """

    name: str
    length_mm: float
    contact_W_m2K: float
    zone: int | None = None
    pressed: bool = False

    def __post_init__(self) -> None:
        check_positive(self, "length_mm", "contact_W_m2K")
        # beyond, the face has its surroundings' temperature, and modes drown in rounding
        if self.contact_W_m2K > PERFECT_W_M2K:
            raise ValueError(
                f"contact_W_m2K is {self.contact_W_m2K:g}; {PERFECT_W_M2K:g} is perfect already"
            )

    @property
    def source(self) -> int:
        """Index of what it warms the stack with."""
        return AIR if self.zone is None else FIRST_ZONE + self.zone


@dataclass(frozen=True, slots=True)
class Way:
    """The stretches in the order in which the stack passes them; strips come in at `entry_degC`.

    Raises ValueError when no stretch presses: the glue lines are judged where they are pressed.
    """

    stretches: tuple[Stretch, ...]
    entry_degC: float = 22.0
    air_degC: float = 22.0

    def __post_init__(self) -> None:
        if not any(stretch.pressed for stretch in self.stretches):
            raise ValueError("no stretch of the way is pressed, so no glue line would bond")

    @property
    def zones(self) -> int:
        """How many zones it touches."""
        return max(stretch.source for stretch in self.stretches) - FIRST_ZONE + 1

    @property
    def ends_mm(self) -> Floats:
        """Where each stretch ends (stretches)."""
        return np.cumsum([stretch.length_mm for stretch in self.stretches])

    @property
    def starts(self) -> list[tuple[float, Stretch]]:
        """Every stretch and where it begins."""
        return [(end - s.length_mm, s) for end, s in zip(self.ends_mm, self.stretches, strict=True)]

    def sources_degC(self, zone_degC: tuple[float, ...] | list[float] | Floats) -> Floats:
        """Temperature of every source. Raises ValueError on another number of zones."""
        if len(zone_degC) != self.zones:
            raise ValueError(f"{len(zone_degC)} block temperatures for {self.zones} zones")
        return np.array([self.entry_degC, self.air_degC, *zone_degC])


@dataclass(frozen=True, slots=True)
class Passage:
    """Shares of the sources in what happens to the stack, for S speeds at K places along the way.

    The border between two stretches is there twice, as the end of one and the start of the next.
    `glue` (S, K, glue lines, sources), `face` (S, K, 2, sources); `carried_W_K` (S, stretches,
    sources) heat that the stack takes up in each stretch; `stretch` (K) index of it.
    """

    stack: Stack
    way: Way
    speed_mm_s: Floats
    position_mm: Floats
    stretch: NDArray[np.intp]
    glue: Floats
    face: Floats
    carried_W_K: Floats

    @property
    def time_s(self) -> Floats:
        """Since the start of the way (S, K)."""
        return self.position_mm / self.speed_mm_s[:, None]

    def course(self, zone_degC: tuple[float, ...], speed: int = 0) -> Course:
        """Temperatures along the way with these blocks, at the speed of that index."""
        source = self.way.sources_degC(zone_degC)
        carried = self.carried_W_K[speed] @ source
        return Course(
            self.way,
            float(self.speed_mm_s[speed]),
            tuple(zone_degC),
            self.position_mm,
            self.stretch,
            self.glue[speed] @ source,
            self.face[speed] @ source,
            carried,
        )


@dataclass(frozen=True, slots=True)
class Course:
    """Temperatures along the way: `glue_degC` (K, glue lines), `face_degC` (K, 2).

    `carried_W` (stretches) is what the stack takes up in each, negative where it loses heat.
    """

    way: Way
    speed_mm_s: float
    zone_degC: tuple[float, ...]
    position_mm: Floats
    stretch: NDArray[np.intp]
    glue_degC: Floats
    face_degC: Floats
    carried_W: Floats

    @property
    def zone_carried_W(self) -> Floats:
        """Heat that the stack carries off each zone (zones)."""
        zones = [stretch.zone for stretch in self.way.stretches]
        return np.array(
            [
                sum(w for w, z in zip(self.carried_W, zones, strict=True) if z == zone)
                for zone in range(self.way.zones)
            ]
        )


def passage(
    stack: Stack,
    way: Way,
    speed_mm_s: Floats | list[float],
    places: int = 33,
) -> Passage:
    """Solve for speeds (S), each above 0, at `places` of every stretch, its ends among them.

    Raises ValueError on a speed.
    """
    speed = np.asarray(speed_mm_s, dtype=np.float64)
    if not (speed > 0.0).all():
        raise ValueError(f"speed_mm_s {speed.min():g} is not above 0")
    section = cut(stack)
    modes = {s.contact_W_m2K: _Modes(section, s.contact_W_m2K) for s in way.stretches}
    state = np.zeros((len(speed), len(section.heat_J_m2K), FIRST_ZONE + way.zones))
    state[:, :, ENTRY] = 1.0
    flow_m2_s = speed * stack.width_mm * 1e-6  # face that passes in a second
    share = _places(places)
    glue, face, carried = [], [], []
    for stretch in way.stretches:
        time = stretch.length_mm * share / speed[:, None]
        before = section.heat_J_m2K @ state
        seen, state = modes[stretch.contact_W_m2K].follow(state, time, stretch.source)
        glue.append(seen[:, :, 2:])
        face.append(seen[:, :, :2])
        carried.append(flow_m2_s[:, None] * (section.heat_J_m2K @ state - before))
    return Passage(
        stack,
        way,
        speed,
        np.concatenate([start + share * s.length_mm for start, s in way.starts]),
        np.repeat(np.arange(len(way.stretches)), places),
        np.concatenate(glue, axis=1),
        np.concatenate(face, axis=1),
        np.stack(carried, axis=1),
    )


def _places(places: int) -> Floats:
    """Places of a stretch as shares of it, closer where it begins and changes come fast."""
    shares: Floats = np.linspace(0.0, 1.0, places) ** 1.5
    return shares


class _Modes:
    """Modes of a section between faces of one conductance."""

    def __init__(self, section: Section, contact_W_m2K: float) -> None:
        root = np.sqrt(section.heat_J_m2K)
        diagonal = np.zeros(len(root))
        diagonal[:-1] += section.between_W_m2K
        diagonal[1:] += section.between_W_m2K
        diagonal[[0, -1]] += contact_W_m2K
        self.rate, vectors = eigh_tridiagonal(
            diagonal / root**2, -section.between_W_m2K / (root[:-1] * root[1:])
        )
        self.into = vectors.T * root
        self.out = vectors / root[:, None]
        self.seen = self.out[[0, -1, *section.glue]]

    def follow(self, state: Floats, time_s: Floats, source: int) -> tuple[Floats, Floats]:
        """Faces and glue lines at times (S, K), the last being the end; and the state there.

        `state` (S, cells, sources) and what comes back are shares.
        """
        departure = state.copy()
        departure[:, :, source] -= 1.0
        modal = self.into @ departure
        decay = np.exp(-time_s[:, :, None] * self.rate)
        seen = np.einsum("skn,on,snr->skor", decay, self.seen, modal, optimize=_PATH)
        seen[..., source] += 1.0
        end = self.out @ (decay[:, -1, :, None] * modal)
        end[:, :, source] += 1.0
        return seen, end


_PATH = ["einsum_path", (1, 2), (0, 1)]  # observed modes first: a matrix product for each speed
