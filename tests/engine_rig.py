"""A head, a poller and an engine of jobs in virtual time, single-threaded."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.tune_run.engine import Engine
from plylane_twin.direct import DirectPort
from plylane_twin.stand import Stand

E = TypeVar("E", bound=Engine)


class EngineRig(Generic[E]):
    """What begins jobs and sees them through. `make` builds the engine on the poller."""

    def __init__(
        self,
        stand: Stand,
        period_s: float,
        make: Callable[[Poller, int], E],
        port: Callable[[Stand], DirectPort] = DirectPort,
    ) -> None:
        self.port = port(stand)
        self.client = HeadClient.open("direct", opener=lambda _: self.port)
        self.poller = Poller(self.client, period_s)
        self.run = make(self.poller, self.client.fitted.zones)
        self.poller.listeners.append(self.run)

    def finish(self, most_s: float = 4000.0) -> str:
        """See the job through; its last words, or its trouble."""
        until_s = self.port.now() + most_s
        while self.run.busy:
            assert self.port.now() < until_s, self.run.status
            self.poller.step()
        return self.run.status.trouble or self.run.status.text

    def do(self, begin: Callable[[E], None]) -> str:
        """Begin a job, see it through, and have it succeed."""
        begin(self.run)
        text = self.finish()
        assert not self.run.status.trouble, text
        return text
