"""What a value says on a screen: its words and how they are set off.

Plain functions; none needs a screen. Colour follows `Kind`, and whatever has a colour has a
word or a symbol of its own too (ISA-101 practice: grey unless abnormal, never colour alone).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median
from typing import NamedTuple

from plylane.head.registers import (
    ALARMS,
    Command,
    LaneTelemetryRegs,
    State,
    Status,
    TelemetryRegs,
    ZoneMode,
    ZoneTelemetryRegs,
)
from plylane.head.wire import Alarm
from plylane.screens.source import Limits, LinkStatus

NO_READING_DEGC = -273.15  # a PV below absolute zero stands for a sensor that cannot be read
LANE_STOPPED = next(a.number for a in ALARMS if a.name == "lane_stopped")


class Kind(StrEnum):
    """How a text is set off."""

    NORMAL = "normal"
    QUIET = "quiet"
    STRONG = "strong"
    STALE = "stale"
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class Said(NamedTuple):
    """A text and how it is set off."""

    text: str
    kind: Kind = Kind.NORMAL


# ------------------------------------------------------------------------------------ state

AT_REST = frozenset({State.STOPPED, State.IDLE, State.COMPLETE, State.ABORTED})

_SENTENCES = {
    State.CLEARING: "Clearing what made the head abort.",
    State.STOPPED: "At rest. Reset makes the head ready for a run.",
    State.STARTING: "Bringing the zones to their setpoints; feeding follows by itself.",
    State.IDLE: "Ready. Start heats the zones, then feeds.",
    State.EXECUTE: "Feeding.",
    State.STOPPING: "Bringing the feed to rest to end the run.",
    State.ABORTING: "Aborting: feed and heat go off.",
    State.ABORTED: "Aborted. Find the cause, make safe, then clear.",
    State.HOLDING: "Bringing the feed to rest.",
    State.HELD: "Feed at rest, zones at standby. Unhold goes on.",
    State.UNHOLDING: "Bringing the zones back to their setpoints; feeding follows.",
    State.RESETTING: "Getting ready.",
    State.COMPLETING: "Length reached; coming to rest.",
    State.COMPLETE: "Run complete. Reset makes the head ready for the next.",
}

_STATE_KINDS = {
    State.HOLDING: Kind.MEDIUM,
    State.HELD: Kind.MEDIUM,
    State.ABORTING: Kind.HIGH,
    State.ABORTED: Kind.HIGH,
}

_WAYS = (
    (State.IDLE, State.STARTING, State.EXECUTE, State.COMPLETING, State.COMPLETE),
    (State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING, State.EXECUTE),
    (State.STOPPING, State.STOPPED, State.RESETTING, State.IDLE),
    (State.ABORTING, State.ABORTED, State.CLEARING, State.STOPPED),
)


def state_word(state: State) -> str:
    """The state's name, e.g. "Execute"."""
    return state.name.capitalize()


def spaced(word: str) -> str:
    """Capitals set wide, to be read from afar."""
    return " ".join(word.upper())


def state_kind(state: State) -> Kind:
    """Held and Aborted are abnormal, the rest is not."""
    return _STATE_KINDS.get(state, Kind.NORMAL)


def state_sentence(state: State) -> str:
    """What the head is doing and what comes next, in one sentence."""
    return _SENTENCES[state]


def state_way(state: State) -> list[tuple[str, bool]]:
    """The leg of the state model that the head is on: names, and which one is now."""
    way = next(way for way in _WAYS if state in way)
    here = way.index(state)
    return [(state_word(s), k == here) for k, s in enumerate(way)]


