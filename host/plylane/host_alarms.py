"""Alarms that the host raises: they ask a person to act, and protect nobody.

They stand beside the head's own in the list and follow the same states of ISA-18.2: active or
returned to normal, acknowledged or not. Their numbers begin beyond the head's.
"""

from __future__ import annotations

from collections.abc import Mapping

from plylane.head.wire import Alarm

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
EVERY_HOST_ALARM = sum(1 << alarm.number for alarm in HOST_ALARMS)


class HostAlarms:
    """What stands and what waits for acknowledgement. Masks have a bit a number.

    `instances` has, by number, a bit for each lane concerned, counted from 0. One thread changes
    it, others may read.
    """

    def __init__(self) -> None:
        self.active = 0
        self.unacknowledged = 0
        self.instances: Mapping[int, int] = {}

    def show(self, standing: Mapping[int, int]) -> dict[int, int]:
        """The conditions as they are now: number to instances, 0 for none.

        A lane that joins an alarm makes it wait for acknowledgement again. Gives back what is new,
        in the same form.
        """
        before = self.instances
        fresh = {n: new for n, lanes in standing.items() if (new := lanes & ~self.lanes_of(n))}
        # what has gone keeps its lanes while somebody still has to acknowledge it
        self.instances = {n: lanes or before.get(n, 0) for n, lanes in standing.items()}
        self.active = sum(1 << n for n, lanes in standing.items() if lanes)
        self.unacknowledged |= sum(1 << n for n in fresh)
        return fresh

    def acknowledge(self, mask: int) -> None:
        """Acknowledge the alarms whose bits are set."""
        self.unacknowledged &= ~mask

    def lanes_of(self, *numbers: int) -> int:
        """A bit for each lane that one of these alarms concerns now."""
        lanes = 0
        for number in numbers:
            if self.active >> number & 1:
                lanes |= self.instances.get(number, 0)
        return lanes
