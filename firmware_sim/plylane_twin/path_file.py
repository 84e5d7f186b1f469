"""Path files: what a robot is to travel, piece by piece, read with line and field in the error.

A piece runs from one arc length to another at a speed and a curvature, and may end with a pause.
Two forms say the same. CSV has a header line and a line a piece; only the pause may be left out::

    from_mm,to_mm,speed_mm_s,curvature_per_mm,pause_s
    0,400,14,0,0
    400,494.2,14,0.0222,2.5

TOML has ``format = "plylane path 1"``, ``acceleration_mm_s2`` and a ``[[piece]]`` each with those
names. Pieces follow each other without gap from 0 on.
"""

from __future__ import annotations

import csv
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

FORMAT = "plylane path 1"
SIZE_MAX = 4_000_000  # bytes
SMALLEST_RADIUS_MM = 45.0  # of the demo head
ACCELERATION_MM_S2 = 20.0  # where the file does not say: half of the head's preset
TOUCH_MM = 0.0005  # two pieces this near follow each other: half of what travels on the wire
LENGTH_MAX_MM = 1_000_000.0
SPEED_MAX_MM_S = 100.0
PAUSE_MAX_S = 3600.0


class PathError(ValueError):
    """A path file cannot be used; the message names the file, line, field and remedy."""


@dataclass(frozen=True, slots=True)
class Piece:
    """From one arc length to another, mm, at mm/s and 1/mm (left positive); then a pause, s."""

    from_mm: float
    to_mm: float
    speed_mm_s: float
    curvature_per_mm: float = 0.0
    pause_s: float = 0.0


FIELDS = ("from_mm", "to_mm", "speed_mm_s", "curvature_per_mm", "pause_s")
NEEDED = FIELDS[:4]


@dataclass(frozen=True, slots=True)
class RobotPath:
    """Pieces that follow each other, and what the robot accelerates with, mm/s2."""

    pieces: tuple[Piece, ...]
    acceleration_mm_s2: float = ACCELERATION_MM_S2

    @property
    def length_mm(self) -> float:
        """Where it ends."""
        return self.pieces[-1].to_mm

    @classmethod
    def load(cls, path: str | Path, smallest_radius_mm: float = SMALLEST_RADIUS_MM) -> Self:
        """Read a path file, .csv or TOML. Raises PathError."""
        path = Path(path)
        text = _read(path)
        if path.suffix.lower() == ".csv":
            return cls.from_csv(text, str(path), smallest_radius_mm)
        return cls.from_toml(text, str(path), smallest_radius_mm)

    @classmethod
    def from_csv(
        cls, text: str, source: str = "path", smallest_radius_mm: float = SMALLEST_RADIUS_MM
    ) -> Self:
        """Check the text of a CSV path. Raises PathError."""
        rows = csv.reader(text.splitlines())
        names = [name.strip() for name in next(rows, [])]
        for name in NEEDED:
            if name not in names:
                raise PathError(f"{source}, line 1: column {name} is missing; add it")
        for name in names:
            if name not in FIELDS:
                raise PathError(f"{source}, line 1: column {name!r} is not known; take it out")
        reader = _Reader(source, smallest_radius_mm)
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if len(row) > len(names):
                raise PathError(
                    f"{source}, line {rows.line_num}: more cells than columns; take them out"
                )
            cells = dict(zip(names, row, strict=False))
            reader.add({k: v.strip() for k, v in cells.items()}, {}, rows.line_num)
        return cls(reader.finish())

    @classmethod
    def from_toml(
        cls, text: str, source: str = "path", smallest_radius_mm: float = SMALLEST_RADIUS_MM
    ) -> Self:
        """Check the text of a TOML path. Raises PathError."""
        try:
            data = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise PathError(f"{source}: {error}; correct the file there") from error
        if data.get("format") != FORMAT:
            raise PathError(f"{source}, format: give {FORMAT!r}")
        for name in data:
            if name not in ("format", "acceleration_mm_s2", "piece"):
                raise PathError(f"{source}, {name}: is not known; take it out")
        pieces = data.get("piece", [])
        if not isinstance(pieces, list) or not all(isinstance(p, dict) for p in pieces):
            raise PathError(f"{source}, piece: give [[piece]] tables")
        reader = _Reader(source, smallest_radius_mm)
        acceleration = reader.number(
            data.get("acceleration_mm_s2", ACCELERATION_MM_S2),
            "acceleration_mm_s2",
            1.0,
            2000.0,
            "",
        )
        places = _toml_places(text)
        for piece, lines in zip(pieces, places, strict=True):
            reader.add(piece, lines, lines[""])
        return cls(reader.finish(), acceleration)


