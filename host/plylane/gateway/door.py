"""What the gateway says to a request: status from the poller's snapshots, the rest from the head.

The poller's thread owns the port. What it has just read is handed on as it is; anything else is
one call between two polls, few enough a second that polling goes on. Nothing old is handed out as
new, and nothing that has waited too long is written.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol

from pymodbus.constants import ExcCodes

from plylane.gateway.limits import Budget, WriterSeat
from plylane.gateway.requests import READ_INPUT, Declined, Request
from plylane.gateway.settings import Address, GatewaySettings
from plylane.head.errors import HeadException, LinkError, PortError, Refused
from plylane.head.names import holding_at
from plylane.head.snapshot import FIRST_WORD

if TYPE_CHECKING:
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller
    from plylane.head.snapshot import Snapshot

FRESH_S = 0.25
"""A snapshot older than this is not handed out: a dozen polls have failed by then."""
READ_THROUGH_PER_S = 5.0
"""Reads that take the line's time from the polls; one takes up to 27 ms of it."""
PATIENCE_S = 1.0
"""How long a client waits for its turn at the line, and for the head."""

Tell = Callable[[str, str], None]
"""Kind and text of something to be kept in the run log."""


class Peer(Protocol):
    """A client that is connected."""

    @property
    def address(self) -> Address:
        """Where it comes from."""

    @property
    def name(self) -> str:
        """What to call it."""


class Door:
    """Answers requests; a listener of the poller. All but `on_snapshot` in one event loop."""

    def __init__(
        self,
        poller: Poller,
        client: HeadClient,
        settings: GatewaySettings,
        *,
        silence_s: Callable[[], float],
        tell: Tell,
    ) -> None:
        """`silence_s` is the head's freshness limit: so long a silent writer keeps the seat."""
        self._poller, self._client, self._settings = poller, client, settings
        self._silence_s, self._tell = silence_s, tell
        self._latest: tuple[float, Snapshot] | None = None
        self._turns = Budget(READ_THROUGH_PER_S, burst=READ_THROUGH_PER_S)
        self._seat: WriterSeat[Peer] = WriterSeat()
        self._told: set[tuple[str, str]] = set()

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Keep what came, and when. In the poller's thread."""
        self._latest = time.monotonic(), snapshot

    async def serve(self, peer: Peer, unit: int, request: Request) -> Sequence[int]:
        """Do what is asked; the registers read, none for a write. Raises Declined."""
        if unit not in (self._settings.unit, 0, 255):  # 0 and 255: the one device behind this
            raise Declined(ExcCodes.GATEWAY_NO_RESPONSE)
        if request.words:
            await self._write(peer, request)
            return ()
        return await self._read(request)

    # ------------------------------------------------------------------ reading

    async def _read(self, request: Request) -> Sequence[int]:
        space = "input" if request.function == READ_INPUT else "holding"
        self._need_link()
        if space == "input" and (found := self._from_snapshot(request)) is not None:
            return found
        wait_s = self._turns.take(time.monotonic(), PATIENCE_S)
        if wait_s is None:
            raise Declined(ExcCodes.DEVICE_BUSY)
        await asyncio.sleep(wait_s)
        return await self._ask(
            lambda client: client.read_registers(space, request.address, request.count), PATIENCE_S
        )

    def _from_snapshot(self, request: Request) -> Sequence[int] | None:
        """Words of the last snapshot; None where it does not hold them. Raises Declined."""
        if self._latest is None:
            return None
        came_s, snapshot = self._latest
        start = request.address - FIRST_WORD
        if not 0 <= start <= start + request.count <= len(snapshot.words):
            return None
        if time.monotonic() - came_s > FRESH_S:
            raise Declined(ExcCodes.GATEWAY_NO_RESPONSE)
        return snapshot.words[start : start + request.count]

    # ------------------------------------------------------------------ writing

    async def _write(self, peer: Peer, request: Request) -> None:
        self._need_writer(peer)
        self._need_listed(request)
        self._need_link()
        self._need_seat(peer)
        until_s = time.monotonic() + self._silence_s()

        def write(client: HeadClient) -> None:
            if time.monotonic() > until_s:  # the poller was held up: this is no news any more
                raise Declined(ExcCodes.GATEWAY_NO_RESPONSE)
            client.write_registers(request.address, request.words)

        await self._ask(write, self._silence_s() + PATIENCE_S)

    def _need_writer(self, peer: Peer) -> None:
        if peer.address not in self._settings.writers:
            self._refuse(peer, "its address is not listed as a writer's", ExcCodes.ILLEGAL_FUNCTION)

    def _need_listed(self, request: Request) -> None:
        for address in range(request.address, request.address + request.count):
            found = holding_at(address)
            name = f"{found[0].name}.{found[1].name}" if found else ""
            if name not in self._settings.writable:
                raise Declined(ExcCodes.ILLEGAL_ADDRESS)

    def _need_seat(self, peer: Peer) -> None:
        self.expire()
        free = self._seat.holder is None
        if not self._seat.take(peer, time.monotonic()):
            self._refuse(peer, "another writes", ExcCodes.DEVICE_BUSY)
        if free:
            self._tell("writer_taken", f"{peer.name} writes")

    def _refuse(self, peer: Peer, why: str, code: ExcCodes) -> None:
        if (peer.name, why) not in self._told:  # once a connection: it may go on for hours
            self._told.add((peer.name, why))
            self._tell("writer_refused", f"{peer.name} may not write: {why}")
        raise Declined(code)

    def expire(self) -> None:
        """Free the seat of a writer that has fallen silent."""
        self._lost(self._seat.expire(time.monotonic(), self._silence_s()), "writes no more: silent")

    def leave(self, peer: Peer) -> None:
        """A client has gone."""
        self._told = {told for told in self._told if told[0] != peer.name}
        self._lost(self._seat.leave(peer), "writes no more: gone")

    def writes(self, peer: Peer) -> bool:
        """Whether it is the one that writes."""
        return self._seat.holder is peer

    def _lost(self, who: Peer | None, what: str) -> None:
        if who is not None:
            self._tell("writer_lost", f"{who.name} {what}")

    # ------------------------------------------------------------------ the head

    def _need_link(self) -> None:
        if not self._client.port_open:
            raise Declined(ExcCodes.GATEWAY_PATH_UNAVIABLE)
        if not self._poller.status.connected:
            raise Declined(ExcCodes.GATEWAY_NO_RESPONSE)

    async def _ask(
        self, work: Callable[[HeadClient], Sequence[int] | None], most_s: float
    ) -> Sequence[int]:
        """Have the poller's thread do it. Raises Declined."""
        try:
            async with asyncio.timeout(most_s):
                return await asyncio.wrap_future(self._poller.call(work)) or ()
        except (HeadException, Refused) as fault:
            raise Declined(_code(fault.code)) from fault
        except PortError as fault:
            raise Declined(ExcCodes.GATEWAY_PATH_UNAVIABLE) from fault
        except (LinkError, TimeoutError) as fault:
            raise Declined(ExcCodes.GATEWAY_NO_RESPONSE) from fault


def _code(code: int) -> ExcCodes:
    """The head's exception code, or what stands for one that Modbus does not know."""
    known = code in ExcCodes.__members__.values()
    return ExcCodes(code) if known else ExcCodes.DEVICE_FAILURE
