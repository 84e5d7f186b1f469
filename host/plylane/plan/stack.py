"""The stack of strips and the films between them, as conduction sees it."""

from __future__ import annotations

from dataclasses import dataclass, field

from plylane.plan.wood import Wood


@dataclass(frozen=True, slots=True)
class Film:
    """Adhesive between two strips, both coats together, and how well they lie on each other.

    Every value is an assumption: a thin dry film of rubber-like adhesive, and a gap of 5 um of air
    on average between strips that the guide holds loosely together.
    """

    thickness_mm: float = 0.03
    conductivity_W_mK: float = 0.2
    heat_J_m3K: float = 2.2e6
    gap_m2K_W: float = 2e-4

    def __post_init__(self) -> None:
        check_positive(self, "conductivity_W_mK")
        # thinner or emptier films change nothing any more but drown the modes in rounding
        for name, least in (("thickness_mm", 1e-3), ("heat_J_m3K", 1e5)):
            if not getattr(self, name) >= least:
                raise ValueError(f"film {name} is {getattr(self, name):g}, below {least:g}")
        if self.gap_m2K_W < 0.0:
            raise ValueError(f"gap_m2K_W is {self.gap_m2K_W:g}, which is below 0")


@dataclass(frozen=True, slots=True)
class Stack:
    """Strips (their thickness, lane 1 first) on one another, `width_mm` wide.

    `property_degC` is where the wood's conductivity and heat capacity are taken.
    """

    strip_mm: tuple[float, ...]
    width_mm: float
    wood: Wood
    film: Film = field(default_factory=Film)
    property_degC: float = 65.0

    def __post_init__(self) -> None:
        check_positive(self, "width_mm")
        if not self.strip_mm:
            raise ValueError("strip_mm is empty; a stack has at least one strip")
        for lane, thickness in enumerate(self.strip_mm, 1):
            if not thickness > 0.0:
                raise ValueError(f"strip_mm of lane {lane} is {thickness:g}, which is not above 0")

    @property
    def glue_lines(self) -> int:
        """How many glue lines it has."""
        return len(self.strip_mm) - 1

    @property
    def thickness_mm(self) -> float:
        """Of strips and films together."""
        return sum(self.strip_mm) + self.glue_lines * self.film.thickness_mm


def check_positive(part: object, *names: str) -> None:
    """Raises ValueError naming the first of these fields that is not above 0."""
    for name in names:
        if not getattr(part, name) > 0.0:
            raise ValueError(f"{name} is {getattr(part, name):g}, which is not above 0")
