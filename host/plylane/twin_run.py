"""Runs on a twin without a line: the same telemetry as by polling, taken many times faster."""

from __future__ import annotations

from collections.abc import Container, Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head import adu
from plylane.head.client import HeadClient
from plylane.head.errors import NoAnswer
from plylane.head.link import SILENCE_S
from plylane.head.registers import EventCode, State
from plylane.head.snapshot import FIRST_WORD, Event
from plylane.runlog.words import columns_of
from plylane.twin_door import quick_port

PERIOD_MS = 20  # of the host's poller
AT_ONCE = 3000  # polls between two looks at what was asked to be waited for
TIME = "time_s"


class TwinRun:
    """A twin, a client to work it with, and everything it told.

    What `columns` holds is what a poller on the same twin records: a row every 20 ms on the grid
    of the twin's clock, events taken right after the row that tells of them. `time_s` counts from
    the twin's start by the head's clock.
    """

    def __init__(self, scenario: str, seed: int) -> None:
        """`scenario` is the text of a scenario file. Raises TwinError."""
        self._port = port = quick_port(scenario, seed)
        self.client = HeadClient.open("twin", opener=lambda _: port)
        self.client.origin_s = 0.0
        self.events: list[Event] = []
        self.state = self.client.snapshot().telemetry.state
        self._parts: list[NDArray[np.uint16]] = []
        self._row_words = self.client.fitted.words
        self._frame = adu.read_input(self.client.unit, FIRST_WORD, self._row_words).frame

    @property
    def time_s(self) -> float:
        """The twin's time."""
        return self.client.clock.now()

    def record(self, seconds: float, until: Container[State] = ()) -> State:
        """Let time pass, polling; ends early once the machine is in a state of `until`.

        Returns the state it is in. Raises NoAnswer when the head falls silent.
        """
        left = round(seconds * 1000.0) // PERIOD_MS
        while left > 0 and self.state not in until:
            left -= self._poll(min(left, AT_ONCE))
        return self.state

    def _poll(self, most: int) -> int:
        row_bytes = 2 * self._row_words
        into = bytearray(most * row_bytes)
        rows = self._port.record(self._frame, into, row_bytes, PERIOD_MS)
        if rows == 0:
            raise NoAnswer("twin", self.client.unit, silent=1, garbled=0, sent_once=True)
        words = np.frombuffer(into, dtype=">u2", count=rows * self._row_words)
        self._parts.append(words.astype(np.uint16).reshape(rows, self._row_words))
        if rows < most or self._column_now("events_waiting"):
            self._take_events()
        return rows

    def _column_now(self, name: str) -> Any:
        return columns_of(self._parts[-1][-1:], self.client.fitted, [name])[name][0]

    def _take_events(self) -> None:
        self.client.clock.sleep(SILENCE_S)  # as a host lets pass between two requests
        events = self.client.take_events()
        self.events += events
        for event in events:
            if event.code == EventCode.STATE_ENTERED:
                self.state = State(event.argument)

    def columns(self, names: Iterable[str]) -> dict[str, NDArray[Any]]:
        """Columns of all rows, named as in a run log. Raises KeyError for a name there is not."""
        words = np.concatenate(self._parts)
        wanted = list(names)
        registers = ["head_ms" if name == TIME else name for name in wanted]
        found = columns_of(words, self.client.fitted, registers)
        return {name: found["head_ms"] / 1000.0 if name == TIME else found[name] for name in wanted}
