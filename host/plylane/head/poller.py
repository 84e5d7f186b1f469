"""One poll after another on a fixed grid, for everybody who listens; the link's ups and downs.

The poller's thread (or, in virtual time, whoever calls `step`) is the only one that uses the
client. What happens when the port vanishes or the head falls silent is decided here and nowhere
else: a lost port is tried again, a port once open is kept (opening it may reset a board), and a
silent head is greeted at growing intervals.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from plylane.head.client import GAPS_S, HeadClient
from plylane.head.errors import HeadError, LinkError, PortLost
from plylane.head.snapshot import Event, Snapshot

T = TypeVar("T")
_REPORT_S = 1.0
_REOPEN_S = 0.5
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """How the link does. Times are seconds since the poller's start, counts since then."""

    connected: bool = False
    since_s: float = 0.0
    """When `connected` became what it is."""
    reason: str = ""
    """Why the head cannot be talked to, one line; empty while connected."""
    polls: int = 0
    polls_per_s: float = 0.0
    """Polls answered in the last second."""
    late_polls: int = 0
    """Places on the grid that passed without a poll while connected."""
    retries: int = 0
    """Requests that had to be sent again since the port was opened."""
    head_resets: int = 0
    attach_reset: bool = False
    """Whether the last opening of the port reset the board."""

    @property
    def text(self) -> str:
        """One readable line: how the link does, or why it is down."""
        return f"{self.polls_per_s:.0f} polls/s" if self.connected else self.reason