def run_is_active(state: State | None) -> bool:
    """Whether somebody who leaves now would leave a run behind."""
    return state is not None and state not in AT_REST


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is: `share` 0 to 1, or None where no length was set."""

    laid_mm: float
    to_go_mm: float | None
    share: float | None
    left: str


def progress(now: TelemetryRegs) -> Progress:
    """Cord laid and length to go."""
    laid, to_go = now.output_position_mm, now.length_to_go_mm
    whole = now.feed_position_mm + to_go
    if to_go <= 0.0 and now.state is not State.COMPLETE:
        return Progress(laid, None, None, "")
    share = 1.0 if whole <= 0.0 else min(1.0, max(0.0, now.feed_position_mm / whole))
    return Progress(laid, to_go, share, _time_left(now))


def _time_left(now: TelemetryRegs) -> str:
    if now.state is not State.EXECUTE or now.feed_speed_mm_s < 0.1:
        return ""
    return f"{duration(now.length_to_go_mm / now.feed_speed_mm_s)} left"


def bar(share: float, width: int) -> str:
    """A progress bar of `width` characters."""
    full = round(min(1.0, max(0.0, share)) * width)
    return "━" * full + "┄" * (width - full)


def progress_line(done: Progress, width: int) -> str:
    """Laid, bar and to go in `width` characters."""
    laid = f"laid {done.laid_mm:.1f} mm"
    if done.share is None or done.to_go_mm is None:
        return laid
    tail = f"{100 * done.share:.0f} %  to go {done.to_go_mm:.1f} mm"
    if done.left and len(laid) + len(tail) + len(done.left) + 16 <= width:
        tail = f"{tail}, {done.left}"
    room = width - len(laid) - len(tail) - 4
    return f"{laid}  {bar(done.share, room)}  {tail}" if room >= 4 else f"{laid}, {tail}"


# ------------------------------------------------------------------------------------- link


def link_says(link: LinkStatus, pace: float) -> Said:
    """Link and pace, for the top line."""
    if not link.connected:
        return Said(f"✕ no link: {link.text}", Kind.HIGH)
    times = "" if pace == 1.0 else f"  × {pace:g} real time"
    return Said(f"link {link.polls_per_s:.0f}/s{times}", Kind.QUIET)


# ------------------------------------------------------------------------------------ zones

_ZONE_NAMES = ("1 guide", "2 nip")


def zone_name(zone: int) -> str:
    """Name on the screens; `zone` from 0."""
    return _ZONE_NAMES[zone] if zone < len(_ZONE_NAMES) else f"zone {zone + 1}"


@dataclass(frozen=True, slots=True)
class ZoneRow:
    """A zone as shown."""

    name: str
    pv: Said
    sp: Said
    op: Said
    word: Said


def of_zone(numbers: tuple[float, ...], zone: int) -> float:
    """The number for that zone (from 0); the last one for zones beyond the end."""
    return numbers[min(zone, len(numbers) - 1)]


def zone_row(zone: int, regs: ZoneTelemetryRegs, limits: Limits, stale: bool = False) -> ZoneRow:
    """PV, SP, OP of a zone and a word on how it does; `zone` from 0."""
    word = zone_word(zone, regs, limits)
    kind = Kind.STALE if stale else (word.kind if word.kind is Kind.HIGH else Kind.NORMAL)
    readable = regs.pv_degC > NO_READING_DEGC
    off = regs.mode is ZoneMode.OFF
    sp = Said("-", Kind.QUIET) if off else Said(f"{regs.sp_degC:.1f}", _stale(stale))
    return ZoneRow(
        name=zone_name(zone),
        pv=Said(f"{regs.pv_degC:.1f}" if readable else "?", kind),
        sp=sp,
        op=Said(f"{regs.op_percent:.0f}", _stale(stale)),
        word=Said(word.text, Kind.STALE) if stale else word,
    )


def _stale(stale: bool) -> Kind:
    return Kind.STALE if stale else Kind.NORMAL


def zone_word(zone: int, regs: ZoneTelemetryRegs, limits: Limits) -> Said:
    """One word on how a zone does."""
    if regs.pv_degC <= NO_READING_DEGC:
        return Said("✕ no reading", Kind.HIGH)
    if regs.pv_degC >= of_zone(limits.over_degC, zone):
        return Said("▲ too hot", Kind.HIGH)
    if regs.mode is not ZoneMode.AUTOMATIC:
        return Said(regs.mode.name.lower(), Kind.QUIET)
    away = regs.pv_degC - regs.sp_degC
    if abs(away) <= of_zone(limits.band_degC, zone):
        return Said("at setpoint", Kind.QUIET)
    return Said("warming" if away < 0 else "cooling")


# ------------------------------------------------------------------------------------- feed


def gauge(value: float, limit: float, width: int) -> str:
    """A scale from -limit to +limit with a mark at the value; beyond it the mark is an arrow.

    It has a middle, so an odd number of characters; none where there is no room for a scale.
    """
    if width < 5:
        return ""
    width -= 1 - width % 2
    cells = ["─"] * width
    middle = width // 2
    cells[0], cells[middle], cells[-1] = "├", "┼", "┤"
    if abs(value) > limit:
        cells[-1 if value > 0 else 0] = "▶" if value > 0 else "◀"
    else:
        cells[middle + round(value / limit * middle)] = "●"
    return "".join(cells)


@dataclass(frozen=True, slots=True)
class FeedView:
    """Feed against output, as shown."""

    feed: str
    target: str
    output: str
    difference: str
    mismatch: Said
    limit: str
    share: float
    word: Said


def feed_view(now: TelemetryRegs, limits: Limits, stale: bool = False) -> FeedView:
    """Feed and output speed, their difference, and the mismatch against its limit."""
    word = mismatch_word(now.mismatch_mm, limits.mismatch_mm)
    kind = Kind.STALE if stale else word.kind
    return FeedView(
        feed=f"{now.feed_speed_mm_s:.2f}",
        target=f"{now.feed_target_mm_s:.2f}",
        output=f"{now.output_speed_mm_s:.2f}",
        difference=f"{now.feed_speed_mm_s - now.output_speed_mm_s:+.2f}",
        mismatch=Said(f"{now.mismatch_mm:+.2f}", Kind.NORMAL if kind is Kind.QUIET else kind),
        limit=f"{limits.mismatch_mm:.1f}",
        share=now.mismatch_mm / limits.mismatch_mm,
        word=Said(word.text, kind),
    )


def mismatch_word(mismatch_mm: float, limit_mm: float) -> Said:
    """A word on the mismatch: from half the limit on somebody should look."""
    share = abs(mismatch_mm) / limit_mm
    if share >= 1.0:
        return Said("▲ past limit", Kind.HIGH)
    if share >= 0.5:
        return Said("◆ growing", Kind.MEDIUM)
    return Said("within", Kind.QUIET)


# ------------------------------------------------------------------------------------ lanes


@dataclass(frozen=True, slots=True)
class LaneRow:
    """A lane as shown; `away_mm` is its position less the median lane's."""

    name: str
    position: Said
    away: Said
    away_mm: float
    word: Said


