"""The alarms, in the words of ISA-18.2."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from plylane.head.registers import ALARMS
from plylane.head.wire import Alarm
from plylane.host_alarms import HOST_ALARMS
from plylane.screens.decide.kinds import Kind, Said
from plylane.words import zone_name

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
    """The alarms of head and host to show: unacknowledged first, then by priority."""
    shown = [
        alarm for alarm in (*ALARMS, *HOST_ALARMS) if (active | unacknowledged) >> alarm.number & 1
    ]
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
