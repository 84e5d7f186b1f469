"""The typed client on a twin without its line: requests take no time, time passes when told.

On a board (tests/board) a request takes as long as its characters do.
"""

from __future__ import annotations

from plylane.head.client import HeadClient
from plylane.head.registers import ALARMS, AlarmDetailRegs, Command, State, TelemetryRegs
from plylane_twin.direct import DirectPort
from plylane_twin.stand import Stand


class TwinClient:
    """What guard tests ask and do, in the units of the map."""

    def __init__(self, twin: Stand) -> None:
        self.twin = twin
        self.client = HeadClient.open("direct", opener=lambda _: DirectPort(twin))

    def command(self, command: Command) -> None:
        self.client.command(command)

    def write(self, name: str, value: float, instance: int = 0) -> None:
        self.client.write(name, value, instance)

    def acknowledge_all(self) -> None:
        self.client.acknowledge((1 << len(ALARMS)) - 1)

    def telemetry(self) -> TelemetryRegs:
        return self.client.snapshot().telemetry

    def heaters(self) -> int:
        return self.twin.heaters

    def instances(self, alarm: int) -> int:
        return self.client.read_block(AlarmDetailRegs, alarm).instances

    def alarm_names(self) -> list[str]:
        active = self.telemetry().alarms_active
        return [alarm.name for alarm in ALARMS if active >> alarm.number & 1]

    def event_texts(self) -> list[str]:
        return [event.text for event in self.client.take_events()]

    def run(self, seconds: float) -> None:
        """Let time pass with a request every 100 ms, as a host would keep the link alive."""
        for _ in range(round(seconds * 10)):
            self.twin.advance(100)
            self.telemetry()

    def run_until(self, state: State, most_s: float) -> None:
        """Run until the machine is in `state`; fails after `most_s`."""
        for _ in range(round(most_s * 10)):
            if self.telemetry().state == state:
                return
            self.run(0.1)
        raise AssertionError(
            f"in {self.telemetry().state.name} after {most_s} s, {self.alarm_names()}"
        )

    def run_until_alarm(self, number: int, most_s: float) -> None:
        """Run until that alarm stands; fails after `most_s`."""
        for _ in range(round(most_s * 10)):
            if self.telemetry().alarms_active >> number & 1:
                return
            self.run(0.1)
        raise AssertionError(f"no {ALARMS[number].name} in {most_s} s, but {self.alarm_names()}")