class LaneWatch:
    """Remembers how far the lanes ran since each last moved, to say which one lags.

    It only chooses words for the screen; the head's own guard raises the alarm.
    """

    def __init__(self) -> None:
        self._seen: list[float] = []
        self._median_at: list[float] = []

    def rows(
        self,
        lanes: Sequence[LaneTelemetryRegs],
        now: TelemetryRegs,
        stopped: int,
        limits: Limits,
        stale: bool = False,
    ) -> list[LaneRow]:
        """A row a lane; `stopped` has a bit for each lane whose alarm stands."""
        positions = [lane.position_mm for lane in lanes]
        middle = median(positions) if positions else 0.0
        self._note(positions, middle)
        moving = bool(now.status & Status.MOVING)
        rows = [
            self._row(k, position, middle, moving, bool(stopped >> k & 1), limits)
            for k, position in enumerate(positions)
        ]
        return [_gone_stale(row) for row in rows] if stale else rows

    def _note(self, positions: list[float], middle: float) -> None:
        restarted = len(positions) != len(self._seen) or any(
            new < old - 100.0 for new, old in zip(positions, self._seen, strict=True)
        )
        if restarted:
            self._seen, self._median_at = list(positions), [middle] * len(positions)
            return
        for k, position in enumerate(positions):
            if position != self._seen[k]:
                self._seen[k], self._median_at[k] = position, middle

    def _row(
        self, k: int, position: float, middle: float, moving: bool, stopped: bool, limits: Limits
    ) -> LaneRow:
        since = middle - self._median_at[k]
        return LaneRow(
            name=str(k + 1),
            position=Said(f"{position:.1f}"),
            away=Said(f"{position - middle:+.1f}"),
            away_mm=position - middle,
            word=lane_word(moving, stopped, since, limits.lane_stall_mm),
        )


