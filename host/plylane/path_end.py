"""Ends a run that a robot leads: Complete once the head has followed it to the end of its path.

The head ends a length by itself, but where a robot says how far, only the host knows that nothing
more is to come: ``feed.length_mm`` of such a run is the length of its path, 0 where nobody knows.
How far the feed has come along the path is what the robot last said while the feed stands: lengths
that the head counts have jogs in them.

The cut comes before the end, so by then what the shear has cut has been fed out; a shear that is
still armed at the end of a path or of a length is told, not passed over.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from plylane.head.errors import HeadError, Refused
from plylane.head.registers import (
    Command,
    EventCode,
    FeedRegs,
    FeedSource,
    PathReferenceRegs,
    State,
    Status,
)
from plylane.strips import UNDER_WAY

if TYPE_CHECKING:
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller
    from plylane.head.snapshot import Event, Snapshot
    from plylane.run_setup import RunSetup

NEAR_MM = 0.5
"""A robot's servos and the rounding of a path file leave it so far before the path's end."""
STANDING_S = 0.5
WIRE_MM = 0.001
"""What a length may lose on its way into a register."""
NOT_CUT = (
    "is reached and the shear has not fired: cut by hand{}. A shear_at_mm somewhat less would"
    " have fired."
)


class Run(Protocol):
    """What is needed of a live run."""

    poller: Poller
    setup: RunSetup | None

    def say(self, line: str) -> None:
        """Put a line where the user sees it."""

    def note(self, kind: str, text: str, lane: int | None = None) -> None:
        """Keep a line of the host's own in the journal."""


class PathEnd:
    """Listens along with a live run; all in the poller's thread."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._said: set[str] = set()  # in this run
        self._armed = self._length_reached = False
        self._forget()

    def _forget(self) -> None:
        self._read = False
        self._end_mm: float | None = None
        self._moved()

    def _moved(self) -> None:
        self._look_s = float("-inf")
        self._before: PathReferenceRegs | None = None

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Learn the path's length as feeding begins; while the feed stands, look where it is."""
        now = snapshot.telemetry
        if now.state not in UNDER_WAY:
            self._said.clear()
        if now.state is not State.EXECUTE:
            self._forget()
            return
        self._armed = bool(now.status & Status.SHEAR_ARMED)
        if not self._read:
            self._read = True
            self._run.poller.call(self._learn)
        elif now.feed_speed_mm_s != 0.0:
            self._moved()
        elif self._end_mm is not None and snapshot.time_s - self._look_s >= STANDING_S:
            self._look_s = snapshot.time_s
            self._run.poller.call(self._look)

    def on_events(self, events: Sequence[Event]) -> None:
        """Tell of a length that is over without its cut; the head disarms the shear then."""
        for event in events:
            if event.code == EventCode.SHEAR_FIRED:
                self._armed = False
            elif event.code == EventCode.LENGTH_REACHED:
                self._length_reached = True
            elif event.code == EventCode.STATE_ENTERED:
                self._entered(State(event.argument))

    def _entered(self, state: State) -> None:
        if state is State.COMPLETE and self._length_reached and self._armed:
            self._run.say(f"The length {NOT_CUT.format('')}")
        if state in (State.STARTING, State.COMPLETE):
            self._length_reached = self._armed = False

    def _say_once(self, line: str) -> None:
        if line not in self._said:
            self._said.add(line)
            self._run.say(line)

    def _learn(self, client: HeadClient) -> None:
        try:
            feed = client.read_block(FeedRegs, 0)
        except HeadError:
            self._read = False  # the next snapshot asks again
            return
        if feed.source is not FeedSource.PATH_POSITION or feed.length_mm == 0.0:
            return
        self._end_mm = feed.length_mm
        setup = self._run.setup
        if setup is None or abs(setup.length_mm - feed.length_mm) > WIRE_MM:
            self._say_once(
                f"No run file says so, but the head's feed.length_mm does: the path ends at"
                f" {feed.length_mm:g} mm. If that is left from another run, stop this one and start"
                " it with a run file (length_mm 0 where the path's length is not known)."
            )

    def _look(self, client: HeadClient) -> None:
        """Twice in half a second, with something new from the robot: one that has fallen silent,
        or what it said in an earlier run, is no end.
        """
        try:
            said = client.read_block(PathReferenceRegs, 0)
        except HeadError:
            return  # and look again
        before, self._before = self._before, said
        if self._end_mm is None or before is None or before.stamp_ms == said.stamp_ms:
            return
        beyond_mm = min(before.position_mm, said.position_mm) - self._end_mm
        if beyond_mm > NEAR_MM:
            self._leave(said.position_mm, self._end_mm)
        elif beyond_mm >= -NEAR_MM:
            self._finish(client, self._end_mm)

    def _leave(self, robot_mm: float, end_mm: float) -> None:
        self._end_mm = None
        self._say_once(
            f"The path is longer than length_mm: the robot stands at {robot_mm:.1f} mm, the run"
            f" was to end at {end_mm:g} mm. Ask for Complete when the robot has come to its end."
        )

    def _finish(self, client: HeadClient, end_mm: float) -> None:
        if self._armed:
            then = ", then ask for Complete"
            self._say_once(f"The path's end at {end_mm:.0f} mm {NOT_CUT.format(then)}")
            return
        try:
            client.command(Command.COMPLETE)
        except Refused:
            self._end_mm = None  # a guard or a person was first
        except HeadError as fault:
            self._run.say(f"Complete at the path's end did not reach the head: {fault}")
        else:
            self._end_mm = None
            self._run.note("path_end", "the path's end is reached: Complete asked for")
