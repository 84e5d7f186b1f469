"""Interaction of zones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.tuning import Model, Record, RecordError, cross_gain, interaction, relative_gains
from plylane.tuning.response import Steps, response


def model(lag_s: float, dead_s: float = 3.0) -> Model:
    return Model("fopdt", 1.0, lag_s, dead_s, 0.01, 1.0, 0.1, 22.0, 0.1)


def test_wood_berry_column() -> None:
    """R. K. Wood, M. W. Berry, Chem. Eng. Sci. 28 (1973) 1707-1717 (memory); its relative gain is
    printed as 2.01 in many textbooks (memory), recomputed 1 / (1 - 18.9 6.6 / (12.8 19.4)).
    """
    got = relative_gains([[12.8, -18.9], [6.6, -19.4]])
    assert round(got[0, 0], 2) == 2.01
    assert got == pytest.approx(np.array([[2.0094, -1.0094], [-1.0094, 2.0094]]), abs=1e-4)


matrices = st.lists(st.floats(-2.0, 2.0), min_size=9, max_size=9)


@given(entries=matrices, scales=st.lists(st.floats(0.1, 10.0), min_size=6, max_size=6))
def test_rows_and_columns_sum_to_one_whatever_the_units(
    entries: list[float], scales: list[float]
) -> None:
    """E. H. Bristol, IEEE Trans. Autom. Control 11 (1966) 133-134: both properties of the array."""
    gain = np.array(entries).reshape(3, 3) + 5.0 * np.eye(3)
    if np.linalg.cond(gain) > 1e4:
        return
    relative = relative_gains(gain)
    assert relative.sum(axis=0) == pytest.approx(np.ones(3), abs=1e-8)
    assert relative.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-8)
    rescaled = np.diag(scales[:3]) @ gain @ np.diag(scales[3:])
    assert relative_gains(rescaled) == pytest.approx(relative, abs=1e-7)


def test_relative_gain_is_open_over_closed() -> None:
    """By its definition: gain with the other loop open over gain while it holds its PV."""
    gain = np.array([[1.2, 0.3], [0.25, 1.5]])
    closed = gain[0, 0] - gain[0, 1] * gain[1, 0] / gain[1, 1]
    assert relative_gains(gain)[0, 0] == pytest.approx(gain[0, 0] / closed)


@pytest.mark.parametrize(
    ("gain", "why"), [([[1.0, 2.0]], "as many"), ([[1.0, 2.0], [2.0, 4.0]], "singular")]
)
def test_impossible_matrices_are_refused(gain: list, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        relative_gains(gain)


def test_fastest_zone_is_tuned_first_and_trouble_is_named() -> None:
    calm = interaction([[1.2, 0.2], [0.2, 1.5]], [model(300.0), model(120.0)])
    assert calm.order == (1, 0) and calm.remarks == ()
    close = interaction([[1.2, 0.9], [0.9, 1.5]], [model(100.0), model(120.0)])
    assert close.order == (0, 1) and "zone 1" in close.remarks[0]
    swapped = interaction([[0.2, 1.2], [1.5, 0.2]], [model(100.0), model(120.0)])
    assert "swapped" in swapped.remarks[0]


def neighbour(gain: float) -> Record:
    time_s = np.arange(0.0, 900.0, 1.0)
    steps = Steps(0.0, np.array([30.0]), np.array([40.0]))
    pv = 22.0 + gain * response(steps, [250.0, 60.0], 10.0, time_s)
    pv = np.round((pv + np.random.default_rng(1).normal(0.0, 0.05, len(pv))) / 0.2) * 0.2
    return Record.of(time_s, np.where(time_s >= 30.0, 40.0, 0.0), pv)


def test_cross_gain() -> None:
    got = cross_gain(neighbour(0.25))
    assert got.degC_per_percent == pytest.approx(0.25, abs=2.5 * got.se)
    assert got.se < 0.05


def test_neighbour_that_does_not_feel_it_has_gain_zero_within_its_error() -> None:
    got = cross_gain(neighbour(0.003))
    assert got.degC_per_percent == 0.0 and 0.003 < got.se < 0.03


def test_cross_gain_needs_a_change_of_output() -> None:
    record = neighbour(0.25)
    with pytest.raises(RecordError, match="driving zone"):
        cross_gain(Record.of(record.time_s, np.zeros(900), record.pv_degC))
