"""The technician of the demo: prepares the head, starts the run, clears what stops it, goes on.

It sees what a person at the screen sees and does what a person may do, through the same client.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Protocol

from plylane.head.client import HeadClient
from plylane.head.errors import Refused
from plylane.head.registers import Command, State
from plylane.head.snapshot import Snapshot
from plylane.host_alarms import STRIP_ENDS_SOON, STRIP_OUT, HostAlarms
from plylane.run_setup import RunSetup

LOADING_S = 5.0  # to take a strip from the stock and push it in behind the one that runs
ENDS = frozenset({State.COMPLETE, State.ABORTED})
# a command takes a moment to show in the telemetry; asking again sooner would only be refused
PAUSE_S = 1.0


class Magazines(Protocol):
    """What a person at the magazines sees and does: a live run."""

    @property
    def host_alarms(self) -> HostAlarms:
        """What the host asks for."""

    def load_strip(self, lane: int, length_mm: float) -> None:
        """A strip has been put in, `lane` from 0."""

    def acknowledge(self, alarm_number: int | None) -> None:
        """Acknowledge that alarm."""


class Loader:
    """Listens to snapshots and puts in the next strip where one is asked for."""

    def __init__(self, run: Magazines, length_mm: float) -> None:
        self._run, self._length_mm = run, length_mm
        self._asked_s: dict[int, float] = {}

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Load the lanes that have been asking for long enough."""
        lanes = self._run.host_alarms.lanes_of(STRIP_ENDS_SOON, STRIP_OUT)
        for lane in range(len(snapshot.lanes)):
            if not lanes >> lane & 1:
                self._asked_s.pop(lane, None)
            elif snapshot.time_s - self._asked_s.setdefault(lane, snapshot.time_s) > LOADING_S:
                self._asked_s.pop(lane)
                self._run.load_strip(lane, self._length_mm)
                self._run.acknowledge(STRIP_ENDS_SOON)
                self._run.acknowledge(STRIP_OUT)


class Caller(Protocol):
    """What hands work to the thread that owns the port: a poller."""

    def call(self, fn: Callable[[HeadClient], Any], /) -> Future[Any]:
        """Have `fn(client)` run in that thread."""


class Technician:
    """Listens to snapshots and acts on the machine state.

    `done` turns true at Complete or Aborted, when the run ended up Stopped after its start, or when
    the head refuses what it is asked for. `trouble` is the last error met, as a line.
    """

    def __init__(self, setup: RunSetup, caller: Caller) -> None:
        self.setup = setup
        self.caller = caller
        self.done = False
        self.trouble = ""
        self._started = False
        self._given_up = False
        self._pending: Future[Any] | None = None
        self._not_before_s = 0.0
        self._state: State | None = None
        self._since_s = 0.0

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Decide what to do now."""
        state = snapshot.telemetry.state
        if state != self._state:
            self._state, self._since_s = state, snapshot.time_s
        busy = self._busy(snapshot.time_s)
        stopped = self._started and state == State.STOPPED
        self.done = state in ENDS or stopped or self._given_up
        if busy or self.done:
            return
        action = self._action(state, snapshot.time_s - self._since_s)
        if action is not None:
            self._not_before_s = snapshot.time_s + PAUSE_S
            self._pending = self.caller.call(action)

    def _busy(self, now_s: float) -> bool:
        if self._pending is not None:
            if not self._pending.done():
                return True
            error = self._pending.exception()
            self.trouble = str(error) if error else ""
            self._given_up = isinstance(error, Refused)
            self._pending = None
        return now_s < self._not_before_s

    def _action(self, state: State, in_state_s: float) -> Callable[[HeadClient], Any] | None:
        if state == State.STOPPED:
            return self._prepare
        if state == State.IDLE:
            return self._start
        if state == State.HELD and in_state_s >= self.setup.clearing_s:
            return self._go_on
        return None

    def _prepare(self, client: HeadClient) -> None:
        self.setup.write_settings(client)
        client.command(Command.RESET)

    def _start(self, client: HeadClient) -> None:
        self.setup.start(client)
        self._started = True

    def _go_on(self, client: HeadClient) -> None:
        client.acknowledge(client.snapshot().telemetry.alarms_active)
        client.command(Command.UNHOLD)