def _gone_stale(row: LaneRow) -> LaneRow:
    """The row, its figures marked as old."""
    position, away, word = (
        Said(said.text, Kind.STALE) for said in (row.position, row.away, row.word)
    )
    return replace(row, position=position, away=away, word=word)


def lane_word(moving: bool, stopped: bool, others_ran_mm: float, stall_mm: float) -> Said:
    """A word on a lane: `others_ran_mm` is how far the median lane ran since this one moved."""
    if stopped:
        return Said("▲ stopped", Kind.HIGH)
    if not moving:
        return Said("at rest", Kind.QUIET)
    if others_ran_mm >= stall_mm / 2:
        return Said("◆ lags", Kind.MEDIUM)
    return Said("runs", Kind.QUIET)


# ----------------------------------------------------------------------------------- alarms

_PRIORITY = {
    "high": ("▲ high", Kind.HIGH),
    "medium": ("◆ medium", Kind.MEDIUM),
    "low": ("▽ low", Kind.LOW),
}
_RANK = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """An alarm as shown. The state words are those of ISA-18.2: active or returned to normal,
    acknowledged or not."""

    number: int
    priority: Said
    text: str
    state: str
    unacknowledged: bool
    meaning: str
    remedy: str


def alarm_rows(active: int, unacknowledged: int, instances: Mapping[int, int]) -> list[AlarmRow]:
    """The alarms to show: unacknowledged first, then by priority."""
    shown = [alarm for alarm in ALARMS if (active | unacknowledged) >> alarm.number & 1]
    rows = [_alarm_row(a, active, unacknowledged, instances.get(a.number, 0)) for a in shown]
    rank = {alarm.number: _RANK[alarm.priority] for alarm in shown}
    return sorted(rows, key=lambda row: (not row.unacknowledged, rank[row.number], row.number))


def _alarm_row(alarm: Alarm, active: int, unacknowledged: int, instances: int) -> AlarmRow:
    waits = bool(unacknowledged >> alarm.number & 1)
    return AlarmRow(
        number=alarm.number,
        priority=Said(*_PRIORITY[alarm.priority]),
        text=alarm_text(alarm, instances),
        state=alarm_state(bool(active >> alarm.number & 1), waits),
        unacknowledged=waits,
        meaning=alarm.doc,
        remedy=alarm.remedy,
    )


def alarm_text(alarm: Alarm, instances: int) -> str:
    """Name of the alarm and whom it concerns, e.g. "lane stopped: lane 3"."""
    name = alarm.name.replace("_", " ")
    which = [k for k in range(16) if instances >> k & 1]
    if alarm.each == "none" or not which:
        return name
    return f"{name}: {_listed(alarm.each, which)}"


def _listed(each: str, which: list[int]) -> str:
    if each == "zone":
        return ", ".join(f"zone {zone_name(k).removeprefix('zone ')}" for k in which)
    if each == "drive":
        return ", ".join(drive_name(k) for k in which)
    return f"{each}{'s' if len(which) > 1 else ''} " + ", ".join(str(k + 1) for k in which)


def drive_name(drive: int) -> str:
    """Name on the screens; `drive` from 0."""
    return ("infeed", "press", "outfeed")[drive] if drive < 3 else f"drive {drive + 1}"