class Poller:
    """Polls a client every `period_s` and tells its listeners.

    `listeners` may have any of `on_snapshot(snapshot)`, `on_events(events)` and
    `on_link(LinkStatus)`; they are called in the polling thread and must be quick. One that
    raises does not keep the others from hearing; in a thread its error is logged, from `step` it
    is raised once all have heard.
    """

    def __init__(self, client: HeadClient, period_s: float = 0.02) -> None:
        """`client`: open or not; where it is not, the first steps open it."""
        self.listeners: list[object] = []
        self._client = client
        self._period_s = period_s
        self._calls: queue.SimpleQueue[tuple[Callable[[HeadClient], Any], Future[Any]]]
        self._calls = queue.SimpleQueue()
        self._status = LinkStatus(connected=client.attached)
        self._due_s: float | None = None
        self._retry_s = 0.0
        self._silences = 0
        self._reported_s = 0.0
        self._reported_polls = 0
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._errors: list[Exception] = []
        self._logged: set[str] = set()

    @property
    def status(self) -> LinkStatus:
        """How the link does. May be read from any thread."""
        return self._status

    # ------------------------------------------------------------------ driving it

    def start(self) -> None:
        """Poll in a thread of its own until `stop`."""
        if self._thread is not None:
            raise RuntimeError("the poller runs already")
        self._stopping.clear()
        self._thread = threading.Thread(target=self._run, name="poller", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread after the poll under way. Calls that still wait are cancelled."""
        thread, self._thread = self._thread, None
        self._stopping.set()
        if thread is not None:
            thread.join()
        with contextlib.suppress(queue.Empty):
            while True:
                self._calls.get_nowait()[1].cancel()

    def call(self, fn: Callable[[HeadClient], T]) -> Future[T]:
        """Have `fn(client)` run between two polls; what it returns or raises is in the future."""
        future: Future[T] = Future()
        self._calls.put((fn, future))
        return future

    def step(self) -> None:
        """Wait for the next place on the grid, then serve calls and poll once."""
        self._await_place()
        self._serve_calls()
        if self._status.connected:
            self._poll()
        else:
            self._attach()
        self._report()
        self._raise_errors()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self.step()
            except Exception as fault:
                self._log_once(fault)

    def _log_once(self, fault: Exception) -> None:
        """A listener that fails does so 50 times a second: say it once."""
        if str(fault) not in self._logged:
            self._logged.add(str(fault))
            _log.error("A listener of the poller failed: %s", fault, exc_info=fault)

    # ------------------------------------------------------------------ the grid

    def _await_place(self) -> None:
        """Sleep until the next multiple of the period since the start.

        Late steps do not shift the grid: places that have passed are left out and counted.
        """
        if self._due_s is None:
            self._begin()
            return
        now_s = self._now_s()
        self._due_s += self._period_s
        passed = int((now_s - self._due_s) / self._period_s)
        if passed > 0:
            self._due_s += passed * self._period_s
            if self._status.connected:
                self._count(late_polls=self._status.late_polls + passed)
        if self._due_s > now_s:
            self._client.clock.sleep(self._due_s - now_s)

    def _begin(self) -> None:
        self._due_s = self._client.origin_s = self._now_s()
        self._reported_s = self._due_s

    def _now_s(self) -> float:
        return self._client.clock.now()

    # ------------------------------------------------------------------ one step

    def _serve_calls(self) -> None:
        for _ in range(self._calls.qsize()):
            fn, future = self._calls.get()
            if not future.set_running_or_notify_cancel():
                continue
            try:
                result = fn(self._client)
            except Exception as fault:
                future.set_exception(fault)
            else:
                future.set_result(result)

    def _poll(self) -> None:
        events: Sequence[Event] = ()
        try:
            snapshot = self._client.snapshot()
            self._count(polls=self._status.polls + 1)
            self._tell("on_snapshot", snapshot)
            if snapshot.telemetry.events_waiting:
                events = self._client.take_events()
        except HeadError as fault:
            self._lose(fault)
        if events:
            self._tell("on_events", events)

    def _attach(self) -> None:
        """One careful attempt to get the head back, when its time has come."""
        if self._now_s() < self._retry_s:
            return
        try:
            if not self._client.port_open:
                self._client.open_port()
                self._silences = 0
            if self._client.greet():
                self._gain()
                return
            self._wait(GAPS_S[min(self._silences, len(GAPS_S) - 1)])
            self._silences += 1
        except HeadError as fault:
            self._lose(fault)

    def _gain(self) -> None:
        self._silences = 0
        self._change(connected=True, reason="", attach_reset=self._client.attach_reset)

    def _lose(self, fault: HeadError) -> None:
        """Note why, and when to look again: soon after silence, later after a refusal to open."""
        if isinstance(fault, PortLost):
            with contextlib.suppress(OSError):
                self._client.close()
        self._wait(_REOPEN_S if isinstance(fault, LinkError) else self._period_s)
        if self._status.connected or self._status.reason != str(fault):
            self._change(connected=False, reason=str(fault))

    def _wait(self, seconds: float) -> None:
        self._retry_s = self._now_s() + seconds

    # ------------------------------------------------------------------ telling

    def _change(self, *, connected: bool, reason: str, attach_reset: bool | None = None) -> None:
        now_s = self._now_s()
        before = self._status
        self._status = replace(
            before,
            connected=connected,
            reason=reason,
            since_s=before.since_s if connected == before.connected else now_s - self._origin_s,
            attach_reset=before.attach_reset if attach_reset is None else attach_reset,
        )
        self._refresh(now_s)

    @property
    def _origin_s(self) -> float:
        return self._client.origin_s

    def _report(self) -> None:
        """Once a second: polls a second and the counts."""
        now_s = self._now_s()
        if now_s - self._reported_s >= _REPORT_S:
            self._refresh(now_s)

    def _refresh(self, now_s: float) -> None:
        """Bring the numbers up to date and tell. A second's rate needs a second's counting."""
        status = self._status
        went_s = now_s - self._reported_s
        rate = status.polls_per_s
        if went_s >= _REPORT_S:
            rate = (status.polls - self._reported_polls) / went_s
            self._reported_s, self._reported_polls = now_s, status.polls
        self._status = replace(
            status,
            polls_per_s=rate,
            retries=self._client.counters.retries,
            head_resets=self._client.head_resets,
        )
        self._tell("on_link", self._status)

    def _count(self, *, polls: int | None = None, late_polls: int | None = None) -> None:
        status = self._status
        self._status = replace(
            status,
            polls=status.polls if polls is None else polls,
            late_polls=status.late_polls if late_polls is None else late_polls,
        )

    def _tell(self, method: str, news: Snapshot | Sequence[Event] | LinkStatus) -> None:
        for listener in tuple(self.listeners):
            hear = getattr(listener, method, None)
            if hear is None:
                continue
            try:
                hear(news)
            except Exception as fault:
                self._errors.append(fault)

    def _raise_errors(self) -> None:
        if self._errors:
            errors, self._errors = self._errors, []
            raise errors[0] if len(errors) == 1 else ExceptionGroup("listeners failed", errors)
