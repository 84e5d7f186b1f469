"""The overview draws and tells what the rows themselves would, whatever parts it was made of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from plylane.curves import state_bands, thinned
from plylane.overview import BLOCK_ROWS, STRETCH_BLOCKS, Overview

NAME = "mismatch_mm"
LONG = (STRETCH_BLOCKS + 300) * BLOCK_ROWS + 17


class Rows:
    """Columns in memory; counts the rows asked for."""

    def __init__(self, rows: int, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.columns: dict[str, NDArray[Any]] = {
            "time_s": np.cumsum(rng.uniform(0.01, 0.03, rows)),
            "state": np.repeat(rng.integers(1, 12, rows // 50 + 1), 50)[:rows].astype(np.uint16),
            NAME: np.cumsum(rng.normal(0.0, 0.1, rows)),
        }
        self.rows, self.asked = rows, 0

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self.columns)

    def chunks(
        self, names: Iterable[str], rows: int = 0, first: int = 0, stop: int | None = None
    ) -> Iterator[dict[str, NDArray[Any]]]:
        stop = self.rows if stop is None else min(stop, self.rows)
        self.asked += max(0, stop - first)
        for begin in range(first, stop, rows):
            yield {n: self.columns[n][begin : min(begin + rows, stop)] for n in names}


def overview(rows: Rows, blocks: int = 100) -> Overview:
    made = Overview(rows)
    for part in rows.chunks(made.names, blocks * BLOCK_ROWS):
        made.take(part)
    rows.asked = 0
    return made


@given(st.integers(1, 3000), st.integers(1, 40), st.integers(0, 9), st.floats(-5, 70))
@settings(max_examples=40, deadline=None)
def test_states_and_values_are_those_of_the_rows(
    rows: int, blocks: int, seed: int, at_s: float
) -> None:
    run = Rows(rows, seed)
    made = overview(run, blocks)
    assert made.bands == state_bands(run.columns["time_s"], run.columns["state"])
    row = max(0, int(np.searchsorted(run.columns["time_s"], at_s, side="right")) - 1)
    assert made.values_at(at_s) == {name: float(one[row]) for name, one in run.columns.items()}


@given(st.floats(0.0, 1.0), st.floats(0.001, 0.4), st.integers(10, 300))
@settings(max_examples=30, deadline=None)
def test_a_short_stretch_is_drawn_from_its_rows(start: float, span: float, columns: int) -> None:
    run = Rows(20_000, 3)
    length = float(run.columns["time_s"][-1])
    between = start * length, (start + span) * length
    t, v = overview(run).curve(NAME, *between, columns)
    wanted = thinned(run.columns["time_s"], run.columns[NAME], *between, columns)
    assert np.array_equal(t, wanted[0])
    assert np.array_equal(v, wanted[1])


@pytest.fixture(scope="module")
def long() -> tuple[Rows, Overview]:
    run = Rows(LONG, 5)
    return run, overview(run, 500)


def test_a_long_stretch_keeps_lowest_and_highest_and_reads_no_rows(
    long: tuple[Rows, Overview],
) -> None:
    run, made = long
    run.asked = 0
    t, v = made.curve(NAME, made.first_s, made.last_s, 120)
    assert len(t) == len(v) <= 240
    assert (v.min(), v.max()) == (run.columns[NAME].min(), run.columns[NAME].max())
    assert np.all(np.diff(t) >= 0)
    assert run.asked == 0


def test_moving_within_a_stretch_does_not_read_it_again(long: tuple[Rows, Overview]) -> None:
    run, made = long
    made.curve(NAME, 600.0, 660.0, 120)
    run.asked = 0
    for k in range(10):
        made.curve(NAME, 600.0 + k, 660.0 + k, 120)
    assert run.asked == 0
    assert len(made.curve(NAME, 900.0, 960.0, 120)[0]) > 100
    assert 0 < run.asked < 20_000


def test_what_is_no_number_hides_nothing() -> None:
    run = Rows(LONG, 6)
    run.columns[NAME][100:150] = np.nan
    run.columns[NAME][120] = 1e4
    _, v = overview(run).curve(NAME, 0.0, 1e9, 100)
    assert v.max() == 1e4


def test_a_signal_that_is_not_logged_is_an_empty_curve() -> None:
    t, v = overview(Rows(500, 1)).curve("zone2_sp_degC", 0.0, 9.0, 50)
    assert len(t) == len(v) == 0
