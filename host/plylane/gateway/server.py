"""The gateway's sockets: a thread with an event loop, one request at a time from each client.

pymodbus's own TCP server hands a request on without saying who asks, drops all but one of several
requests that come in one piece, and bounds neither clients nor what they may ask; so the sockets
are asyncio's, and pymodbus's are the frames.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from plylane.gateway.door import Door, Tell
from plylane.gateway.limits import Budget
from plylane.gateway.requests import (
    HEADER,
    Declined,
    Header,
    answer,
    declined,
    framed,
    header_of,
    request_of,
)
from plylane.gateway.settings import Address, GatewayError, GatewaySettings, plain

if TYPE_CHECKING:
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller

_LOOK_S = 0.05  # how often a silent writer is looked for
_START_S = 5.0
_BACKLOG = 16
_UNUSED_S = 5.0  # a connection silent for so long makes room for a new one


@dataclass(eq=False)
class _Client:
    """A connection."""

    address: Address
    port: int
    stream: asyncio.StreamWriter
    budget: Budget
    heard_s: float = field(default_factory=time.monotonic)

    @property
    def name(self) -> str:
        return f"{self.address} port {self.port}"


class Gateway:
    """Serves a head over Modbus TCP from `start` to `stop`, beside whatever else the poller does.

    `tell` gets the kind and text of what is to be kept in the run log, in the gateway's thread.
    """

    def __init__(
        self,
        poller: Poller,
        client: HeadClient,
        settings: GatewaySettings,
        *,
        silence_s: Callable[[], float],
        tell: Tell,
    ) -> None:
        """`silence_s` gives the head's freshness limit, s: how long a silent writer keeps others
        out, and how old a write may get on its way."""
        self._settings = settings
        self._door = Door(poller, client, settings, silence_s=silence_s, tell=tell)
        self._poller = poller
        self._clients: set[_Client] = set()
        self._listener: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ready = threading.Event()

    @property
    def port(self) -> int:
        """The port it listens at, once started."""
        return int(self._listener.getsockname()[1]) if self._listener else self._settings.port

    def start(self) -> None:
        """Listen, and serve in a thread of its own. Raises GatewayError."""
        self._listener = _listen(self._settings)
        self._poller.listeners.append(self._door)
        self._thread = threading.Thread(target=self._run, name="gateway", daemon=True)
        self._thread.start()
        self._ready.wait(_START_S)

    def stop(self) -> None:
        """Close every connection and end the thread. A second call does nothing."""
        thread, self._thread = self._thread, None
        if thread is None or self._loop is None:
            return
        self._poller.listeners.remove(self._door)
        self._loop.call_soon_threadsafe(self._end.set)
        thread.join()

    # ------------------------------------------------------------------ in the thread

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        assert self._listener is not None
        self._ready.set()
        with self._listener:
            async with asyncio.TaskGroup() as tasks:
                work = [
                    tasks.create_task(self._accept(self._listener, tasks)),
                    tasks.create_task(self._watch()),
                ]
                await self._end.wait()
                for task in work:
                    task.cancel()
                for client in tuple(self._clients):
                    client.stream.transport.abort()

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(_LOOK_S)
            self._door.expire()

    async def _accept(self, listener: socket.socket, tasks: asyncio.TaskGroup) -> None:
        """Take in one client after the other, no faster than is bearable: the rest may wait."""
        arrivals = Budget(self._settings.arrivals_per_s, burst=self._settings.connections)
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(arrivals.take(time.monotonic()) or 0.0)
            try:
                connection, peer = await loop.sock_accept(listener)
                reader, stream = await asyncio.open_connection(sock=connection)
            except OSError:
                continue  # gone before it was taken in
            client = _Client(plain(peer[0]), peer[1], stream, self._budget())
            if self._room_for(client):
                self._clients.add(client)
                tasks.create_task(self._attend(client, reader))
            else:
                stream.transport.abort()

    def _budget(self) -> Budget:
        rate = self._settings.requests_per_s
        return Budget(rate, burst=rate / 5.0)

    def _room_for(self, client: _Client) -> bool:
        """Whether it may stay. A place is kept for a writer; the longest unused one makes room."""
        others = [c for c in self._clients if c.address not in self._settings.writers]
        if client.address in self._settings.writers:
            held, most = self._clients, self._settings.connections
        else:
            held, most = set(others), self._settings.connections - bool(self._settings.writers)
        if len(held) < most:
            return True
        idle = [c for c in held if not self._door.writes(c)]
        unused = min(idle, key=lambda c: c.heard_s, default=None)
        if unused is None or time.monotonic() - unused.heard_s < _UNUSED_S:
            return False
        self._clients.discard(unused)
        unused.stream.transport.abort()
        return True

    async def _attend(self, client: _Client, reader: asyncio.StreamReader) -> None:
        """Answer a client until it goes, falls silent or sends what is no Modbus."""
        try:
            while await self._turn(client, reader):
                client.heard_s = time.monotonic()
        except (OSError, EOFError, TimeoutError):
            pass  # gone, halfway through a request, or silent: nothing to be done for it
        finally:
            self._clients.discard(client)
            self._door.leave(client)
            client.stream.transport.abort()

    async def _turn(self, client: _Client, reader: asyncio.StreamReader) -> bool:
        """One request; False where the stream makes no sense any more."""
        async with asyncio.timeout(self._settings.idle_s):
            first = await reader.readexactly(1)
        async with asyncio.timeout(self._settings.frame_s):
            header = header_of(first + await reader.readexactly(HEADER.size - 1))
            if header is None:
                return False
            pdu = await reader.readexactly(header.size)
        await asyncio.sleep(client.budget.take(time.monotonic()) or 0.0)
        client.stream.write(await self._answer(client, header, pdu))
        async with asyncio.timeout(self._settings.frame_s):
            await client.stream.drain()
        return True

    async def _answer(self, client: _Client, header: Header, pdu: bytes) -> bytes:
        try:
            request = request_of(pdu)
            found = await self._door.serve(client, header.unit, request)
        except Declined as fault:
            return framed(declined(pdu[0], fault.code), header)
        return framed(answer(request, found), header)


def _listen(settings: GatewaySettings) -> socket.socket:
    where = f"{settings.host}:{settings.port}"
    try:
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        with contextlib.ExitStack() as undo:
            undo.callback(listener.close)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((settings.host, settings.port))
            listener.listen(_BACKLOG)
            listener.setblocking(False)
            undo.pop_all()
    except OSError as error:
        raise GatewayError(
            f"The gateway cannot listen at {where} ({error.strerror}): choose another port (from"
            " 1024 on) or an address of this computer"
        ) from error
    return listener
