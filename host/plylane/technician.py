"""The technician of the demo: prepares the head, starts the run, clears what stops it, goes on.

It sees what a person at the screen sees and does what a person may do, through the same client.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Protocol

from plylane.clearing import Clearing, open_steps
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


class Workbench(Protocol):
    """What a person at a held head sees and does: a live run."""

    @property
    def clearing(self) -> Clearing | None:
        """What is being cleared."""

    def confirm_step(self, name: str, given: bool = True) -> None:
        """Say that a step is done."""


class Technician:
    """Listens to snapshots and acts on the machine state.

    `done` turns true at Complete or Aborted, when the run ended up Stopped after its start, or when
    the head refuses what it is asked for. `trouble` is the last error met, as a line.
    """

    def __init__(self, setup: RunSetup, caller: Caller, bench: Workbench) -> None:
        self.setup = setup
        self.caller = caller
        self.bench = bench
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
        action = self._action(snapshot, snapshot.time_s - self._since_s)
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

    def _action(self, snapshot: Snapshot, in_state_s: float) -> Callable[[HeadClient], Any] | None:
        state = snapshot.telemetry.state
        if state == State.STOPPED:
            return self._prepare
        if state == State.IDLE:
            return self._start
        if state == State.HELD:
            return self._clear(snapshot, in_state_s)
        return None

    def _clear(self, snapshot: Snapshot, in_state_s: float) -> Callable[[HeadClient], Any] | None:
        """Go through the clearing, its steps spread over `clearing_s`, then acknowledge and unhold.

        Where there is nothing to clear, only wait.
        """
        clearing, whole_s = self.bench.clearing, self.setup.clearing_s
        steps = clearing.steps(snapshot) if clearing else ()
        asked = [step for step in steps if not step.judged]
        for k, step in enumerate(asked, start=1):
            if not step.confirmed and in_state_s >= whole_s * k / (len(asked) + 1):
                self.bench.confirm_step(step.name)
        if in_state_s < whole_s:
            return None
        waits = [step.name for step in open_steps(steps)]
        if any(name != "alarms" for name in waits):
            self.trouble = f"The clearing waits for {', '.join(waits)}."
            return None
        return self._acknowledge if waits else self._go_on

    def _prepare(self, client: HeadClient) -> None:
        self.setup.write_settings(client)
        client.command(Command.RESET)

    def _start(self, client: HeadClient) -> None:
        self.setup.start(client)
        self._started = True

    def _acknowledge(self, client: HeadClient) -> None:
        now = client.snapshot().telemetry
        client.acknowledge(now.alarms_active | now.alarms_unacknowledged)

    def _go_on(self, client: HeadClient) -> None:
        self._acknowledge(client)
        client.command(Command.UNHOLD)