def alarm_state(active: bool, unacknowledged: bool) -> str:
    """ISA-18.2's words for the state of an alarm."""
    condition = "active" if active else "returned to normal"
    return f"{condition}, {'unacknowledged' if unacknowledged else 'acknowledged'}"


def alarms_head(rows: Sequence[AlarmRow]) -> Said:
    """The heading of the alarm list."""
    if not rows:
        return Said("No alarms", Kind.QUIET)
    waiting = sum(row.unacknowledged for row in rows)
    count = f"{len(rows)} alarm{'s' if len(rows) > 1 else ''}"
    return Said(f"{count}, {waiting} to acknowledge" if waiting else count, Kind.STRONG)


# --------------------------------------------------------------------------------- commands


class CommandKey(NamedTuple):
    """A command, its key and its word; the key is a letter of the word."""

    command: Command
    key: str
    word: str


COMMAND_KEYS = (
    CommandKey(Command.RESET, "r", "Reset"),
    CommandKey(Command.START, "s", "Start"),
    CommandKey(Command.HOLD, "h", "Hold"),
    CommandKey(Command.UNHOLD, "u", "Unhold"),
    CommandKey(Command.COMPLETE, "o", "Complete"),
    CommandKey(Command.CLEAR, "c", "Clear"),
    CommandKey(Command.STOP, "t", "Stop"),
    CommandKey(Command.ABORT, "b", "Abort"),
)

CAUTION = "Caution: hot parts, rollers turn. No safety function: use the hard-wired stop."

_CAUTIONS = {
    Command.START: (
        "Start heats the blocks and then turns the rollers by itself.",
        (
            "Guide and nip get hot enough to burn skin and to char wood.",
            "Rollers draw in fingers, hair and sleeves; the robot may move.",
            "Hands clear, guards closed, fumes drawn off, someone stays by.",
            "The hard-wired stop is tested and in reach.",
        ),
    ),
    Command.CLEAR: (
        "Clear lets the head leave Aborted.",
        (
            "The cause has been found and put right.",
            "Blocks may still be hot, strips may be under tension.",
            "Power was off while hands were in the head.",
            "The hard-wired stop is tested and in reach.",
        ),
    ),
}


def needs_confirmation(command: Command) -> bool:
    """Only what makes the head more lively asks back; stop and abort never do."""
    return command in _CAUTIONS


def cautions(command: Command) -> tuple[str, tuple[str, ...]]:
    """What the command does, and what to see to before it. Raises KeyError for others."""
    return _CAUTIONS[command]


def shown_commands(allowed: Collection[Command]) -> list[CommandKey]:
    """The commands for the bar: those allowed now, and abort always."""
    return [c for c in COMMAND_KEYS if c.command in allowed or c.command is Command.ABORT]


# ---------------------------------------------------------------------------------- figures

_UNITS = (
    ("_mm_s", "mm/s"),
    ("_mm", "mm"),
    ("_degC", "°C"),
    ("_percent", "%"),
    ("_ppm", "ppm"),
    ("_s", "s"),
)


def quantity(name: str, value: float) -> str:
    """A named number in words, e.g. ("onset_s", 41.25) gives "onset 41.25 s"."""
    for suffix, unit in _UNITS:
        if name.endswith(suffix):
            return f"{name.removesuffix(suffix).replace('_', ' ')} {value:.2f} {unit}"
    return f"{name.replace('_', ' ')} {value:g}"


def duration(seconds: float) -> str:
    """A time to be read at a glance: "48 s", "2 min 08 s", "1 h 04 min"."""
    whole = max(0, round(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def number_problem(text: str, low: float, high: float, unit: str) -> str | None:
    """Why the text is not a number from `low` to `high`; None when it is."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return f"A number in {unit} is wanted."
    if not low <= value <= high:
        return f"From {low:g} to {high:g} {unit}."
    return None
