"""A twin or board, a poller and a TuneRun in virtual time, single-threaded; the line can be cut."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import Command, ZoneMode
from plylane.head.snapshot import Snapshot
from plylane.tune_run import TuneRun, ZoneTuning
from plylane_twin import Scenario, Twin
from plylane_twin.stand import Stand

PLAIN = 'format = "plylane scenario 1"\nname = "tuning"\n'
SETPOINTS = (110.0, 95.0)  # of the demo scenario
PERIOD_S = 0.1


class DirectPort:
    """A port whose answers are there at once, or never while `cut`."""

    def __init__(self, twin: Stand) -> None:
        self.twin = twin
        self.clock = self
        self.cut = False
        self.timeout: float | None = None
        self._answer = b""

    def now(self) -> float:
        return self.twin.time_s

    def sleep(self, seconds: float) -> None:
        self.twin.advance(max(1, round(seconds * 1000)))

    @property
    def in_waiting(self) -> int:
        return len(self._answer)

    def read(self, size: int = 1, /) -> bytes:
        if not self._answer:
            self.twin.advance(max(1, round((self.timeout or 0.0) * 1000)))
        taken, self._answer = self._answer[:size], self._answer[size:]
        return taken

    def write(self, data: bytes, /) -> int:
        self._answer = b"" if self.cut else self.twin.exchange(data)
        return len(data)

    def reset_input_buffer(self) -> None:
        self._answer = b""

    def close(self) -> None:
        self._answer = b""


class TuneRig:
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
        self.port = DirectPort(self.twin)
        self.client = HeadClient.open("direct", opener=lambda _: self.port)
        self.poller = Poller(self.client, PERIOD_S)
        self.run = TuneRun(
            self.poller, self.client.fitted.zones, folder=lambda: folder, head="twin"
        )
        self.poller.listeners.append(self.run)
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

    def finish(self, most_s: float = 4000.0) -> str:
        """See the job through; its last words, or its trouble."""
        until_s = self.twin.time_s + most_s
        while self.run.busy:
            assert self.twin.time_s < until_s, self.run.status
            self.poller.step()
        return self.run.status.trouble or self.run.status.text

    def do(self, begin: Callable[[TuneRun], None]) -> str:
        """Begin a job, see it through, and have it succeed."""
        begin(self.run)
        text = self.finish()
        assert not self.run.status.trouble, text
        return text

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
