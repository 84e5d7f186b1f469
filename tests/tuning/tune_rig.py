"""A twin or board, a poller and a TuneRun in virtual time, single-threaded; the line can be cut."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from engine_rig import EngineRig
from plylane.head.registers import Command, ZoneMode
from plylane.head.snapshot import Snapshot
from plylane.tune_run import TuneRun, ZoneTuning
from plylane_twin import Scenario, Twin
from plylane_twin.direct import DirectPort
from plylane_twin.stand import Stand

PLAIN = 'format = "plylane scenario 1"\nname = "tuning"\n'
SETPOINTS = (110.0, 95.0)  # of the demo scenario
PERIOD_S = 0.1


class LinePort(DirectPort):
    """Never answers while `cut`; waiting for an answer takes its time."""

    cut = False

    def read(self, size: int = 1, /) -> bytes:
        if not self.in_waiting:
            self.sleep(self.timeout or 0.0)
        return super().read(size)

    def write(self, data: bytes, /) -> int:
        if not self.cut:
            return super().write(data)
        self.reset_input_buffer()
        return len(data)


class TuneRig(EngineRig[TuneRun]):
    """What the tests do at the head and with the tuning."""

    def __init__(
        self,
        seed: int = 7,
        folder: Path | None = None,
        scenario: str = PLAIN,
        stand: Stand | None = None,
    ) -> None:
        """`stand` a head that is there already, in place of a twin."""
        self.twin = stand or Twin(Scenario.parse(scenario), seed=seed)
        super().__init__(
            self.twin,
            PERIOD_S,
            lambda poller, zones: TuneRun(poller, zones, folder=lambda: folder, head="twin"),
            LinePort,
        )
        self.client.write("feed.strip_in", 0)  # we have looked
        self.poller.step()

    def write(self, name: str, value: float, zone: int = 0) -> None:
        self.client.write(name, value, zone)

    def read(self, name: str, zone: int = 0) -> float:
        return self.client.read(name, zone)

    def automatic(self, zone: int, setpoint_degC: float) -> None:
        self.write("zone.setpoint_degC", setpoint_degC, zone)
        self.write("zone.mode", ZoneMode.AUTOMATIC, zone)

    def idle(self) -> None:
        self.client.command(Command.RESET)
        self.go(0.5)

    def go(self, seconds: float) -> None:
        """Let time pass."""
        until_s = self.twin.time_s + seconds
        while self.twin.time_s < until_s:
            self.poller.step()

    def tune(self, zone: int, kind: str = "relay", **changes: Any) -> ZoneTuning:
        """An experiment at the demo's setpoint that ends well."""
        self.write("zone.setpoint_degC", SETPOINTS[zone], zone)
        self.do(lambda run: run.experiment(zone, kind, **changes))
        return self.run.tunings[zone]


class Watch:
    """Keeps what was seen of every zone: PVs, speed and blocks' true temperatures."""

    def __init__(self, rig: TuneRig) -> None:
        self.rig = rig
        self.rows: list[tuple[float, ...]] = []
        rig.poller.listeners.append(self)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        blocks = [self.rig.twin.plant.block[k].degC for k in range(len(snapshot.zones))]
        pvs = [zone.pv_degC for zone in snapshot.zones]
        speed = snapshot.telemetry.feed_speed_mm_s
        self.rows.append((snapshot.time_s, speed, *pvs, *blocks))
