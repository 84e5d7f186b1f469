"""A live run: one poller, and everybody who listens to it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from plylane.head.client import HeadClient
from plylane.head.poller import LinkStatus, Poller
from plylane.head.registers import (
    ALARMS,
    BLOCKS,
    TRANSITIONS,
    AlarmDetailRegs,
    Board,
    Command,
    EventCode,
    GuardsRegs,
    MachineRegs,
    ZoneSettingsRegs,
)
from plylane.head.snapshot import Event, Snapshot
from plylane.jam import FeedWatch, Finding, WatchSettings
from plylane.runlog import Recorder, RunInfo
from plylane.screens.source import Limits, Trends, trend_names, trend_values

KEPT_EVENTS = 500
KEPT_MESSAGES = 50
BOARD_NAMES = {Board.ATMEGA328P: "ATmega328P", Board.TWIN: "twin"}
ALARM_EVENTS = frozenset({EventCode.ALARM_RAISED, EventCode.ALARM_CLEARED})


class LiveRun:
    """Ties poller, recorder and detector together; it is what the screens look at.

    The ``on_`` methods are called in the poller's thread; the screens only read what they leave
    behind. `command`, `acknowledge`, `set_setpoint` and `set_speed` return at once; what the head
    refuses appears in `messages`.
    """

    def __init__(
        self, client: HeadClient, poller: Poller, *, title: str, pace: float = 1.0
    ) -> None:
        """Read the head's settings; call before the poller runs. Raises HeadError."""
        self.poller = poller
        self.title = title
        self.pace = pace
        self.latest: Snapshot | None = None
        self.link: LinkStatus = poller.status
        # replaced, never changed in place: screens read them from another thread
        self.events: list[Event] = []
        self.findings: list[Finding] = []
        self.messages: list[str] = []
        self.alarm_instances: dict[int, int] = {}
        self.recorder: Recorder | None = None
        self.client = client
        self.identity = describe(client)
        self.reread_settings()
        self.trends = Trends(trend_names(len(self.limits.band_degC)))
        poller.listeners.append(self)

    @property
    def run_folder(self) -> Path | None:
        """Where the run is being logged; None when it is not."""
        return self.recorder.folder if self.recorder else None

    # ------------------------------------------------------------------- what the poller tells

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Keep, record and judge one snapshot."""
        self.latest = snapshot
        self.trends.append(snapshot.time_s, trend_values(snapshot))
        now = snapshot.telemetry
        found = self.watch.push(
            snapshot.time_s,
            now.state,
            now.feed_position_mm,
            now.output_position_mm,
            [lane.position_mm for lane in snapshot.lanes],
        )
        if self.recorder:
            self.recorder.on_snapshot(snapshot)
        if found:
            self.findings = [*self.findings, *found]
            if self.recorder:
                self.recorder.on_findings(found)

    def on_events(self, events: Sequence[Event]) -> None:
        """Keep and record events; alarms are asked for which instances they concern."""
        self.events = [*self.events, *events][-KEPT_EVENTS:]
        if self.recorder:
            self.recorder.on_events(events)
        if any(event.code in ALARM_EVENTS for event in events):
            self.poller.call(self._read_instances)

    def on_link(self, status: LinkStatus) -> None:
        """Keep how the link does."""
        self.link = status

    # --------------------------------------------------------------------- what the user wants

    def allowed_commands(self) -> set[Command]:
        """What the head would take in the state it was last seen in."""
        if self.latest is None:
            return set()
        state = self.latest.telemetry.state
        return {command for start, command in TRANSITIONS if start == state}

    def command(self, command: Command) -> None:
        """Ask for a change of state."""
        self._ask(lambda client: client.command(command))

    def acknowledge(self, alarm_number: int | None) -> None:
        """Acknowledge that alarm; None for all."""
        mask = (1 << len(ALARMS)) - 1 if alarm_number is None else 1 << alarm_number
        self._ask(lambda client: client.acknowledge(mask))

    def set_setpoint(self, zone: int, setpoint_degC: float) -> None:
        """Ask for another setpoint; `zone` from 0."""
        self._ask(lambda client: client.write("zone.setpoint_degC", setpoint_degC, zone))

    def set_speed(self, speed_mm_s: float) -> None:
        """Ask for another feed speed."""
        self._ask(lambda client: client.write("feed.speed_mm_s", speed_mm_s))

    def say(self, line: str) -> None:
        """Put a line where the user sees it."""
        self.messages = [*self.messages, line][-KEPT_MESSAGES:]

    # --------------------------------------------------------------------------------- set-up

    def reread_settings(self) -> None:
        """Take limits and detector settings from the head; in the poller's thread or before it."""
        self.settings = read_settings(self.client)
        self.limits = read_limits(self.client)
        slip = self.client.read_block(MachineRegs, 0).expected_slip_percent / 100
        self.watch = FeedWatch(WatchSettings(expected_slip=slip))

    def record(self, folder: Path, *, live: bool, plan: dict[str, Any], **more: Any) -> None:
        """Record from now on into a new folder. Raises RunError."""
        fitted = self.client.fitted
        info = RunInfo(
            name=self.title,
            zones=fitted.zones,
            drives=fitted.drives,
            lanes=fitted.lanes,
            versions={"plylane": version("plylane")},
            head={"identity": self.identity},
            settings=self.settings,
            plan=plan,
            **more,
        )
        self.recorder = Recorder(folder, info, alarm=self.say, live=live)

    def close(self) -> None:
        """End the log with the state last seen."""
        if self.recorder:
            state = self.latest.telemetry.state if self.latest else "unknown"
            self.recorder.close(state)

    def _ask(self, work: Callable[[HeadClient], Any]) -> None:
        self.poller.call(work).add_done_callback(self._report)

    def _report(self, asked: Future[Any]) -> None:
        error = None if asked.cancelled() else asked.exception()
        if error is not None:
            self.say(str(error))

    def _read_instances(self, client: HeadClient) -> None:
        detail = client.read_blocks(AlarmDetailRegs)
        self.alarm_instances = {k: one.instances for k, one in enumerate(detail) if one.instances}