@dataclass
class _Reader:
    """Checks one piece after the other."""

    source: str
    smallest_radius_mm: float
    pieces: list[Piece] = field(default_factory=list)

    def add(self, values: Mapping[str, Any], lines: Mapping[str, int], line: int) -> None:
        """Check a piece; `lines` says where each field stands, `line` where they all do."""

        def where(name: str) -> str:
            return f", line {lines.get(name, line)}"

        for name in values:
            if name not in FIELDS:
                raise PathError(f"{self.source}{where(name)}, {name}: is not known; take it out")
        read = {}
        for name, (low, high) in _LIMITS.items():
            if values.get(name, "") == "":
                if name in NEEDED:
                    raise PathError(f"{self.source}{where(name)}, {name}: is missing; add it")
                continue
            read[name] = self.number(values[name], name, low, high, where(name))
        piece = Piece(**read)
        self._check_order(piece, where)
        self._check_bend(piece, where)
        self.pieces.append(piece)

    def number(self, value: Any, name: str, low: float, high: float, where: str) -> float:
        """A finite number within limits."""
        try:
            number = math.nan if isinstance(value, bool) else float(value)
        except (TypeError, ValueError):
            number = math.nan
        if not math.isfinite(number) or not low <= number <= high:
            raise PathError(
                f"{self.source}{where}, {name}: {value!s:.40} is not a number from {low:g} to "
                f"{high:g}; correct it"
            )
        return number

    def _check_order(self, piece: Piece, where: Any) -> None:
        end = self.pieces[-1].to_mm if self.pieces else 0.0
        off = piece.from_mm - end
        if abs(off) > TOUCH_MM:
            what = "a gap" if off > 0.0 else "arc length goes back"
            raise PathError(
                f"{self.source}{where('from_mm')}, from_mm: {what} ({end:g} mm is where the piece "
                f"before ends, {piece.from_mm:g} mm where this one begins); let them meet"
            )
        if piece.to_mm <= piece.from_mm:
            raise PathError(
                f"{self.source}{where('to_mm')}, to_mm: arc length goes back or stands "
                f"({piece.from_mm:g} to {piece.to_mm:g} mm); give an end behind the start"
            )

    def _check_bend(self, piece: Piece, where: Any) -> None:
        sharpest = 1.0 / self.smallest_radius_mm
        if abs(piece.curvature_per_mm) > sharpest * 1.0001:
            radius = 1.0 / abs(piece.curvature_per_mm)
            raise PathError(
                f"{self.source}{where('curvature_per_mm')}, curvature_per_mm: a radius of "
                f"{radius:.1f} mm is below the smallest of {self.smallest_radius_mm:g} mm; widen it"
            )

    def finish(self) -> tuple[Piece, ...]:
        """All pieces."""
        if not self.pieces:
            raise PathError(f"{self.source}: has no piece; give one at least")
        return tuple(self.pieces)


_LIMITS = {
    "from_mm": (0.0, LENGTH_MAX_MM),
    "to_mm": (0.0, LENGTH_MAX_MM),
    "speed_mm_s": (0.1, SPEED_MAX_MM_S),
    "curvature_per_mm": (-1.0, 1.0),
    "pause_s": (0.0, PAUSE_MAX_S),
}


def _toml_places(text: str) -> Sequence[dict[str, int]]:
    """Line of each piece ("") and of its fields; tomllib tells none."""
    places: list[dict[str, int]] = []
    for number, line in enumerate(text.splitlines(), 1):
        if re.match(r"\s*\[\[\s*piece\s*\]\]", line):
            places.append({"": number})
        elif places and (match := re.match(r"\s*([A-Za-z_]\w*)\s*=", line)):
            places[-1][match[1]] = number
    return places


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > SIZE_MAX:
            raise PathError(f"{path}: too large for a path; give a path file")
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise PathError(f"{path}, byte {error.start}: not UTF-8 text; give a path file") from error
    except OSError as error:
        raise PathError(
            f"{path}: cannot be read ({error.strerror}); give the path of a .csv or .toml file"
        ) from error
