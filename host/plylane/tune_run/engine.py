"""Runs one job at a time, a snapshot at a time, in the poller's thread.

A job is a generator that gets every snapshot by `yield`: it reads like a procedure, waits without
blocking anybody, and its `finally` puts things back however it ends. So the same job runs in a
poller's thread beside a screen and, without any thread, in virtual time.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import replace
from typing import TypeVar

from plylane.head.client import HeadClient
from plylane.head.errors import HeadError, LinkError
from plylane.head.poller import LinkStatus
from plylane.head.registers import EventCode, Status, StoreAction, ZoneMode
from plylane.head.snapshot import Event, Snapshot
from plylane.technician import Caller
from plylane.tune_errors import EndedByUserError, TuneError
from plylane.tune_run.log import Log, Windows
from plylane.tune_run.status import TuneStatus
from plylane.tuning import RecordError

T = TypeVar("T")
Job = Generator[None, Snapshot, T]

GIVE_UP_REPORTS = 30
"""The poller reports once a second: so many without a head, and the job is over."""
SAVE_MOST_S = 5.0


class Engine:
    """Listens to a poller. `status` is replaced, never changed, and may be read from any thread."""

    def __init__(self, caller: Caller, zones: int, compute: Executor | None = None) -> None:
        """`compute` does the arithmetic beside the polling; without one it is done in between."""
        self.caller = caller
        self.zones = zones
        self.log = Log(zones)
        self.windows = Windows(zones)
        self.status = TuneStatus()
        self.latest: Snapshot | None = None
        self.began_s = 0.0
        """Log time at which the last job began."""
        self._compute = compute
        self._job: Job[None] | None = None
        self._fresh = False
        self._ending = False
        self._gone = ""
        self._without_head = 0
        self._restarts = 0

    @property
    def busy(self) -> bool:
        """Whether a job is under way."""
        return self._job is not None

    def begin(self, name: str, zone: int, job: Job[None]) -> None:
        """Start a job at the next snapshot. Raises TuneError while another is under way."""
        if self.busy:
            raise TuneError(f"{self.status.job} is still under way: wait for it or end it first")
        self.status = TuneStatus(job=name, zone=zone, text="Beginning.")
        self._fresh, self._ending, self._gone, self._without_head = True, False, "", 0
        self._restarts = self.log.restarts
        self.began_s = self.log.now_s
        self._job = job

    def end(self) -> None:
        """End the job under way; it puts things back as they were."""
        self._ending = self.busy

    # ------------------------------------------------------------------- what the poller tells

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Keep it and let the job go on."""
        self.latest = snapshot
        self.log.add(snapshot)
        for number, zone in enumerate(snapshot.zones):
            self.windows.mode_seen(number, zone.mode)
        if not self.busy:
            self.log.forget_old()
        elif self.log.restarts != self._restarts:
            self._restarts = self.log.restarts
            self.windows.forget()
            self._advance(TuneError("the head restarted: look why, then begin again"))
        elif self._ending:
            self._ending = False
            self._advance(EndedByUserError("ended before it was done"))
        else:
            self._advance(snapshot)

    def on_events(self, events: Sequence[Event]) -> None:
        """Note when windows begin."""
        for event in events:
            zone, mode = event.argument >> 8, event.argument & 0xFF
            if event.code is EventCode.ZONE_MODE and zone < self.zones:
                self.windows.mode_event(zone, ZoneMode(mode), self.log.head_s(event.head_ms))

    def on_link(self, status: LinkStatus) -> None:
        """Give up a job whose head has been away for long."""
        self._without_head = 0 if status.connected else self._without_head + 1
        if self.busy and self._without_head >= GIVE_UP_REPORTS:
            self._gone = status.reason or "the head does not answer"
            self._advance(TuneError(f"given up: {self._gone}"))

    def _advance(self, news: Snapshot | Exception) -> None:
        job = self._job
        if job is None:
            return
        try:
            if isinstance(news, Exception):
                job.throw(news)
            elif self._fresh:
                self._fresh = False
                next(job)
            else:
                job.send(news)
        except StopIteration:
            self._over("")
        except (HeadError, RecordError, TuneError) as error:
            self._over(str(error))
        except BaseException as error:
            self._over(f"{type(error).__name__}: {error}")
            raise

    def _over(self, trouble: str) -> None:
        self._job = None
        text = trouble or self.status.text
        self.status = TuneStatus(zone=self.status.zone, text=text, trouble=trouble)

    # ---------------------------------------------------------------------- what jobs are made of

    def tell(
        self,
        text: str,
        elapsed_s: float = 0.0,
        left_s: float | None = None,
        share: float | None = None,
    ) -> None:
        """Say what the job is at."""
        self.status = replace(
            self.status, text=text, elapsed_s=elapsed_s, left_s=left_s, share=share
        )

    def call(self, fn: Callable[[HeadClient], T]) -> Job[T]:
        """Have `fn(client)` run between two polls. Raises what it raises."""
        if self._gone:
            raise LinkError(self._gone)
        future: Future[T] = self.caller.call(fn)
        while not future.done():
            yield
        return future.result()

    def work(self, fn: Callable[[], T]) -> Job[T]:
        """Have something computed without keeping the poller waiting. Raises what it raises."""
        if self._compute is None:
            return fn()
        future = self._compute.submit(fn)
        while not future.done():
            yield
        return future.result()

    def pause(self, seconds: float) -> Job[None]:
        """Let head time pass."""
        until_s = self.log.now_s + seconds
        while self.log.now_s < until_s:
            yield

    def save_settings(self) -> Job[None]:
        """Have the head keep its settings over a power cut. Raises TuneError."""
        yield from self.call(lambda client: client.store(StoreAction.SAVE))
        until_s = self.log.now_s + SAVE_MOST_S
        yield from self.pause(0.2)
        while self.latest is not None and self.latest.telemetry.status & Status.SAVING:
            if self.log.now_s > until_s:
                raise TuneError("the head is still saving its settings: look at its events")
            yield
        self.tell("The head has saved its settings.")

    def rest(self, seconds: float) -> Job[None]:
        """As `pause`, at the end of a job: not where the head is gone."""
        if not self._gone and not _dropped():
            yield from self.pause(seconds)

    def put_back(self, fn: Callable[[HeadClient], None]) -> Job[None]:
        """As `call`, at the end of a job: what fails is told and does not hide the first cause."""
        if _dropped():
            return
        try:
            yield from self.call(fn)
        except HeadError as error:
            self.tell(f"Not put back as it was: {error}")


def _dropped() -> bool:
    """Whether the job is being thrown away with the whole program: then nothing can be asked any
    more, and the head ends an experiment by itself.
    """
    return isinstance(sys.exception(), GeneratorExit)
