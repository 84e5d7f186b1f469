"""Contact fitted to glue-line temperatures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plan.heat_cases import demo_case, demo_way
from plylane.plan.conduction import passage
from plylane.plan.contact import ContactError, Measured, fit_contact, with_contact

STACK, WAY = demo_case().stack, demo_way()
ZONES = (110.0, 95.0)


def reading(factor: float, speed: float, at_mm: float | None = None) -> float:
    """What a perfect thermocouple in glue line 2 would read."""
    course = passage(STACK, with_contact(WAY, factor), [speed], places=401).course(ZONES)
    line = course.glue_degC[:, 1]
    return float(line.max() if at_mm is None else np.interp(at_mm, course.position_mm, line))


@given(st.floats(0.2, 5.0), st.floats(6.0, 25.0), st.sampled_from([None, 60.0, 105.0]))
@settings(max_examples=8)
def test_finds_the_contact_that_made_the_reading(
    factor: float, speed: float, at_mm: float | None
) -> None:
    read = Measured(speed, ZONES, 1, reading(factor, speed, at_mm), 0.5, at_mm)
    found = fit_contact(STACK, WAY, [read])
    assert found.factor == pytest.approx(factor, rel=0.02)
    assert found.factors[0] < factor < found.factors[1]
    best, least, most = found.resistances_m2K_W
    assert best == pytest.approx(1.0 / (650.0 * factor), rel=0.02)
    assert least < best < most


def test_interval_holds_the_truth_as_often_as_it_says() -> None:
    """95 %: of 20 fits to two noisy readings each, 19 on average; four sigma below that is 15."""
    draw = np.random.default_rng(5)
    true = [reading(0.8, speed) for speed in (10.0, 16.0)]
    held = 0
    for _ in range(20):
        noisy = [
            Measured(speed, ZONES, 1, degC + draw.normal(0.0, 1.0), 1.0)
            for speed, degC in zip((10.0, 16.0), true, strict=True)
        ]
        low, high = fit_contact(STACK, WAY, noisy).factors
        held += low < 0.8 < high
    assert held >= 15


def test_a_less_certain_reading_widens_the_interval() -> None:
    sharp, vague = (
        fit_contact(STACK, WAY, [Measured(14.0, ZONES, 1, 72.0, sigma)]).factors
        for sigma in (0.3, 2.0)
    )
    assert vague[0] < sharp[0] and sharp[1] < vague[1]


def test_readings_that_cannot_all_be_true_are_said_to() -> None:
    one = Measured(14.0, ZONES, 1, reading(1.0, 14.0), 0.5)
    other = Measured(10.0, ZONES, 1, reading(1.0, 10.0) - 6.0, 0.5)
    assert fit_contact(STACK, WAY, [one]).agree
    found = fit_contact(STACK, WAY, [one, other])
    assert not found.agree and found.worst_K > 2.0


@pytest.mark.parametrize(
    ("read", "says"),
    [
        (Measured(14.0, ZONES, 1, 100.0), "100 degC cannot be"),
        (Measured(14.0, ZONES, 1, 22.0), "22 degC cannot be"),
        (Measured(14.0, ZONES, 4, 72.0), "no glue line 5"),
        (Measured(14.0, ZONES, 1, 72.0, 0.0), "uncertainty"),
        (Measured(14.0, ZONES, 1, 72.0, 1.0, 500.0), "500 mm is not on the way"),
    ],
)
def test_impossible_readings_are_named(read: Measured, says: str) -> None:
    with pytest.raises(ContactError, match=f"measurement 1: .*{says}"):
        fit_contact(STACK, WAY, [read])
