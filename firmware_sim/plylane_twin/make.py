"""A head for a door: the twin, or the board's program in its simulator."""

from __future__ import annotations

from pathlib import Path

from plylane_twin.board import Board
from plylane_twin.scenario import Scenario
from plylane_twin.stand import Stand
from plylane_twin.twin import Twin


def make(scenario: Scenario, seed: int = 7, board: str | Path | None = None) -> Stand:
    """A twin, or with `board` (an ELF file) a board. Raises as `Twin` and `Board` do."""
    return Board(board, scenario, seed) if board else Twin(scenario, seed)
