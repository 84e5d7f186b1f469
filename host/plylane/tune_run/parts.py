"""Steps that several jobs share: readiness, coming to rest at a temperature, watching."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from plylane.head.client import HeadClient
from plylane.head.registers import ALARMS, Command, SensorKind, State, ZoneMode, ZoneSettingsRegs
from plylane.head.snapshot import spaced
from plylane.tune_errors import TuneError
from plylane.tune_run.engine import Engine, Job
from plylane.tune_run.log import Floats
from plylane.tuning import HEAD_SENSOR_LAG_S, Instrument

STATE_PATIENCE_S = 10.0
STOPS = frozenset({State.STOPPING, State.STOPPED, State.ABORTING, State.ABORTED, State.CLEARING})
REST_S, REST_BAND_DEGC, REST_MOST_S = 45.0, 0.4, 1500.0
NEAR_DEGC = 2.0


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the user wants of a zone, outside an experiment."""

    mode: ZoneMode
    setpoint_degC: float
    manual_op_percent: float

    @classmethod
    def read(cls, client: HeadClient, zone: int) -> Wanted:
        """What stands in the head. Raises the client's errors."""
        return cls(
            ZoneMode(int(client.read("zone.mode", zone))),
            client.read("zone.setpoint_degC", zone),
            client.read("zone.manual_op_percent", zone),
        )

    def write(self, client: HeadClient, zone: int) -> None:
        """Put it back; off where the head was stopped: a stop is no pause, and the next reset must
        not heat. Raises the client's errors.
        """
        stopped = client.snapshot().telemetry.state in STOPS
        client.write("zone.setpoint_degC", self.setpoint_degC, zone)
        client.write("zone.manual_op_percent", self.manual_op_percent, zone)
        client.write("zone.mode", ZoneMode.OFF if stopped else self.mode, zone)


def state_of(engine: Engine) -> State:
    """The machine state last seen."""
    if engine.latest is None:
        raise TuneError("the head has not been seen yet: wait for the link")
    return engine.latest.telemetry.state


def standing(engine: Engine) -> str:
    """Where the head is and what stands against it, in words."""
    now = engine.latest.telemetry if engine.latest else None
    if now is None:
        return "it has not been seen"
    names = [spaced(one.name) for one in ALARMS if now.alarms_active >> one.number & 1]
    return f"it is in {spaced(now.state.name)}, alarms: {', '.join(names) or 'none'}"


def come_to(engine: Engine, state: State, most_s: float = STATE_PATIENCE_S) -> Job[None]:
    """Wait for a state. Raises TuneError where it does not come."""
    until_s = engine.log.now_s + most_s
    while state_of(engine) is not state:
        if engine.log.now_s > until_s:
            raise TuneError(f"the head did not come to {spaced(state.name)}: {standing(engine)}")
        yield


def be_idle(engine: Engine) -> Job[None]:
    """Idle, by a reset where that is the way, and no strip in the hot guide."""
    if state_of(engine) in (State.STOPPED, State.COMPLETE):
        yield from engine.call(lambda client: client.command(Command.RESET))
        yield from come_to(engine, State.IDLE)
    if state_of(engine) is not State.IDLE:
        raise TuneError(
            f"the head is in {spaced(state_of(engine).name)}, bring it to Idle to tune a zone"
        )
    if (yield from engine.call(lambda client: client.read("feed.strip_in"))):
        raise TuneError(
            "strip may be in the guide, and wood held hot chars and can ignite:"
            " let it cool, pull the strips out, and say that the guide is empty"
        )


def others_at_rest(engine: Engine, zone: int) -> None:
    """Raise TuneError where another zone is on its way to its setpoint and would disturb."""
    zones = engine.latest.zones if engine.latest else ()
    for number, other in enumerate(zones):
        away = abs(other.pv_degC - other.sp_degC)
        if number != zone and other.mode is ZoneMode.AUTOMATIC and away > NEAR_DEGC:
            raise TuneError(
                f"zone {number + 1} is {away:.1f} degC from its setpoint and would disturb the"
                " record: wait until it is there, or switch it off"
            )


def rest_at(
    engine: Engine,
    zone: int,
    setpoint_degC: float,
    rest_s: float = REST_S,
    steady_percent: float = 100.0,
) -> Job[None]:
    """Wait until the zone has stayed at its setpoint, its output drifting by less than
    `steady_percent`. Raises TuneError where it does not.
    """
    began_s = engine.log.now_s
    while True:
        now_s = engine.log.now_s
        seen = engine.log.trace(max(began_s, now_s - rest_s))
        pv = seen.pv_degC[zone]
        whole = now_s - began_s >= rest_s
        still = whole and float(np.abs(pv - setpoint_degC).max()) <= REST_BAND_DEGC
        if still and _drift(seen.op_percent[zone]) <= steady_percent:
            return
        if now_s - began_s > REST_MOST_S:
            raise TuneError(
                f"zone {zone + 1} did not come to rest at {setpoint_degC:.1f} degC within"
                f" {REST_MOST_S:.0f} s: take calmer gains, or look for what disturbs it"
            )
        here = f"{pv[-1]:.1f}" if len(pv) else "?"
        engine.tell(
            f"Waiting for rest at {setpoint_degC:.1f} degC, now {here} degC.", now_s - began_s
        )
        yield


def _drift(values: Floats) -> float:
    """Between the means of the first and the second half."""
    half = len(values) // 2
    return abs(float(values[:half].mean() - values[half:].mean()))


def instrument_of(settings: ZoneSettingsRegs, window_start_s: float | None) -> Instrument:
    """What is known of a zone's sensor and output."""
    lag_s = HEAD_SENSOR_LAG_S if settings.sensor is SensorKind.NTC else 0.0
    return Instrument(lag_s, settings.window_ms / 1000.0, window_start_s)


def automatic(client: HeadClient, zone: int, setpoint_degC: float) -> None:
    """Control the zone at that setpoint. Raises the client's errors."""
    client.write("zone.setpoint_degC", setpoint_degC, zone)
    client.write("zone.mode", ZoneMode.AUTOMATIC, zone)


def verdict_text(passed: bool, reasons: tuple[str, ...]) -> str:
    """One line."""
    return f"{'Passed' if passed else 'Failed'}: {'; '.join(reasons)}."
