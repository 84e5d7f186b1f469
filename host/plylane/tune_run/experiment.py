"""What an experiment does, and defaults that suit the zone as it is now."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from plylane.head.client import HeadClient
from plylane.head.registers import ExperimentKind, ZoneMode, ZoneSettingsRegs
from plylane.tune_errors import TuneError

KINDS = {
    "relay": ExperimentKind.RELAY,
    "step": ExperimentKind.STEP,
    "doublet": ExperimentKind.DOUBLET,
}
INTERVALS = {"step": 2, "doublet": 4}

WORKING_LEAST_DEGC = 40.0
WORKING_SHARE = 0.75
"""Of the highest setpoint: where a zone is tuned that has no setpoint worth the name."""
WARM_K = 30.0
"""A relay that starts closer than this below its temperature sees too little of the block."""
SWING_K = 15.0
"""So there it lets the block cool by this first."""
ABOVE_K = 20.0
BELOW_OVER_K = 10.0
CEILING_LEAST_K = 2.0
RELAY_LOW_PERCENT, RELAY_HIGH_PERCENT = 10.0, 100.0
STEP_PERCENT, DOUBLET_PERCENT, LEAST_PERCENT = 20.0, 30.0, 10.0
COLD_PERCENT = 40.0
STEP_INTERVAL_S, DOUBLET_INTERVAL_S = 300, 150
SPARE_S = 60


@dataclass(frozen=True, slots=True)
class ZoneNow:
    """A zone as it is now, and its limits. `op_percent` is a mean over the last seconds."""

    zone: int
    pv_degC: float
    op_percent: float
    mode: ZoneMode
    setpoint_degC: float
    setpoint_max_degC: float
    over_temperature_degC: float

    @property
    def working_temperature(self) -> float:
        """The setpoint; three quarters of the highest one where none is set."""
        if self.setpoint_degC >= WORKING_LEAST_DEGC:
            return self.setpoint_degC
        return WORKING_SHARE * self.setpoint_max_degC


@dataclass(frozen=True, slots=True)
class Experiment:
    """What the head is told; `zone` from 0, `kind` "relay", "step" or "doublet"."""

    kind: str
    zone: int
    op_low_percent: float
    op_high_percent: float
    switch_degC: float
    hysteresis_degC: float
    interval_s: int
    switchings: int
    ceiling_degC: float
    time_limit_s: int

    def write(self, client: HeadClient) -> None:
        """Write it and start it. Raises the client's errors; the head refuses what makes no
        sense.
        """
        values = asdict(self)
        values["kind"] = KINDS[self.kind]
        for name, value in values.items():
            client.write(f"experiment.{name}", value)
        client.write("experiment.run", 1)

    def left_s(self, elapsed_s: float) -> float:
        """Seconds it will still take, at most."""
        whole = self.time_limit_s
        if self.kind in INTERVALS:
            whole = min(whole, INTERVALS[self.kind] * self.interval_s)
        return max(0.0, whole - elapsed_s)

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes; the zone counts from 1."""
        return {**asdict(self), "zone": self.zone + 1}


def default_experiment(kind: str, now: ZoneNow, **changes: float) -> Experiment:
    """An experiment that suits the zone as it is.

    The ceiling lies 20 K above where the zone is to work and below the head's own guard. Relay:
    about the working temperature from a cold block, so that heating up tells the gain and the
    switching the delay; a warm block is let cool first. Step: up from the present output. Doublet:
    about the present output. `changes` overrides any field by name. Raises TuneError.
    """
    if kind not in KINDS:
        raise TuneError(f"no experiment {kind!r}: there are {', '.join(KINDS)}")
    values: dict[str, Any] = {
        "kind": kind,
        "zone": now.zone,
        "switch_degC": _switch_at(now),
        "hysteresis_degC": 0.5,
        "switchings": 12,
        "interval_s": DOUBLET_INTERVAL_S if kind == "doublet" else STEP_INTERVAL_S,
        "ceiling_degC": _ceiling(now),
    }
    values["op_low_percent"], values["op_high_percent"] = _levels(kind, now)
    values |= {name: value for name, value in changes.items() if value is not None}
    values.setdefault("time_limit_s", _time_limit_s(kind, int(values["interval_s"])))
    made = Experiment(**values)
    _check(made, now)
    return made


def _switch_at(now: ZoneNow) -> float:
    working = min(now.working_temperature, now.setpoint_max_degC)
    if now.pv_degC < working - WARM_K:
        return round(working, 2)
    return round(min(working, now.pv_degC - SWING_K), 2)


def _ceiling(now: ZoneNow) -> float:
    highest = max(now.working_temperature, now.pv_degC)
    return round(min(highest + ABOVE_K, now.over_temperature_degC - BELOW_OVER_K), 2)


def _levels(kind: str, now: ZoneNow) -> tuple[float, float]:
    op = round(now.op_percent, 1)
    if kind == "relay":
        return RELAY_LOW_PERCENT, RELAY_HIGH_PERCENT
    if op < LEAST_PERCENT:  # off or cold: from nothing
        return 0.0, COLD_PERCENT
    if kind == "step":
        return (op, op + STEP_PERCENT) if op <= 100.0 - STEP_PERCENT else (op - STEP_PERCENT, op)
    away = max(LEAST_PERCENT, min(DOUBLET_PERCENT, op, 100.0 - op))
    return max(0.0, op - away), min(100.0, op + away)


def _time_limit_s(kind: str, interval_s: int) -> int:
    return INTERVALS[kind] * interval_s + SPARE_S if kind in INTERVALS else 1800


def _check(made: Experiment, now: ZoneNow) -> None:
    if made.ceiling_degC > now.over_temperature_degC:
        raise TuneError(
            f"the ceiling of {made.ceiling_degC:g} degC lies above the zone's guard"
            f" ({now.over_temperature_degC:g} degC): take a lower one"
        )
    if made.ceiling_degC < now.pv_degC + CEILING_LEAST_K:
        raise TuneError(
            f"the zone is at {now.pv_degC:.1f} degC, the ceiling {made.ceiling_degC:g} degC:"
            " let the block cool first"
        )


def read_zone(client: HeadClient, zone: int, op_percent: float | None = None) -> ZoneNow:
    """The zone as it is now; `op_percent` a better mean than one reading, where there is one."""
    seen = client.snapshot().zones[zone]
    settings = client.read_block(ZoneSettingsRegs, zone)
    return ZoneNow(
        zone,
        seen.pv_degC,
        seen.op_percent if op_percent is None else op_percent,
        seen.mode,
        client.read("zone.setpoint_degC", zone),
        settings.setpoint_max_degC,
        settings.over_temperature_degC,
    )
