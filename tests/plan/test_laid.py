"""At what speed and temperatures a run was laid, held against numpy on repeated values."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.head.registers import State
from plylane.plan.laid import LaidAt, LaidCord, Spread

ROWS = 300


def columns(state: int = State.EXECUTE) -> dict[str, np.ndarray]:
    """A run at speeds and temperatures by chance, each row some whole micrometres of cord."""
    draw = np.random.default_rng(11)
    laid_mm = draw.integers(100, 400, ROWS) / 1000.0
    return {
        "state": np.full(ROWS, state),
        "output_position_mm": np.cumsum(laid_mm),
        "feed_speed_mm_s": draw.integers(900, 1500, ROWS) / 100.0,
        "zone1_pv_degC": draw.integers(1100, 1150, ROWS) / 10.0,
        "zone2_pv_degC": np.full(ROWS, 95.0),
    }


def found(rows: dict[str, np.ndarray], cuts: list[int]) -> LaidAt | None:
    laid = LaidCord()
    for start, stop in pairwise([0, *sorted(cuts), len(rows["state"])]):
        laid.take({name: values[start:stop] for name, values in rows.items()})
    return laid.found()


def by_numpy(values: np.ndarray, cord_mm: np.ndarray) -> Spread:
    """Every value as often as there are micrometres of cord."""
    um = np.rint(np.diff(cord_mm, prepend=cord_mm[0]) * 1000.0).astype(int)
    each = np.repeat(values, um)
    return Spread(*(float(np.quantile(each, p, method="inverted_cdf")) for p in (0.05, 0.5, 0.95)))


@given(st.lists(st.integers(0, ROWS), max_size=5))
def test_every_millimetre_counts_alike_in_parts_of_any_size(cuts: list[int]) -> None:
    rows = columns()
    at = found(rows, cuts)
    assert at is not None and len(at.zone_degC) == 2
    for told, name in ((at.speed_mm_s, "feed_speed_mm_s"), (at.zone_degC[0], "zone1_pv_degC")):
        wanted = by_numpy(rows[name], rows["output_position_mm"])
        assert (told.low, told.median, told.high) == pytest.approx(
            (wanted.low, wanted.median, wanted.high)
        )
    assert at.zone_degC[1] == Spread(95.0, 95.0, 95.0)


def test_where_nothing_was_fed_there_is_no_place() -> None:
    assert found(columns(State.IDLE), []) is None


def test_the_last_start_counts() -> None:
    first, second = columns(), columns()
    first["feed_speed_mm_s"][:] = 3.0
    first["state"][-1] = State.COMPLETE
    both = {name: np.concatenate([first[name], second[name]]) for name in first}
    assert found(both, [200]) == found(second, [])
