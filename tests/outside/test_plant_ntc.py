"""The plant's sensor against the maker's printed table.

Thermometrics, Sensor Temperature Resistance Curves Reference Guide, Rev. C (Nov 2014), material
type 1: ratios to R25, printed to four figures.
"""

from __future__ import annotations

import pytest

from plylane_twin._core import ffi, lib
from plylane_twin.plant_parameters import fill

RATIO = {
    -40: 33.36, -20: 9.681, 0: 3.264, 10: 1.99, 20: 1.249, 25: 1.0, 30: 0.8056, 40: 0.5325,
    50: 0.3601, 60: 0.2487, 70: 0.1751, 80: 0.1256, 90: 0.09155, 100: 0.06781, 110: 0.05095,
    125: 0.03403,
}  # fmt: skip


@pytest.mark.parametrize("degC", RATIO)
def test_resistance(degC: int) -> None:
    """The maker's own fit meets its table to 0.1 % (0.03 K)."""
    parameters = ffi.new("struct plant_parameters *")
    fill(parameters)
    assert lib.plant_ntc_ohm(parameters, degC) / 10_000.0 == pytest.approx(RATIO[degC], rel=1e-3)
