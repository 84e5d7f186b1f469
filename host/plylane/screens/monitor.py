"""Monitor: the head as it runs, and the commands to it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import cycle
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widgets import Static

from plylane.head.registers import Command, FeedRegs
from plylane.head.snapshot import Event, Snapshot
from plylane.jam.finding import Finding
from plylane.runlog.journal import Entry
from plylane.screens.choose_lane import ChooseLane
from plylane.screens.clearing import ClearingScreen
from plylane.screens.confirm import confirm_command
from plylane.screens.decide import (
    CAUTION,
    COMMAND_KEYS,
    LANE_STOPPED,
    Kind,
    LaneWatch,
    Progress,
    Said,
    Strips,
    alarm_rows,
    alarms_head,
    feed_view,
    link_says,
    needs_confirmation,
    of_zone,
    progress,
    zone_row,
)
from plylane.screens.entry import NumberEntry
from plylane.screens.help import MONITOR_KEYS, Help
from plylane.screens.pictures import Topic
from plylane.screens.source import LiveHead
from plylane.screens.widgets.alarms import AlarmHead, AlarmPanel
from plylane.screens.widgets.banner import Banner
from plylane.screens.widgets.commands import CommandBar
from plylane.screens.widgets.feed import FeedTable
from plylane.screens.widgets.heading import Heading
from plylane.screens.widgets.lanes import LaneTable
from plylane.screens.widgets.log import EventLog
from plylane.screens.widgets.trend import TrendPlot
from plylane.screens.widgets.zones import ZoneTable
from plylane.words import clock, zone_name

NUMBERS_PER_S = 8.0
PLOTS_EVERY = 4  # so two pictures a second: a trend of minutes shows no more than that
SPANS_S = (120.0, 600.0, 1800.0, 3600.0)
LONGEST_MM = 100_000.0
FRESH_TICKS = round(15 * NUMBERS_PER_S)  # how long a new message stands out


class Monitor(Screen[None]):
    """Reads the live head at a fixed low rate and hands each widget what it shows."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(e.key, f"want('{e.command.name}')", e.word, id=f"monitor.{e.word.lower()}")
            for e in COMMAND_KEYS
            if e.command not in (Command.STOP, Command.ABORT)  # the application has these
        ),
        Binding("a", "acknowledge", "Acknowledge", id="monitor.acknowledge"),
        Binding("A", "acknowledge_all", "Acknowledge all", id="monitor.acknowledge-all"),
        *(Binding(str(k + 1), f"setpoint({k})", f"Setpoint {k + 1}") for k in range(3)),
        Binding("f", "speed", "Feed speed", id="monitor.speed"),
        Binding("l", "load", "Strip put in", id="monitor.load"),
        Binding("g", "clearing", "Clear step by step", id="monitor.clearing"),
        Binding("v", "topic", "Next trend", id="monitor.topic"),
        Binding("w", "span", "Span of the trend", id="monitor.span"),
        Binding("question_mark", "help", "Help", id="monitor.help"),
    ]

    def __init__(self, live: LiveHead) -> None:
        super().__init__()
        self.live = live
        self.span_s = SPANS_S[0]
        self._spans = cycle((*SPANS_S[1:], SPANS_S[0]))
        self._lanes = LaneWatch()
        self._ticks = 0
        self._message, self._message_tick = "", 0

    def compose(self) -> ComposeResult:
        """From the top: who, state, values, alarms, commands, caution."""
        yield Heading()
        yield Banner()
        with Horizontal(id="middle"):
            with Vertical(id="heat"):
                yield ZoneTable()
                yield TrendPlot(Topic.TEMPERATURE, id="chosen")
                yield TrendPlot(Topic.OUTPUT, id="output")
            with Vertical(id="feed"):
                yield FeedTable()
                yield TrendPlot(Topic.SPEED, id="speed")
                yield TrendPlot(Topic.MISMATCH, id="mismatch")
                yield LaneTable()
        yield AlarmHead()
        with Horizontal(id="bottom"):
            yield AlarmPanel()
            yield EventLog()
        yield CommandBar()
        yield Static(CAUTION, id="caution", markup=False)

    def on_mount(self) -> None:
        """Start looking."""
        self.tick()
        self.set_interval(1.0 / NUMBERS_PER_S, self.tick)

    # ------------------------------------------------------------------- what is shown

    def tick(self) -> None:
        """One look at the live head."""
        if not self.query(Heading):
            return  # not built yet, or on the way out
        live = self.live
        snapshot, stale = live.latest, not live.link.connected
        self._show_heading()
        self._show_state(snapshot, stale)
        if snapshot is not None:
            self._show_values(snapshot, stale)
        self._show_alarms(snapshot)
        if self._ticks % PLOTS_EVERY == 0:
            self.draw_trends(snapshot)
        self._ticks += 1

    def _show_heading(self) -> None:
        heading, live = self.query_one(Heading), self.live
        heading.title = live.title
        heading.detail = live.identity
        link = link_says(live.link, live.pace)
        offered = "g clearing   " if live.clearing else ""
        heading.status = Said(f"{link.text}   {offered}? keys", link.kind)

    def _show_state(self, snapshot: Snapshot | None, stale: bool) -> None:
        done = Progress(0.0, None, None, "") if snapshot is None else progress(snapshot.telemetry)
        state = None if snapshot is None else snapshot.telemetry.state
        self.query_one(Banner).show(state, done, stale)

    def _show_values(self, snapshot: Snapshot, stale: bool) -> None:
        live, now = self.live, snapshot.telemetry
        limits = live.limits
        stopped = live.alarm_instances.get(LANE_STOPPED, 0)
        if not now.alarms_active >> LANE_STOPPED & 1:
            stopped = 0
        self.query_one(ZoneTable).rows = tuple(
            zone_row(k, zone, limits, stale) for k, zone in enumerate(snapshot.zones)
        )
        self.query_one(FeedTable).view = feed_view(now, limits, stale)
        table = self.query_one(LaneTable)
        table.limit_mm = limits.lane_stall_mm
        strips = Strips(live.strips, live.host_alarms) if live.strips else None
        table.rows = tuple(self._lanes.rows(snapshot.lanes, now, stopped, limits, stale, strips))

    def _show_alarms(self, snapshot: Snapshot | None) -> None:
        live, panel = self.live, self.query_one(AlarmPanel)
        if snapshot is not None:
            now, host = snapshot.telemetry, live.host_alarms
            panel.rows = tuple(
                alarm_rows(
                    now.alarms_active | host.active,
                    now.alarms_unacknowledged | host.unacknowledged,
                    {**live.alarm_instances, **host.instances},
                )
            )
        head = self.query_one(AlarmHead)
        head.head, head.message = alarms_head(panel.rows), self._last_message()
        self.query_one("#bottom").set_class(not panel.rows, "-quiet")
        self.query_one(EventLog).entries = log_entries(live.events, live.findings, live.journal)
        to_acknowledge = any(row.unacknowledged for row in panel.rows)
        self.query_one(CommandBar).show(live.allowed_commands(), to_acknowledge)

    def _last_message(self) -> Said:
        messages = self.live.messages
        if not messages:
            return Said("")
        if messages[-1] != self._message:
            self._message, self._message_tick = messages[-1], self._ticks
        fresh = self._ticks - self._message_tick < FRESH_TICKS
        return Said(self._message, Kind.STRONG if fresh else Kind.QUIET)

    def draw_trends(self, snapshot: Snapshot | None) -> None:
        """Draw what trends there is room for."""
        if snapshot is None:
            return
        limit = self.live.limits.mismatch_mm
        for plot in self.query(TrendPlot):
            plot.draw(self.live.trends, len(snapshot.zones), limit, self.span_s)

    # ---------------------------------------------------------------- what is asked for

    def want(self, command: Command) -> None:
        """Ask the head for a command, after a question where one is due."""
        if not needs_confirmation(command):
            self.live.command(command)
        elif command not in self.live.allowed_commands():
            self.live.command(command)  # the refusal says why; nothing to confirm
        else:
            self.app.push_screen(confirm_command(command), partial(self._confirmed, command))

    def _confirmed(self, command: Command, yes: bool | None) -> None:
        if yes:
            self.live.command(command)

    def action_want(self, name: str) -> None:
        """A command by key."""
        self.want(Command[name])

    def on_command_bar_wanted(self, event: CommandBar.Wanted) -> None:
        """A command by button."""
        self.want(event.command)

    def action_acknowledge(self) -> None:
        """Acknowledge the picked alarm."""
        if (row := self.query_one(AlarmPanel).picked) is not None:
            self.live.acknowledge(row.number)

    def on_command_bar_acknowledge_wanted(self) -> None:
        """The same by button."""
        self.action_acknowledge()

    def on_alarm_panel_acknowledge(self, event: AlarmPanel.Acknowledge) -> None:
        """The same by Enter."""
        self.live.acknowledge(event.number)

    def action_acknowledge_all(self) -> None:
        """Acknowledge every alarm."""
        self.live.acknowledge(None)

    def action_setpoint(self, zone: int) -> None:
        """Ask for a setpoint."""
        snapshot = self.live.latest
        if snapshot is None or zone >= len(snapshot.zones):
            return
        high = of_zone(self.live.limits.setpoint_max_degC, zone)
        title = f"Setpoint of zone {zone_name(zone).removeprefix('zone ')}, °C"
        entry = NumberEntry(title, snapshot.zones[zone].sp_degC, 0.0, high, "°C")
        self.app.push_screen(entry, partial(self._setpoint_given, zone))

    def _setpoint_given(self, zone: int, setpoint_degC: float | None) -> None:
        if setpoint_degC is not None:
            self.live.set_setpoint(zone, setpoint_degC)

    def action_speed(self) -> None:
        """Ask for a feed speed."""
        snapshot = self.live.latest
        if snapshot is None:
            return
        step = FeedRegs.BLOCK.register("speed_mm_s").scale
        now = snapshot.telemetry.feed_target_mm_s
        high = self.live.limits.speed_max_mm_s
        entry = NumberEntry("Feed speed, mm/s", max(now, step), step, high, "mm/s")
        self.app.push_screen(entry, self._speed_given)

    def _speed_given(self, speed_mm_s: float | None) -> None:
        if speed_mm_s is not None:
            self.live.set_speed(speed_mm_s)

    def action_load(self) -> None:
        """Ask which lane got a strip, then how long it is."""
        book = self.live.strips
        if book is None:
            self.notify("Nothing is known of strips: give the run a [run.strips] table.")
            return
        self.app.push_screen(ChooseLane(book, self.live.host_alarms), self._lane_chosen)

    def _lane_chosen(self, lane: int | None) -> None:
        book = self.live.strips
        if lane is None or book is None:
            return
        title = f"Lane {lane + 1}: length of the strip put in, mm (0: taken out again)"
        entry = NumberEntry(title, book.plan.next_mm, 0.0, LONGEST_MM, "mm")
        self.app.push_screen(entry, partial(self._strip_given, lane))

    def _strip_given(self, lane: int, length_mm: float | None) -> None:
        if length_mm is not None:
            self.live.load_strip(lane, length_mm)

    def action_clearing(self) -> None:
        """Go through the clearing step by step."""
        if self.live.clearing is None:
            self.notify("Nothing to clear: the head is not held after a finding.")
        else:
            self.app.push_screen(ClearingScreen(self.live))

    def action_topic(self) -> None:
        """The chosen trend shows the next topic."""
        chosen = self.query_one("#chosen", TrendPlot)
        topics = list(Topic)
        chosen.topic = topics[(topics.index(chosen.topic) + 1) % len(topics)]
        self.draw_trends(self.live.latest)

    def action_span(self) -> None:
        """The trends reach further back."""
        self.span_s = next(self._spans)
        self.draw_trends(self.live.latest)

    def action_help(self) -> None:
        """The keys."""
        self.app.push_screen(Help(MONITOR_KEYS))


def log_entries(
    events: Sequence[Event],
    findings: Sequence[Finding],
    journal: Sequence[Entry] = (),
    count: int = 40,
) -> tuple[Said, ...]:
    """The last events, findings and lines of the journal in one list, newest first."""
    told = [(e.time_s, Said(f"{clock(e.time_s):>7}  {e.text}")) for e in events[-count:]]
    told += [
        (f.time_s, Said(f"{clock(f.time_s):>7}  ◆ {f.says}", Kind.MEDIUM))
        for f in findings[-count:]
    ]
    told += [(e.time_s, Said(f"{clock(e.time_s):>7}  {e.sentence}")) for e in journal[-count:]]
    return tuple(said for _, said in sorted(told, key=lambda entry: -entry[0])[:count])
