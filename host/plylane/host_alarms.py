"""Alarms that the host raises: they ask a person to act, and protect nobody.

They stand beside the head's own in the list and follow the same states of ISA-18.2: active or
returned to normal, acknowledged or not. Their numbers begin beyond the head's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from plylane.head.registers import LANES, EventCode
from plylane.head.snapshot import Event
from plylane.head.wire import Alarm
from plylane.runlog.journal import Entry

Note = Callable[[str, str, int | None], None]
"""Kind, text and lane (from 1) of a line for the journal."""

STRIP_ENDS_SOON, STRIP_OUT, JOINTS_CLOSE = 64, 65, 66

HOST_ALARMS = (
    Alarm(
        STRIP_ENDS_SOON, "strip_ends_soon", "lane", "medium", "report", False,
        "The last strip of the lane will have passed its wheel within the lead time.",
        "Put the next strip in close behind, hands clear of the rollers; tell its length (l).",
    ),
    Alarm(
        STRIP_OUT, "strip_out", "lane", "high", "report", False,
        "By its length the last strip of the lane has passed its wheel and the run wants more.",
        "Hold. Put a strip in, tell its length (l), go on; inspect the cord at that place.",
    ),
    Alarm(
        JOINTS_CLOSE, "joints_close", "lane", "medium", "report", False,
        "Joints of these lanes would lie closer in the cord than the stagger rule allows.",
        "Cut the strip that waits, or load one of another length; the log says how close.",
    ),
)  # fmt: skip
_NAMES = {alarm.number: alarm.name.replace("_", " ") for alarm in HOST_ALARMS}
_NUMBERS = {name: number for number, name in _NAMES.items()}
RAISED, OVER, ACKNOWLEDGED = "alarm", "alarm_over", "alarm_acknowledged"
"""Kinds of the journal's lines that tell of these alarms."""
_TOLD = {
    RAISED: (EventCode.ALARM_RAISED, ""),
    OVER: (EventCode.ALARM_CLEARED, ": over"),
    ACKNOWLEDGED: (EventCode.ALARM_ACKNOWLEDGED, ": acknowledged"),
}
"""By kind: the head's event of the same meaning, and what the line says behind the name."""
EVERY_HOST_ALARM = sum(1 << alarm.number for alarm in HOST_ALARMS)


class HostAlarms:
    """What stands and what waits for acknowledgement. Masks have a bit a number.

    `instances` has, by number, a bit for each lane concerned, counted from 0. One thread changes
    it, others may read.
    """

    def __init__(self, note: Note = lambda _kind, _text, _lane: None) -> None:
        """`note` is told what is raised, over and acknowledged, for the journal."""
        self._note = note
        self.active = 0
        self.unacknowledged = 0
        self.instances: Mapping[int, int] = {}
        self._waiting: dict[int, int] = {}  # lanes that nobody has acknowledged, by number

    def show(self, standing: Mapping[int, int]) -> None:
        """The conditions as they are now: number to instances, 0 for none.

        A lane that joins an alarm makes it wait for acknowledgement again.
        """
        before = self.instances
        fresh = {n: new for n, lanes in standing.items() if (new := lanes & ~self.lanes_of(n))}
        gone = {n: old for n, lanes in standing.items() if (old := self.lanes_of(n) & ~lanes)}
        # what has gone keeps its lanes while somebody still has to acknowledge it
        self.instances = {n: lanes or before.get(n, 0) for n, lanes in standing.items()}
        self.active = sum(1 << n for n, lanes in standing.items() if lanes)
        self.unacknowledged |= sum(1 << n for n in fresh)
        for number, lanes in fresh.items():
            self._waiting[number] = self._waiting.get(number, 0) | lanes
        self._tell(RAISED, fresh)
        self._tell(OVER, gone)

    def acknowledge(self, mask: int) -> None:
        """Acknowledge the alarms whose bits are set."""
        self.unacknowledged &= ~mask
        seen = [n for n in _NAMES if mask >> n & 1 and n in self._waiting]
        self._tell(ACKNOWLEDGED, {n: self._waiting.pop(n) for n in seen})

    def _tell(self, kind: str, alarms: Mapping[int, int]) -> None:
        for number, lanes in alarms.items():
            for lane in range(LANES):
                if lanes >> lane & 1:
                    self._note(kind, f"{_NAMES[number]}{_TOLD[kind][1]}", lane + 1)

    def lanes_of(self, *numbers: int) -> int:
        """A bit for each lane that one of these alarms concerns now."""
        lanes = 0
        for number in numbers:
            if self.active >> number & 1:
                lanes |= self.instances.get(number, 0)
        return lanes


def alarm_event(entry: Entry) -> Event | None:
    """What a line of the journal tells of these alarms, in the form of the head's events."""
    if entry.kind not in _TOLD or entry.lane is None:
        return None
    code, behind = _TOLD[entry.kind]
    number = _NUMBERS.get(entry.text.removesuffix(behind))
    if number is None:
        return None
    return Event(0, code, number << 8 | entry.lane - 1, 0, entry.time_s)
