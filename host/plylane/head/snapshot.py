"""What the head tells, decoded: one coherent snapshot a read, and events in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from plylane.head.errors import NonsenseAnswer
from plylane.head.names import label_at
from plylane.head.registers import (
    ALARMS,
    DriveTelemetryRegs,
    EventCode,
    ExperimentEnd,
    LaneTelemetryRegs,
    ResetCause,
    State,
    TelemetryRegs,
    ZoneMode,
    ZoneTelemetryRegs,
)

FIRST_WORD = TelemetryRegs.BLOCK.address
EVENT_WORDS = 5
"""Sequence, code, argument, milliseconds high and low."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """How many zones, drives and lanes a head has in use."""

    zones: int
    drives: int
    lanes: int

    @property
    def words(self) -> int:
        """Registers from the first of telemetry to the last fitted lane's: one read."""
        lanes = LaneTelemetryRegs.BLOCK
        return lanes.address + self.lanes * lanes.words - FIRST_WORD


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The head at one instant, fitted parts only.

    `time_s`: seconds since the poller's start; `words`: the registers from FIRST_WORD on as they
    came, for who hands them on.
    """

    time_s: float
    telemetry: TelemetryRegs
    drives: tuple[DriveTelemetryRegs, ...]
    zones: tuple[ZoneTelemetryRegs, ...]
    lanes: tuple[LaneTelemetryRegs, ...]
    words: Sequence[int] = field(default=(), repr=False, compare=False)


def decode(words: Sequence[int], fitted: Fitted, time_s: float) -> Snapshot:
    """The snapshot in `fitted.words` input registers from FIRST_WORD on.

    Raises NonsenseAnswer where a value is none of its enumeration.
    """
    try:
        return Snapshot(
            time_s,
            TelemetryRegs.from_words(words[: TelemetryRegs.BLOCK.words]),
            tuple(_drive(words, k) for k in range(fitted.drives)),
            tuple(_zone(words, k) for k in range(fitted.zones)),
            tuple(_lane(words, k) for k in range(fitted.lanes)),
            words,
        )
    except ValueError as fault:
        raise NonsenseAnswer(f"The head sent telemetry that makes no sense: {fault}.") from fault


def _drive(words: Sequence[int], k: int) -> DriveTelemetryRegs:
    at = DriveTelemetryRegs.BLOCK.address - FIRST_WORD + k * DriveTelemetryRegs.BLOCK.words
    return DriveTelemetryRegs.from_words(words[at : at + DriveTelemetryRegs.BLOCK.words])


def _zone(words: Sequence[int], k: int) -> ZoneTelemetryRegs:
    at = ZoneTelemetryRegs.BLOCK.address - FIRST_WORD + k * ZoneTelemetryRegs.BLOCK.words
    return ZoneTelemetryRegs.from_words(words[at : at + ZoneTelemetryRegs.BLOCK.words])


def _lane(words: Sequence[int], k: int) -> LaneTelemetryRegs:
    at = LaneTelemetryRegs.BLOCK.address - FIRST_WORD + k * LaneTelemetryRegs.BLOCK.words
    return LaneTelemetryRegs.from_words(words[at : at + LaneTelemetryRegs.BLOCK.words])


@dataclass(frozen=True, slots=True)
class RawEvent:
    """An event as it stands in the queue."""

    sequence: int
    code: int
    argument: int
    head_ms: int


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened in the head. `time_s` as in Snapshot."""

    sequence: int
    code: EventCode
    argument: int
    head_ms: int
    time_s: float

    @property
    def text(self) -> str:
        """One readable line, e.g. "Alarm lane stopped: lane 3"."""
        return _TEXT[self.code](self.argument)


def decode_events(words: Sequence[int]) -> list[RawEvent]:
    """Events in the registers of a queue read. Raises NonsenseAnswer when they do not divide."""
    if len(words) % EVENT_WORDS:
        raise NonsenseAnswer(f"The head's event queue has {len(words)} registers, not 5 an event.")
    each = (words[at : at + EVENT_WORDS] for at in range(0, len(words), EVENT_WORDS))
    return [
        RawEvent(sequence, code, argument, high << 16 | low)
        for sequence, code, argument, high, low in each
    ]


def alarm_text(argument: int) -> str:
    """The alarm an event's argument names, e.g. "lane stopped: lane 3".

    High byte: number of the alarm; low byte: the zone, drive or lane it concerns, from 0.
    """
    number, instance = argument >> 8, argument & 0xFF
    if number >= len(ALARMS):
        return f"number {number}"
    alarm = ALARMS[number]
    name = spaced(alarm.name)
    return name if alarm.each == "none" else f"{name}: {alarm.each} {instance + 1}"


def spaced(name: str) -> str:
    """A name of the map in words: "lane_stopped" is "lane stopped"."""
    return name.lower().replace("_", " ")


def causes(cause: ResetCause) -> str:
    """A reset's causes in words."""
    known = [spaced(one.name or "") for one in ResetCause if one in cause]
    return ", ".join(known) or "unknown cause"


def _state(argument: int) -> str:
    known = argument in State.__members__.values()
    return f"State {spaced(State(argument).name) if known else argument}"


def _zone_mode(argument: int) -> str:
    zone, mode = argument >> 8, argument & 0xFF
    known = mode in ZoneMode.__members__.values()
    return f"Zone {zone + 1} mode {spaced(ZoneMode(mode).name) if known else mode}"


def _how_ended(end: int) -> str:
    known = end in ExperimentEnd.__members__.values()
    return spaced(ExperimentEnd(end).name) if known else f"end {end}"


_TEXT: dict[EventCode, Callable[[int], str]] = {
    EventCode.HEAD_RESET: lambda a: f"Head reset: {causes(ResetCause(a & 15))}",
    EventCode.STATE_ENTERED: _state,
    EventCode.ALARM_RAISED: lambda a: f"Alarm {alarm_text(a)}",
    EventCode.ALARM_CLEARED: lambda a: f"Alarm over: {alarm_text(a)}",
    EventCode.ALARM_ACKNOWLEDGED: lambda a: f"Alarm acknowledged: {alarm_text(a)}",
    EventCode.SETTINGS_SAVED: lambda a: f"Settings saved, number {a}",
    EventCode.SETTINGS_LOADED: lambda a: "Settings loaded",
    EventCode.SETTINGS_FAILED: lambda a: "Settings could not be saved or loaded",
    EventCode.SHEAR_FIRED: lambda a: "Shear fired",
    EventCode.LENGTH_REACHED: lambda a: "Length reached",
    EventCode.ZONE_MODE: _zone_mode,
    EventCode.EVENTS_LOST: lambda a: f"{a} events lost: the head's queue was full",
    EventCode.EXPERIMENT_ENDED: lambda a: (
        f"Experiment on zone {(a >> 8) + 1}: {_how_ended(a & 0xFF)}"
    ),
    EventCode.WRITE_REFUSED: lambda a: f"Write refused: {label_at(a)}",
}
