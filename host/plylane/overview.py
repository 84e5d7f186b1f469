"""A run to be drawn: its states, any stretch of any signal, the values at a time; in little memory.

Of every block of rows lowest and highest value are kept, which is what a picture of hours shows.
Of a short stretch the rows themselves are read again. So memory is some 3 bytes a row, and what a
move of the cursor costs does not grow with the run.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from plylane.curves import Band, state_bands, thinned
from plylane.trends import FloatArray

BLOCK_ROWS = 64
STRETCH_BLOCKS = 1024
"""A stretch of so many blocks (22 minutes at 50 rows a second) or fewer is drawn from its rows."""
_DRAWN = ("feed_speed_mm_s", "output_speed_mm_s", "mismatch_mm")
_DRAWN_OF_ZONE = ("pv_degC", "sp_degC", "op_percent")
Columns = Mapping[str, NDArray[Any]]


class Rows(Protocol):
    """What an overview reads: a run."""

    @property
    def rows(self) -> int:
        """How many there are."""

    @property
    def names(self) -> tuple[str, ...]:
        """The columns."""

    def chunks(
        self, names: Iterable[str], rows: int = ..., first: int = ..., stop: int | None = ...
    ) -> Iterator[dict[str, NDArray[Any]]]:
        """Columns in turn, as arrays of at most `rows` rows, from `first` to `stop`."""


class Overview:
    """Take all parts of the run with `take`, in order; then ask."""

    def __init__(self, run: Rows) -> None:
        self._run = run
        self.zones = _count(run.names, "zone{}_pv_degC")
        self.lanes = _count(run.names, "lane{}_position_mm")
        wanted = (*_DRAWN, *(f"zone{k + 1}_{w}" for k in range(self.zones) for w in _DRAWN_OF_ZONE))
        self._drawn = tuple(name for name in wanted if name in run.names)
        self.names = ("time_s", "state", *self._drawn)
        """Columns that `take` wants."""
        self.rows = 0
        self.first_s = self.last_s = 0.0
        self._turns: list[tuple[float, int]] = []  # where a state begins
        self._parts: list[Columns] = []
        self._kept: tuple[int, int, Columns] = (0, 0, {})  # first and last block of a stretch read
        self._at: tuple[int, Columns] = (-1, {})  # the block the cursor is in

    # ---------------------------------------------------------------------- taking

    def take(self, part: Columns) -> None:
        """The next rows; all parts but the last of a multiple of `BLOCK_ROWS` rows."""
        time_s, states = part["time_s"], part["state"]
        if not len(time_s):
            return
        if not self.rows:
            self.first_s = float(time_s[0])
        before = self._turns[-1][1] if self._turns else -1
        turns = np.flatnonzero(np.diff(states.astype(np.int64), prepend=before))
        self._turns += zip(time_s[turns].tolist(), states[turns].tolist(), strict=True)
        self._parts.append(_blocks(part, ("time_s", *self._drawn)))
        self.rows += len(time_s)
        self.last_s = float(time_s[-1])

    # ---------------------------------------------------------------------- asking

    @property
    def bands(self) -> list[Band]:
        """The states one after the other."""
        if not self._turns:
            return []
        times, states = zip(*self._turns, (self.last_s, self._turns[-1][1]), strict=True)
        return state_bands(np.array(times), np.array(states))

    def curve(
        self, name: str, start_s: float, end_s: float, columns: int
    ) -> tuple[FloatArray, FloatArray]:
        """A signal between two times, with at most two points a column: see `thinned`.

        Nothing where the log has no such signal. Raises RunError when the file has changed.
        """
        if name not in self._drawn or not self.rows:
            return np.array([]), np.array([])
        first, stop = self._blocks_between(start_s, end_s)
        if stop - first <= STRETCH_BLOCKS:
            rows = self._stretch(first, stop)
            return thinned(rows["time_s"], rows[name], start_s, end_s, columns)
        return thinned(self._ends("time_s"), self._ends(name), start_s, end_s, columns)

    def values_at(self, time_s: float) -> dict[str, float]:
        """The newest row not after a time, else the first, by column; empty for an empty log."""
        if not self.rows:
            return {}
        block = self._block_of(time_s)
        if self._at[0] != block:
            self._at = block, self._read(self._run.names, block, block + 1)
        rows = self._at[1]
        row = max(0, int(np.searchsorted(rows["time_s"], time_s, side="right")) - 1)
        return {name: float(column[row]) for name, column in rows.items()}

    def _ends(self, name: str) -> FloatArray:
        """Two values a block, shape (2 x blocks,)."""
        if len(self._parts) > 1:
            whole = {key: np.concatenate([p[key] for p in self._parts]) for key in self._parts[0]}
            self._parts = [whole]
        found: FloatArray = self._parts[0][name]
        return found

    def _block_of(self, time_s: float) -> int:
        begins = self._ends("time_s")[::2]
        return max(0, int(np.searchsorted(begins, time_s, side="right")) - 1)

    def _blocks_between(self, start_s: float, end_s: float) -> tuple[int, int]:
        """With the block on either side, as a curve goes on beyond the edge."""
        blocks = -(-self.rows // BLOCK_ROWS)
        return max(0, self._block_of(start_s) - 1), min(blocks, self._block_of(end_s) + 2)

    def _stretch(self, first: int, stop: int) -> Columns:
        """The rows of some blocks; a little more is read, for the next move of the cursor."""
        begin, end, kept = self._kept
        if not kept or first < begin or stop > end:
            more = (stop - first) // 4
            begin, end = max(0, first - more), stop + more
            self._kept = begin, end, self._read(("time_s", *self._drawn), begin, end)
        return self._kept[2]

    def _read(self, names: Iterable[str], first: int, stop: int) -> Columns:
        begin, end = first * BLOCK_ROWS, stop * BLOCK_ROWS
        return next(self._run.chunks(names, end - begin, begin, end))


def _blocks(part: Columns, names: Iterable[str]) -> Columns:
    """Lowest and highest of each block, in the order in which the block runs; of times the first
    one, twice. What is no number counts only where a block has nothing else."""
    edges = np.arange(0, len(part["time_s"]), BLOCK_ROWS)
    found = {}
    for name in names:
        values = part[name]
        if name == "time_s":
            found[name] = np.repeat(values[edges], 2)
            continue
        low, high = np.fmin.reduceat(values, edges), np.fmax.reduceat(values, edges)
        rising = values[np.append(edges[1:], len(values)) - 1] >= values[edges]
        pairs = np.empty((len(edges), 2))
        pairs[:, 0] = np.where(rising, low, high)
        pairs[:, 1] = np.where(rising, high, low)
        found[name] = pairs.ravel()
    return found


def _count(names: Iterable[str], pattern: str) -> int:
    known = set(names)
    return next(k for k in range(99) if pattern.format(k + 1) not in known)
