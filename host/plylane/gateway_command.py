"""`plylane gateway`: a head's registers for the robot or PLC of its cell, over Modbus TCP."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from rich.console import Console

from plylane.gateway.settings import GatewayError, GatewaySettings
from plylane.options import Logged, Names, Unit

if TYPE_CHECKING:
    from plylane.live import LiveRun
    from plylane.runlog import Entry

__all__ = ["GatewayError", "GatewaySettings", "gateway", "served"]

RUNS = Path("runs")
LISTEN = "127.0.0.1:1502"
NO_KEY = (
    "Plain Modbus TCP knows no user and no password: who reaches this port can read the head,"
    " and who can pretend to a listed address can lead it. Keep it in the cell's own network"
    " (docs/gateway.md)."
)
errors = Console(stderr=True)
T = TypeVar("T")


def gateway(
    *,
    port: str,
    listen: str = LISTEN,
    writer: Names = None,
    writable: Names = None,
    unit: Unit = 1,
    out: Path = RUNS,
    log: Logged = True,
) -> None:
    """Serve a head's status over Modbus TCP, and let listed addresses lead it. Ends with Ctrl-C.

    It holds the port: to watch and command the head beside it, use plylane monitor --gateway.

    Parameters
    ----------
    port
        Serial port of the head (`plylane ports` lists them) or twin://FILE.toml.
    listen
        Address and port to listen at; other computers come in only by an address of the network.
    writer
        Addresses that may write; without any nobody may.
    writable
        Registers they may write; when left out the references of the path: speed alone, or stamp,
        position and speed.
    unit
        Modbus address of the head.
    out
        Folder for the run log.
    log
        Keep a log: telemetry, events, and who wrote.
    """
    from plylane.demo import started
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller
    from plylane.live import LiveRun, new_folder

    settings = GatewaySettings.of(listen, writer or (), writable or (), unit)
    errors.print(f"Connecting to {port} ...", style="dim", soft_wrap=True)
    client = HeadClient.open(port, unit=unit)
    live = LiveRun(client, Poller(client), title=f"gateway to {port}")
    try:
        with served(live, settings):
            if log:
                folder = new_folder(out, "gateway")
                live.record(folder, live=True, plan={}, started=started("wall"))
            live.poller.start()
            _until_stopped(live)
    finally:
        live.poller.stop()
        live.close()
        client.close()
    if live.run_folder:
        print(f"Log: {live.run_folder}")


@contextmanager
def served(live: LiveRun, settings: GatewaySettings | None) -> Iterator[None]:
    """The gateway beside a live run, with what it has to tell kept in the run's journal.

    Without settings nothing is served. Raises GatewayError.
    """
    if settings is None:
        yield
        return
    from plylane.gateway import Gateway

    server = Gateway(
        live.poller,
        live.client,
        settings,
        silence_s=lambda: float(live.settings["guards.path_timeout_ms"]) / 1000.0,
        tell=live.note,
    )
    server.start()
    where = f"{settings.host}:{server.port}"
    who = ", ".join(sorted(map(str, settings.writers))) or "nobody"
    errors.print(f"Modbus TCP at {where}; {who} may write.", highlight=False, soft_wrap=True)
    if not settings.loopback:
        errors.print(NO_KEY, style="bold", soft_wrap=True)
    live.note("gateway", f"Gateway at {where}, {who} may write")
    try:
        yield
    finally:
        server.stop()


def _until_stopped(live: LiveRun) -> None:
    """Print what the run has to say until somebody ends it."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    said: list[str] = []
    noted: list[Entry] = []
    while not stop.wait(0.2):
        for line in _new(live.messages, said):
            print(line, flush=True)
        for entry in _new(live.journal, noted):
            print(f"{entry.time_s:8.1f} s  {entry.sentence}", flush=True)
        said, noted = live.messages, live.journal


def _new(lines: Sequence[T], seen: Sequence[T]) -> Sequence[T]:
    """What has come after the last line seen; the oldest lines are dropped in time."""
    if not seen:
        return lines
    for k in reversed(range(len(lines))):
        if lines[k] is seen[-1]:
            return lines[k + 1 :]
    return lines
