"""Ends a run that a robot leads: Complete once the head has followed it to the end of its path.

The head ends a length by itself, but where a robot says how far, only the host knows that nothing
more is to come: ``feed.length_mm`` of such a run is the length of its path, 0 where nobody knows.
The cut comes before the end, so by then what the shear has cut has been fed out; a shear that is
still armed is told, not passed over.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from plylane.head.errors import HeadError, Refused
from plylane.head.registers import Command, FeedRegs, FeedSource, State, Status, TrimState

if TYPE_CHECKING:
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller
    from plylane.head.registers import TelemetryRegs
    from plylane.head.snapshot import Snapshot

NEAR_MM = 0.5
"""A robot's servos and the rounding of a path file leave it so far before the path's end."""
STANDING_S = 0.5


class Run(Protocol):
    """What is needed of a live run."""

    poller: Poller

    def say(self, line: str) -> None:
        """Put a line where the user sees it."""

    def note(self, kind: str, text: str, lane: int | None = None) -> None:
        """Keep a line in the journal."""


def followed_mm(now: TelemetryRegs) -> float:
    """How far along the path the feed has come, mm: before the trim."""
    if now.trim_state is TrimState.OFF:
        return now.feed_position_mm
    return now.laid_mm + now.length_error_mm


class PathEnd:
    """Listens along with a live run; all in the poller's thread."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._end_mm: float | None = None
        self._since_s: float | None = None  # the feed has stood at the end since
        self._read = self._told = False

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Learn the path's length as feeding begins; ask for Complete at its end, once."""
        if snapshot.telemetry.state is not State.EXECUTE:
            self._end_mm = self._since_s = None
            self._read = self._told = False
        elif not self._read:
            self._read = True
            self._run.poller.call(self._learn)
        elif self._end_mm is not None and self._stands_at(self._end_mm, snapshot):
            self._finish(snapshot, self._end_mm)

    def _learn(self, client: HeadClient) -> None:
        try:
            feed = client.read_block(FeedRegs, 0)
        except HeadError:
            self._read = False  # the next snapshot asks again
            return
        if feed.source is FeedSource.PATH_POSITION and feed.length_mm > 0.0:
            self._end_mm = feed.length_mm

    def _stands_at(self, end_mm: float, snapshot: Snapshot) -> bool:
        now = snapshot.telemetry
        if now.feed_speed_mm_s != 0.0 or followed_mm(now) < end_mm - NEAR_MM:
            self._since_s = None
        elif self._since_s is None:
            self._since_s = snapshot.time_s
        return self._since_s is not None and snapshot.time_s - self._since_s >= STANDING_S

    def _finish(self, snapshot: Snapshot, end_mm: float) -> None:
        if not snapshot.telemetry.status & Status.SHEAR_ARMED:
            self._end_mm = None
            self._run.poller.call(self._complete)
        elif not self._told:
            self._told = True
            self._run.say(
                f"The path's end at {end_mm:.0f} mm is reached and the shear has not fired:"
                " cut by hand, then ask for Complete. A shear_at_mm somewhat less would have fired."
            )

    def _complete(self, client: HeadClient) -> None:
        try:
            client.command(Command.COMPLETE)
        except Refused:
            return  # a guard or a person was first
        except HeadError as fault:
            self._read = False
            self._run.say(f"Complete at the path's end did not reach the head: {fault}")
        else:
            self._run.note("path_end", "the path's end is reached: Complete asked for")
