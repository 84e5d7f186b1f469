"""A live run: one poller, and everybody who listens to it."""

from __future__ import annotations

import getpass
import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any

from plylane.head.client import HeadClient
from plylane.head.poller import LinkStatus, Poller
from plylane.head.registers import (
    BLOCKS,
    TRANSITIONS,
    AlarmDetailRegs,
    Board,
    Command,
    EventCode,
    GuardsRegs,
    MachineRegs,
    State,
    ZoneMode,
    ZoneSettingsRegs,
)
from plylane.head.snapshot import Event, Fitted, Snapshot, causes
from plylane.host_alarms import EVERY_HOST_ALARM, HostAlarms
from plylane.jam import FeedWatch, Finding, StripEnds, WatchSettings
from plylane.path_end import PathEnd
from plylane.plan_watch import PlanWatch
from plylane.reaction import Reaction
from plylane.run_setup import RunSetup, SetupError
from plylane.runlog import Entry, Recorder, RunInfo
from plylane.strips import STRIP_ENDS, UNDER_WAY, StripWatch, ends_text
from plylane.trends import Limits, Trends, trend_names, trend_values

if TYPE_CHECKING:
    from plylane.calibrate_run import CalibrateRun
    from plylane.clearing import Clearing
    from plylane.feed.lanes import LaneBook
    from plylane.tune_run import TuneRun

KEPT_EVENTS = 500
KEPT_MESSAGES = 50
KEPT_ENTRIES = 200
LEAVE_S = 5.0
BOARD_NAMES = {Board.ATMEGA328P: "ATmega328P", Board.TWIN: "twin"}
ALARM_EVENTS = frozenset({EventCode.ALARM_RAISED, EventCode.ALARM_CLEARED})


