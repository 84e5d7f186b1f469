"""An invented run of the pendant-lamp head, for the screens: no head, no twin, no file."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.clearing import Cause, Clearing, Stand
from plylane.feed.lanes import LaneBook
from plylane.feed.strip_plan import StripPlan
from plylane.head.registers import (
    Command,
    DriveTelemetryRegs,
    EventCode,
    Inputs,
    LaneTelemetryRegs,
    State,
    Status,
    TelemetryRegs,
    TrimState,
    ZoneMode,
    ZoneTelemetryRegs,
)
from plylane.head.snapshot import Event, Snapshot
from plylane.host_alarms import JOINTS_CLOSE, STRIP_ENDS_SOON, STRIP_OUT, HostAlarms
from plylane.jam import WatchSettings
from plylane.jam.finding import Finding
from plylane.overview import Overview
from plylane.runlog import Entry
from plylane.trends import Limits, Trends, trend_names, trend_values

SPEED_MM_S = 14.0
LENGTH_MM = 3000.0
START_S, FEED_S, JAM_S, HELD_S, UNHOLD_S, AGAIN_S = 4.0, 150.0, 236.0, 238.0, 260.0, 290.0
LANE_STOPPED, UNDER_TEMPERATURE, OVER_TEMPERATURE = 11, 7, 0

FINDING = Finding(
    "strip_stuck",
    237.0,
    3,
    11.6,
    {"onset_s": 236.1, "statistic_mm": 9.4, "threshold_mm": 8.0, "away_from_median_mm": -11.2},
)

SOONER = Finding("strip_stuck", 236.6, 3, 4.9, {"onset_s": 236.1, "likelihood": 0.98})
OUTPUT_WHEEL = Finding("output_wheel_dirty", 372.0, None, 6.1, {"rate_percent": 3.1})


def state_at(time_s: float) -> State:
    """The state of the invented run."""
    feeding_again = AGAIN_S + (LENGTH_MM / SPEED_MM_S - (JAM_S - FEED_S))
    turns = (
        (START_S, State.IDLE),
        (FEED_S, State.STARTING),
        (HELD_S - 1.0, State.EXECUTE),
        (HELD_S, State.HOLDING),
        (UNHOLD_S, State.HELD),
        (AGAIN_S, State.UNHOLDING),
        (feeding_again, State.EXECUTE),
        (feeding_again + 1.0, State.COMPLETING),
    )
    return next((state for until, state in turns if time_s < until), State.COMPLETE)


def fed_at(time_s: float) -> float:
    """Fed length, mm."""
    first = np.clip(time_s - FEED_S, 0.0, JAM_S + 1.0 - FEED_S)
    again = np.clip(time_s - AGAIN_S, 0.0, 1e9)
    return float(min(LENGTH_MM, SPEED_MM_S * (first + again)))


def pv_at(zone: int, time_s: float) -> float:
    """A block warming up with its time constant, waving a little about the setpoint."""
    goal, tau = ((110.0, 38.0), (95.0, 30.0))[zone]
    warm = goal - (goal - 22.0) * np.exp(-max(0.0, time_s - START_S) / tau)
    cooled = 22.0 * np.exp(-((time_s - 262.0) ** 2) / 300.0) if time_s > HELD_S else 0.0
    return float(warm - cooled + 0.25 * np.sin(time_s / 5.0 + zone) * (time_s > FEED_S))


def status_of(state: State, feeding: bool) -> Status:
    """What the head is doing: cold on the stop and abort side, else its zones may heat."""
    cold = state in (State.STOPPED, State.STOPPING, State.ABORTING, State.ABORTED, State.CLEARING)
    heat = Status(0) if cold else Status.HEATERS_ENABLED
    return heat | (Status.MOVING if feeding else Status(0))


def snapshot_at(
    time_s: float,
    *,
    state: State | None = None,
    active: int = 0,
    unacknowledged: int = 0,
    lanes: int = 5,
    zones: int = 2,
    mismatch_mm: float | None = None,
) -> Snapshot:
    """The invented head at a time."""
    state = state_at(time_s) if state is None else state
    feeding = state is State.EXECUTE
    fed = fed_at(time_s)
    stuck = 0.0 if time_s < JAM_S else min(11.6, SPEED_MM_S * (time_s - JAM_S)) if feeding else 11.6
    wave = 0.4 * np.sin(time_s / 3.0)
    telemetry = TelemetryRegs(
        head_ms=int(time_s * 1000),
        state=state,
        inputs=Inputs.PERMIT_GIVEN,
        status=status_of(state, feeding),
        alarms_active=active,
        alarms_unacknowledged=unacknowledged,
        events_waiting=0,
        events_lost=0,
        refused_count=0,
        feed_position_mm=fed,
        feed_speed_mm_s=SPEED_MM_S if feeding else 0.0,
        feed_target_mm_s=SPEED_MM_S if feeding else 0.0,
        length_to_go_mm=LENGTH_MM - fed,
        output_position_mm=0.985 * fed,
        output_speed_mm_s=float(0.985 * SPEED_MM_S + 0.1 * wave) if feeding else 0.0,
        mismatch_mm=float(0.6 * wave + 0.3 * stuck) if mismatch_mm is None else mismatch_mm,
        trim_ppm=0,
        pulse_overruns=0,
        laid_mm=0.985 * fed,
        length_error_mm=0.015 * fed,
        trim_state=TrimState.FIXED,
    )
    offsets = (0.5, -0.3, 0.0, 1.2, -0.9, 0.2, 0.1, -0.4)
    return Snapshot(
        time_s,
        telemetry,
        tuple(DriveTelemetryRegs(int(fed * 50.93)) for _ in range(3)),
        tuple(zone_at(k, time_s, state) for k in range(zones)),
        tuple(
            LaneTelemetryRegs(max(0.0, 0.99 * fed + offsets[k] * (fed > 0) - stuck * (k == 2)))
            for k in range(lanes)
        ),
    )


def zone_at(zone: int, time_s: float, state: State) -> ZoneTelemetryRegs:
    """PV, SP and OP of a zone (the third repeats the second)."""
    zone = min(zone, 1)
    goal = 60.0 if state is State.HELD else (110.0, 95.0)[zone]
    pv = pv_at(zone, time_s)
    op = float(np.clip(30.0 + 6.0 * (goal - pv), 0.0, 100.0))
    return ZoneTelemetryRegs(pv, goal, op, ZoneMode.AUTOMATIC)


@dataclass
class FakeLink:
    """A link that does as told."""

    connected: bool = True
    text: str = "twin, in this program"
    polls_per_s: float = 50.0


def events_of(*told: tuple[float, EventCode, int]) -> list[Event]:
    """Events from time, code and argument."""
    return [
        Event(k, code, argument, int(time_s * 1000), time_s)
        for k, (time_s, code, argument) in enumerate(told, start=1)
    ]


EVENTS = events_of(
    (0.4, EventCode.HEAD_RESET, 1),
    (START_S, EventCode.STATE_ENTERED, State.STARTING),
    (FEED_S, EventCode.STATE_ENTERED, State.EXECUTE),
)
JAM_EVENTS = events_of(
    (237.0, EventCode.ALARM_RAISED, LANE_STOPPED << 8 | 2),
    (237.0, EventCode.STATE_ENTERED, State.HOLDING),
    (HELD_S, EventCode.STATE_ENTERED, State.HELD),
)


@dataclass
class FakeHead:
    """Notes down what it is asked for."""

    latest: Snapshot | None = None
    link: FakeLink = field(default_factory=FakeLink)
    title: str = "pendant lamp rib"
    identity: str = "twin, firmware 0.1.0"
    run_folder: Path | None = None
    pace: float = 1.0
    limits: Limits = field(default_factory=Limits)
    trends: Trends = field(default_factory=lambda: Trends(trend_names(2)))
    events: list[Event] = field(default_factory=lambda: list(EVENTS))
    findings: list[Finding] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)
    alarm_instances: Mapping[int, int] = field(default_factory=dict)
    host_alarms: HostAlarms = field(default_factory=HostAlarms)
    journal: list[Entry] = field(default_factory=list)
    strips: LaneBook | None = None
    clearing: Clearing | None = None
    allowed: set[Command] = field(default_factory=lambda: {Command.HOLD, Command.STOP})
    asked: list[tuple[Any, ...]] = field(default_factory=list)

    def allowed_commands(self) -> set[Command]:
        return self.allowed

    def command(self, command: Command) -> None:
        self.asked.append(("command", command))

    def acknowledge(self, alarm_number: int | None) -> None:
        self.asked.append(("acknowledge", alarm_number))

    def set_setpoint(self, zone: int, setpoint_degC: float) -> None:
        self.asked.append(("setpoint", zone, setpoint_degC))

    def set_speed(self, speed_mm_s: float) -> None:
        self.asked.append(("speed", speed_mm_s))

    def load_strip(self, lane: int, length_mm: float) -> None:
        self.asked.append(("strip", lane, length_mm))

    def confirm_step(self, name: str, given: bool = True) -> None:
        self.asked.append(("step", name, given))


def head_at(time_s: float, **how: Any) -> FakeHead:
    """A live with its trends filled up to a time."""
    zones = how.get("zones", 2)
    live = FakeHead(trends=Trends(trend_names(zones)))
    for t in np.arange(max(0.0, time_s - 130.0), time_s, 0.2):
        live.trends.append(float(t), trend_values(snapshot_at(float(t), zones=zones)))
    live.latest = snapshot_at(time_s, **how)
    live.trends.append(time_s, trend_values(live.latest))
    return live


def running() -> FakeHead:
    """Feeding, nothing wrong."""
    return head_at(221.0)


def with_strips(*, out: bool = False) -> FakeHead:
    """Feeding, strips known: lane 3 asks for the next one, lane 5 has just got it."""
    live = running()
    assert live.latest is not None
    plan = StripPlan(
        loaded_mm=[2310.0, 1740.0, 1180.0, 2200.0, 1030.0],
        next_mm=2400.0,
        wheel_to_nozzle_mm=150.0,
        pitch_mm=0.5,
        stagger_mm=200.0,
    )
    live.strips = LaneBook(plan, LENGTH_MM)
    live.strips.load(4, 2400.0)
    now = live.latest
    lanes_mm = [lane.position_mm for lane in now.lanes]
    live.strips.advance(lanes_mm, now.telemetry.output_position_mm)
    live.host_alarms.show({STRIP_ENDS_SOON: 1 << 2, STRIP_OUT: out * 1 << 1, JOINTS_CLOSE: 0})
    live.journal = [Entry(205.0, "strip_loaded", 5, "strip of 2400 mm put in behind 255 mm")]
    return live


def jammed() -> FakeHead:
    """Held after lane 3 stopped; a second alarm has been acknowledged."""
    live = head_at(
        240.0,
        active=1 << LANE_STOPPED | 1 << UNDER_TEMPERATURE,
        unacknowledged=1 << LANE_STOPPED,
    )
    live.alarm_instances = {LANE_STOPPED: 1 << 2, UNDER_TEMPERATURE: 1 << 1}
    live.allowed = {Command.UNHOLD, Command.STOP}
    live.events += JAM_EVENTS
    live.findings = [FINDING]
    live.messages = ["Unhold refused: alarm standing."]
    return live


def to_clear(*confirmed: str, turned: bool = False, calm: bool = False) -> FakeHead:
    """Held after lane 3 stuck, being cleared; `turned`: its wheel was; `calm`: no alarm waits."""
    live = jammed()
    now = live.latest
    assert now is not None
    cause = Cause(FINDING.kind, FINDING.lane, FINDING.lost_mm, FINDING.text, 236.1)
    lanes_mm = tuple(lane.position_mm - 6.0 * turned * (k == 2) for k, lane in enumerate(now.lanes))
    laid_mm = now.telemetry.output_position_mm
    stand = Stand(cause, HELD_S, laid_mm - 12.4, laid_mm, lanes_mm)
    live.clearing = Clearing(stand, frozenset(confirmed))
    if calm:
        live.latest = snapshot_at(240.0)
    return live


@cache
def whole_run() -> list[Snapshot]:
    """Ten snapshots a second."""
    return [snapshot_at(0.1 * k) for k in range(4400)]


@dataclass
class FakeRows:
    """Columns in memory, read as a run is."""

    columns: dict[str, NDArray[Any]]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self.columns)

    @property
    def rows(self) -> int:
        return len(self.columns["time_s"])

    def chunks(
        self, names: Iterable[str], rows: int = 6400, first: int = 0, stop: int | None = None
    ) -> Iterator[dict[str, NDArray[Any]]]:
        stop = self.rows if stop is None else min(stop, self.rows)
        for begin in range(first, stop, rows):
            end = min(begin + rows, stop)
            yield {name: self.columns[name][begin:end] for name in names}


class FakeRecording:
    """The whole invented run, ten rows a second."""

    def __init__(self, torn: str | None = None, until_s: float = 440.0) -> None:
        self.name = "run-0007"
        self.remarks = [f"The log is torn: {torn}"] if torn else []
        self.otherwise: str | None = None
        self.going_on = False
        self.info: dict[str, Any] = {"name": "pendant lamp rib", "end": {"state": "complete"}}
        self.events = [*EVENTS, *JAM_EVENTS]
        self.journal = [
            Entry(205.0, "strip_loaded", 5, "strip of 2400 mm put in behind 255 mm"),
            Entry(251.0, "writer_taken", None, "192.0.2.7 port 40000 writes"),
        ]
        self.settings = WatchSettings()
        self.findings = [FINDING] if until_s > FINDING.time_s else []
        self.found_again: list[Finding] = [SOONER, OUTPUT_WHEEL]
        self.judged_with: list[WatchSettings] = []
        self.hold = threading.Event()  # cleared: judging waits for it
        self.hold.set()
        shots = [shot for shot in whole_run() if shot.time_s < until_s - 0.05]
        self.columns: dict[str, NDArray[Any]] = {
            "time_s": np.array([shot.time_s for shot in shots]),
            "state": np.array([int(s.telemetry.state) for s in shots]),
        }
        for name in (
            "feed_speed_mm_s", "output_speed_mm_s", "mismatch_mm",
            "output_position_mm", "length_to_go_mm",
        ):  # fmt: skip
            values = [getattr(s.telemetry, name) for s in shots]
            self.columns[name] = np.array(values, dtype=np.float64)
        for k in range(2):
            for what in ("pv_degC", "sp_degC", "op_percent"):
                name = f"zone{k + 1}_{what}"
                self.columns[name] = np.array([getattr(s.zones[k], what) for s in shots])
        for k in range(5):
            name = f"lane{k + 1}_position_mm"
            self.columns[name] = np.array([s.lanes[k].position_mm for s in shots])

    @property
    def time_s(self) -> NDArray[np.float64]:
        return self.columns["time_s"]

    @cached_property
    def overview(self) -> Overview:
        rows = FakeRows(self.columns)
        overview = Overview(rows)
        for part in rows.chunks(overview.names):
            overview.take(part)
        return overview

    def judge(
        self, settings: WatchSettings, done: Callable[[int, int], None] = lambda *_: None
    ) -> list[Finding]:
        self.judged_with.append(settings)
        done(2200, 4400)
        self.hold.wait(20.0)
        done(4400, 4400)
        return self.found_again
