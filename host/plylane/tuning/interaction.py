"""Interaction of zones: gain matrix, relative gains, and the order in which to tune.

E. H. Bristol, On a new measure of interaction for multivariable process control, IEEE Trans. Autom.
Control 11 (1966) 133-134.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from plylane.tuning.identify import identify
from plylane.tuning.model import PLAIN, Instrument, Model
from plylane.tuning.record import Floats, Record, RecordError, pv_resolution

NEAR_ONE = 0.67, 1.5
"""Relative gains between which a zone can be tuned as if it stood alone. Common practice, no
source.
"""


@dataclass(frozen=True, slots=True)
class Gain:
    """Static gain from one zone's output to a PV (degC/%), with standard error."""

    degC_per_percent: float
    se: float


def cross_gain(record: Record, instrument: Instrument = PLAIN) -> Gain:
    """Gain from the output of one zone (`op_percent`) to the PV of another.

    A neighbour that hardly moves is no fault: then the gain is 0 with an error as large as what the
    record could have hidden. Raises RecordError where the output did not move.
    """
    moved = float(np.ptp(record.op_percent))
    if moved < 1.0:
        raise RecordError(
            "no excitation: the output of the driving zone stays the same",
            "change its output by 10 % or more while the other zones are in manual",
        )
    try:
        model = identify(record, instrument).model
    except RecordError:
        return Gain(0.0, max(float(np.ptp(record.pv_degC)), pv_resolution(record.pv_degC)) / moved)
    return Gain(model.gain_degC_per_percent, model.gain_se)


def relative_gains(gain: ArrayLike) -> Floats:
    """Relative gain array (n, n) of a gain matrix (n, n): row PV, column output.

    Each entry is the gain with the other loops open over the gain with them closed. Raises
    ValueError where the matrix is not square or singular (two outputs that do the same).
    """
    matrix = np.asarray(gain, dtype=np.float64)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1]:
        raise ValueError("a gain matrix has as many outputs as PVs")
    if np.linalg.cond(matrix) > 1e12:
        raise ValueError("the gain matrix is singular: two outputs do the same to all PVs")
    return np.asarray(matrix * np.linalg.inv(matrix).T, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Interaction:
    """`gain` and `relative` (n, n: row PV, column output); `order` zones counted from 0, first to
    be tuned first; `remarks` one line each for what needs care, zones counted from 1.
    """

    gain: Floats
    relative: Floats
    order: tuple[int, ...]
    remarks: tuple[str, ...]


def interaction(gain: ArrayLike, models: Sequence[Model]) -> Interaction:
    """Judge a gain matrix (n, n), degC/%, with each zone's own model (n).

    The fastest zone is tuned first, then stays in automatic while the slower ones are tuned: for a
    slow loop a fast one looks closed anyway (common practice, no source). Raises ValueError as
    `relative_gains` does.
    """
    matrix = np.asarray(gain, dtype=np.float64)
    relative = relative_gains(matrix)
    speeds = [_response_time_s(model) for model in models]
    order = tuple(int(zone) for zone in np.argsort(speeds, kind="stable"))
    return Interaction(matrix, relative, order, tuple(_remarks(relative)))


def _response_time_s(model: Model) -> float:
    return sum(model.process.lags_s) + model.dead_time_s


def _remarks(relative: Floats) -> list[str]:
    remarks = []
    for zone, own in enumerate(np.diag(relative)):
        if own <= 0.0:
            remarks.append(
                f"zone {zone + 1}: relative gain {own:.2f}; heater and sensor seem swapped"
            )
        elif not NEAR_ONE[0] <= own <= NEAR_ONE[1]:
            remarks.append(
                f"zone {zone + 1}: relative gain {own:.2f}; tune it again, other loops closed"
            )
    return remarks