def describe(client: HeadClient) -> str:
    """Who answers, in one line: board, firmware, port."""
    who = client.identity
    text = f"{BOARD_NAMES[who.board]}, firmware {who.version}"
    return text if client.name.startswith("twin:") else f"{text}, {client.name}"


def read_settings(client: HeadClient) -> dict[str, Any]:
    """Every stored setting: a value in its unit, or a list with one an instance."""
    found: dict[str, Any] = {}
    for block in BLOCKS.values():
        if block.stored:
            for register in block.registers:
                name = f"{block.name}.{register.name}"
                values = [client.read(name, k) for k in range(block.instances)]
                found[name] = values if block.instances > 1 else values[0]
    return found


def read_limits(client: HeadClient) -> Limits:
    """The limits that the screens hold values against."""
    machine, guards = client.read_block(MachineRegs, 0), client.read_block(GuardsRegs, 0)
    zones = [client.read_block(ZoneSettingsRegs, k) for k in range(client.fitted.zones)]
    return Limits(
        mismatch_mm=guards.mismatch_limit_mm,
        lane_stall_mm=guards.lane_stall_mm,
        band_degC=tuple(zone.band_degC for zone in zones),
        over_degC=tuple(zone.over_temperature_degC for zone in zones),
        setpoint_max_degC=tuple(zone.setpoint_max_degC for zone in zones),
        speed_max_mm_s=machine.speed_max_mm_s,
    )


def new_folder(parent: Path, name: str) -> Path:
    """A run folder that does not exist yet, named by date and time (UTC)."""
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    words = "-".join("".join(c if c.isalnum() else " " for c in name.lower()).split())
    folder = parent / f"{stamp}-{words or 'run'}"
    number = 2
    while folder.exists():
        folder = parent / f"{stamp}-{words or 'run'}-{number}"
        number += 1
    return folder