class LiveRun:
    """Ties poller, recorder and detector together; it is what the screens look at.

    The ``on_`` methods are called in the poller's thread; the screens only read what they leave
    behind. `command`, `acknowledge`, `set_setpoint` and `set_speed` return at once; what the head
    refuses appears in `messages`. With a `setup`, start writes it first.
    """

    def __init__(
        self,
        client: HeadClient,
        poller: Poller,
        *,
        title: str,
        pace: float = 1.0,
        setup: RunSetup | None = None,
        hold_at: float | None = None,
    ) -> None:
        """Read the head's settings; call before the poller runs.

        `hold_at`: likelihood from which a finding that spoils cord holds the feed; None: none does.
        Raises HeadError, and SetupError for strips in another number of lanes than are fitted.
        """
        self.poller = poller
        self.client = client
        self.pace = pace
        self.setup = setup
        self.latest: Snapshot | None = None
        self.link: LinkStatus = poller.status
        # replaced, never changed in place: screens read them from another thread
        self.events: list[Event] = []
        self.findings: list[Finding] = []
        self.messages: list[str] = []
        self.journal: list[Entry] = []
        self._strip_ends: list[StripEnds] = []
        self.host_alarms = HostAlarms(self.note)
        self.alarm_instances: dict[int, int] = {}
        self.recorder: Recorder | None = None
        self._tuner: TuneRun | None = None
        self._calibrator: CalibrateRun | None = None
        self._compute: ThreadPoolExecutor | None = None
        self.identity = describe(client)
        self._title = title
        self._log_trouble = False
        self._saying = Lock()
        self._record_next: Callable[[], Recorder] | None = None
        self._plan_watch: PlanWatch | None = None  # of the run log, where it keeps a plan
        self._reread_settings()
        self._learn_anew()
        self._judged_by = self.settings
        self._strips = self._strips_of(setup)
        self._reaction = Reaction(self, hold_at)
        self._path_end = PathEnd(self)
        poller.listeners.append(self)

    @property
    def title(self) -> str:
        """What is being made, and a mark while the log cannot be written."""
        return f"{self._title} (LOG NOT WRITTEN)" if self._log_trouble else self._title

    @property
    def run_folder(self) -> Path | None:
        """Where the run is being logged; None when it is not."""
        return self.recorder.folder if self.recorder else None

    # ------------------------------------------------------------------- what the poller tells

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Record, keep and judge one snapshot."""
        self._follow_fitted(snapshot)
        self._follow_settings(snapshot)
        if self.recorder:
            self.recorder.on_snapshot(snapshot)
        if self._plan_watch:
            self._keep(self._plan_watch.on_snapshot(snapshot))
        self.latest = snapshot
        self.trends.append(snapshot.time_s, trend_values(snapshot))
        if self._strips and len(snapshot.lanes) == self._strips.book.lanes:
            self._strips.on_snapshot(snapshot)
            self._tell_ends(self._strips, snapshot.time_s)
        now = snapshot.telemetry
        found = self.watch.push(
            snapshot.time_s,
            now.state,
            now.feed_position_mm,
            now.output_position_mm,
            [lane.position_mm for lane in snapshot.lanes],
            inputs=now.inputs,
            alarms=now.alarms_active,
            zones=[(zone.pv_degC, zone.sp_degC, zone.op_percent) for zone in snapshot.zones],
        )
        if found:
            self.findings = [*self.findings, *found]
            if self.recorder:
                self.recorder.on_findings(found)
        self._reaction.on_snapshot(snapshot, found)
        self._path_end.on_snapshot(snapshot)

    def _tell_ends(self, strips: StripWatch, time_s: float) -> None:
        """The detectors, and the log: a replay tells them the same before the same row."""
        for lane, ends_mm in strips.news().items():
            ends = StripEnds(time_s, lane + 1, ends_mm)
            self._strip_ends.append(ends)
            self.watch.expect(ends)
            if self.recorder:
                self.recorder.on_journal([_ends_entry(ends)])

    def on_events(self, events: Sequence[Event]) -> None:
        """Keep and record events; alarms are asked for which instances they concern."""
        self.events = [*self.events, *events][-KEPT_EVENTS:]
        if self.recorder:
            self.recorder.on_events(events)
        self._path_end.on_events(events)
        if any(event.code in ALARM_EVENTS for event in events):
            self.poller.call(self._read_instances)
        # the queue also tells of the reset before anybody listened
        if any(event.code == EventCode.HEAD_RESET and event.time_s > 0 for event in events):
            self._ask(self._after_reset)

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
        if command == Command.START and self.setup is not None:
            self._ask(self.setup.start)
        else:
            self._ask(lambda client: client.command(command))

    def acknowledge(self, alarm_number: int | None) -> None:
        """Acknowledge that alarm, of head or host; None for all that have been shown."""
        mask = EVERY_HOST_ALARM if alarm_number is None else 1 << alarm_number
        self._ask(lambda _: self.host_alarms.acknowledge(mask))
        if alarm_number is None:
            self._acknowledge_shown()
        elif not mask & EVERY_HOST_ALARM:
            self._ask(lambda client: client.acknowledge(mask))

    def _acknowledge_shown(self) -> None:
        if self.latest is not None:
            shown = self.latest.telemetry
            mask = shown.alarms_active | shown.alarms_unacknowledged
            self._ask(lambda client: client.acknowledge(mask))

    def set_setpoint(self, zone: int, setpoint_degC: float) -> None:
        """Ask for another setpoint, in automatic; 0 switches the zone off. `zone` from 0."""
        mode = ZoneMode.AUTOMATIC if setpoint_degC > 0 else ZoneMode.OFF

        def write(client: HeadClient) -> None:
            client.write("zone.setpoint_degC", setpoint_degC, zone)
            client.write("zone.mode", mode, zone)

        self._ask(write)

    def set_speed(self, speed_mm_s: float) -> None:
        """Ask for another feed speed."""
        self._ask(lambda client: client.write("feed.speed_mm_s", speed_mm_s))

    def say(self, line: str) -> None:
        """Put a line where the user sees it. From any thread."""
        with self._saying:
            self.messages = [*self.messages, line][-KEPT_MESSAGES:]

    def note(self, kind: str, text: str, lane: int | None = None) -> None:
        """Keep a line of the host's own in the journal and the run log. From any thread."""
        time_s = self.client.clock.now() - self.client.origin_s
        self._keep([Entry(time_s, kind, lane, text)])

    def _keep(self, entries: Sequence[Entry]) -> None:
        if not entries:
            return
        with self._saying:
            self.journal = [*self.journal, *entries][-KEPT_ENTRIES:]
        if self.recorder:
            self.recorder.on_journal(entries)

    # -------------------------------------------------------------------------------- clearing

    @property
    def clearing(self) -> Clearing | None:
        """What is being cleared while the head is Held after a finding; None at other times."""
        return self._reaction.clearing

    def confirm_step(self, name: str, given: bool = True) -> None:
        """A person says that this step of the clearing is done, or takes that back."""
        self._ask(lambda _: self._reaction.confirm(name, given))

    # ---------------------------------------------------------------------------------- strips

    @property
    def strips(self) -> LaneBook | None:
        """The lanes' book; None where the run's setup says nothing of strips."""
        return self._strips.book if self._strips else None

    def load_strip(self, lane: int, length_mm: float) -> None:
        """A strip of that length has been put behind the last one of a lane, counted from 0.

        0 mm: the last one that waits has been taken out again.
        """
        if self._strips is not None:
            strips = self._strips
            self._ask(lambda _: strips.load(lane, length_mm))

    def _strips_of(self, setup: RunSetup | None) -> StripWatch | None:
        if setup is None or setup.strips is None:
            return None
        lanes, told = self.client.fitted.lanes, len(setup.strips.loaded_mm)
        if told != lanes:
            raise SetupError(
                f"run.strips.loaded_mm tells of {told} lanes, the head has {lanes}: give a length"
                " for each lane"
            )
        length_mm = setup.length_mm or math.inf  # where nobody knows, strips are always wanted
        return StripWatch(
            setup.strips,
            length_mm,
            setup.speed_mm_s,
            self.host_alarms,
            self.note,
            end_sd_mm=WatchSettings().end_sd_mm,
        )

    # ---------------------------------------------------------------------------------- tuning

    def tuner(self) -> TuneRun:
        """What tunes the zones of this head; from the first call on it listens."""
        if self._tuner is None:
            from plylane.tune_run import TuneRun  # brings scipy along: not needed before

            self._compute = ThreadPoolExecutor(max_workers=1, thread_name_prefix="tuning")
            zones = self.client.fitted.zones
            self._tuner = TuneRun(
                self.poller,
                zones,
                compute=self._compute,
                folder=lambda: self.run_folder,
                head=self.identity,
            )
            self.poller.listeners.append(self._tuner)
        return self._tuner

    def calibrator(self) -> CalibrateRun:
        """What calibrates the feed of this head; from the first call on it listens."""
        if self._calibrator is None:
            from plylane.calibrate_run import CalibrateRun

            self._calibrator = CalibrateRun(
                self.poller,
                self.client.fitted.zones,
                head=self.identity,
                operator=who_is_there(),
                next_joint=lambda: self._strips.book.next_joint() if self._strips else None,
            )
            self.poller.listeners.append(self._calibrator)
        return self._calibrator

    def leave_tuning(self) -> None:
        """End what tuning and calibration are at, so that zones get back their modes and rollers
        stand; the poller still runs.
        """
        until_s = time.monotonic() + LEAVE_S
        for engine in (self._tuner, self._calibrator):
            if engine is None:
                continue
            engine.stop()
            while engine.busy and time.monotonic() < until_s:
                time.sleep(0.02)

    # --------------------------------------------------------------------------------- set-up

    def record(self, folder: Path, *, live: bool, plan: dict[str, Any], **more: Any) -> None:
        """Record from now on into a new folder. Raises RunError.

        `more` goes into the run's description. When the head comes back from a reset with other
        parts fitted, or a run starts after its settings were changed, recording goes on in a new
        folder beside this one: a log has one set of settings.
        """

        def begin(into: Path) -> Recorder:
            run = self._describe_run(plan, more)
            recorder = Recorder(into, run, alarm=self._log_says, live=live)
            recorder.on_journal([_ends_entry(ends) for ends in self._strip_ends])
            self._plan_watch = (
                PlanWatch(plan["cord"], zones=run.zones, lanes=run.lanes)
                if "cord" in plan
                else None
            )
            return recorder

        self.recorder = begin(folder)
        self.recorder.on_journal(self.journal)  # what was told before there was a log
        self._record_next = lambda: begin(beside(folder))

    def _describe_run(self, plan: dict[str, Any], more: dict[str, Any]) -> RunInfo:
        fitted, who = self.client.fitted, self.client.identity
        return RunInfo(
            name=self._title,
            zones=fitted.zones,
            drives=fitted.drives,
            lanes=fitted.lanes,
            versions={"plylane": version("plylane")},
            head={
                "identity": self.identity,
                "map_hash": f"{who.map_hash:08x}",
                "reset_cause": causes(who.reset_cause),
                "settings_sequence": who.settings_sequence,
            },
            settings=self.settings,
            plan=plan,
            **more,
        )

    def _log_says(self, line: str) -> None:
        self._log_trouble = not self._log_trouble  # told once when it begins, once when it is over
        self.say(line)

    def _reread_settings(self) -> None:
        """Take settings and limits from the head; in the poller's thread or before it."""
        self._writes_seen = self.client.settings_writes
        self.settings = read_settings(self.client)
        self.limits = read_limits(self.client)

    def _learn_anew(self) -> None:
        """Detectors and trends that know nothing of before."""
        self._fitted = self.client.fitted
        self.trends = Trends(trend_names(self._fitted.zones))
        self.watch = self._fresh_watch()

    def _fresh_watch(self) -> FeedWatch:
        slip = self.settings["machine.expected_slip_percent"] / 100
        return FeedWatch(WatchSettings(expected_slip=slip, strip_ends=tuple(self._strip_ends)))

    def _follow_fitted(self, snapshot: Snapshot) -> None:
        """Begin anew where the head now shows other parts than it did."""
        shown = Fitted(len(snapshot.zones), len(snapshot.drives), len(snapshot.lanes))
        if shown == self._fitted:
            return
        self._reread_settings()
        self._learn_anew()
        self._log_anew("Other parts are fitted now", "head reset")

    def _follow_settings(self, snapshot: Snapshot) -> None:
        """Take up settings that were written meanwhile, by calibrating or tuning, once that is
        done. A run that starts with others than the last one is judged anew, and in its own log:
        so a replay judges it by the same ones.
        """
        engines = (self._tuner, self._calibrator)
        if self._writes_seen != self.client.settings_writes and not any(
            engine is not None and engine.busy for engine in engines
        ):
            self._writes_seen = self.client.settings_writes
            self._ask(lambda _: self._reread_settings())
        before = self.latest.telemetry.state if self.latest else None
        starts = snapshot.telemetry.state in UNDER_WAY and before not in UNDER_WAY
        if starts and self.settings != self._judged_by:
            self.watch = self._fresh_watch()
            self._log_anew("Settings were changed", before.name.lower() if before else "unknown")

    def _log_anew(self, why: str, ended: str) -> None:
        """Go on in a log of its own, with the settings as they are now."""
        self._judged_by = self.settings
        if self.recorder and self._record_next:
            self._end_log(self.recorder, ended)
            self.recorder = self._record_next()
            self.say(f"{why}; the log goes on in {self.recorder.folder}.")

    def _after_reset(self, client: HeadClient) -> None:
        self._reread_settings()
        self._learn_anew()
        self.say(f"The head was reset ({causes(client.identity.reset_cause)}): zones are off.")

    def close(self) -> None:
        """End the log with the state last seen."""
        if self._compute is not None:
            self._compute.shutdown(wait=False, cancel_futures=True)
        if self.recorder:
            state = self.latest.telemetry.state if self.latest else "unknown"
            self._end_log(self.recorder, state)

    def _end_log(self, recorder: Recorder, state: State | str) -> None:
        """With how the run departed from its plan, as far as that was not told yet."""
        watch, self._plan_watch = self._plan_watch, None
        if watch:
            self._keep(watch.close())
        recorder.close(state)

    def _ask(self, work: Callable[[HeadClient], Any]) -> None:
        self.poller.call(work).add_done_callback(self._report)

    def _report(self, asked: Future[Any]) -> None:
        error = None if asked.cancelled() else asked.exception()
        if error is not None:
            self.say(str(error))

    def _read_instances(self, client: HeadClient) -> None:
        detail = client.read_blocks(AlarmDetailRegs)
        self.alarm_instances = {k: one.instances for k, one in enumerate(detail) if one.instances}


def _ends_entry(ends: StripEnds) -> Entry:
    return Entry(ends.from_s, STRIP_ENDS, ends.lane, ends_text(ends.ends_mm))


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
            rows = [
                client.read_registers(block.space, block.address_of(k), block.words)
                for k in range(block.instances)
            ]
            for register in block.registers:
                at = register.address - block.address
                values = [register.decode(row[at : at + register.words]) for row in rows]
                name = f"{block.name}.{register.name}"
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


def who_is_there() -> str:
    """The user's name on this computer; empty where it has none, as in a container."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return ""


def new_folder(parent: Path, name: str) -> Path:
    """A run folder that does not exist yet, named by date and time (UTC)."""
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    words = "-".join("".join(c if c.isalnum() else " " for c in name.lower()).split())
    folder = parent / f"{stamp}-{words or 'run'}"
    return beside(folder) if folder.exists() else folder


def beside(folder: Path) -> Path:
    """A folder of that name and a number that does not exist yet."""
    number = 2
    while (other := folder.with_name(f"{folder.name}-{number}")).exists():
        number += 1
    return other
