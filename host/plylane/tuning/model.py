"""What identification hands on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from plylane.tuning.process import Process

FIRST_ORDER, SECOND_ORDER = "fopdt", "sopdt"


@dataclass(frozen=True, slots=True)
class Instrument:
    """What stands between the command and the record, known beforehand.

    `sensor_lag_s`: first-order lag of the sensor, 0 none or not known (then it is identified as
    part of lags and dead time). `window_s`: period of the time-proportioned output, 0 none; the
    command is taken over when a window begins and holds through it. `window_start_s`: time in the
    record at which any one window begins, None where not known.
    """

    sensor_lag_s: float = 0.0
    window_s: float = 0.0
    window_start_s: float | None = None

    def __post_init__(self) -> None:
        if not (self.sensor_lag_s >= 0.0 and self.window_s >= 0.0):
            raise ValueError("sensor lag and window cannot be negative")


PLAIN = Instrument()
"""A record of which nothing is known."""

HEAD_SENSOR_LAG_S = 4.0
"""The head's NTC sensors, seated in their blocks."""


@dataclass(frozen=True, slots=True)
class Model:
    """First or second order with dead time, with standard errors (`*_se`, same units).

    PV = `offset_degC` + response to the output; `offset_degC` is the PV at rest with no output.
    `kind` is "fopdt" or "sopdt"; for the first, `second_time_constant_s` and its error are 0.
    `sensor_lag_s` is not identified but given, and comes on top of the time constants.
    """

    kind: str
    gain_degC_per_percent: float
    time_constant_s: float
    dead_time_s: float
    gain_se: float
    time_constant_se: float
    dead_time_se: float
    offset_degC: float
    offset_se: float
    second_time_constant_s: float = 0.0
    second_time_constant_se: float = 0.0
    sensor_lag_s: float = 0.0
    drift_degC_per_s: float = 0.0

    @property
    def process(self) -> Process:
        """What a loop on the sensor's PV sees, sensor lag included."""
        return Process.of(
            self.gain_degC_per_percent,
            self.time_constant_s,
            self.second_time_constant_s,
            self.sensor_lag_s,
            dead_time_s=self.dead_time_s,
        )

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes; standard errors under the same names in
        `standard_errors`.
        """
        values = {
            "gain_degC_per_percent": (self.gain_degC_per_percent, self.gain_se),
            "time_constant_s": (self.time_constant_s, self.time_constant_se),
            "dead_time_s": (self.dead_time_s, self.dead_time_se),
            "offset_degC": (self.offset_degC, self.offset_se),
        }
        if self.kind == SECOND_ORDER:
            second = self.second_time_constant_s, self.second_time_constant_se
            values["second_time_constant_s"] = second
        form: dict[str, Any] = {"kind": self.kind}
        form.update({name: value for name, (value, _) in values.items()})
        form["sensor_lag_s"] = self.sensor_lag_s
        form["drift_degC_per_s"] = self.drift_degC_per_s
        form["standard_errors"] = {name: error for name, (_, error) in values.items()}
        return form
