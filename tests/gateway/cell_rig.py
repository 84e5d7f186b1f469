"""A twin in real time, polled by a live run, a gateway before it, sockets to knock at it."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from pymodbus.client import ModbusTcpClient

from plylane.gateway import Gateway, GatewaySettings
from plylane.gateway.settings import plain
from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import FeedRegs, TelemetryRegs
from plylane.live import LiveRun

T = TypeVar("T")
LOOPBACK = frozenset({plain("127.0.0.1")})
SCENARIO = 'format = "plylane scenario 1"\nname = "cell"\n[line]\nbit_error_rate = 0.0\n'
PATH_SPEED = FeedRegs.BLOCK.register("path_speed_mm_s").address
SPEED = FeedRegs.BLOCK.register("speed_mm_s").address
HEAD_MS = TelemetryRegs.BLOCK.address
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, FAILURE, BUSY = 1, 2, 3, 4, 6
NO_PATH, NO_ANSWER = 0x0A, 0x0B


class Cell:
    """Head, poller and live run for a test module; gateways come and go before them."""

    def __init__(self, folder: Path) -> None:
        scenario = folder / "cell.toml"
        scenario.write_text(SCENARIO)
        self.client = HeadClient.open(f"twin://{scenario}?seed=3&pace=1")
        self.poller = Poller(self.client)
        self.live = LiveRun(self.client, self.poller, title="cell")
        self.live.record(folder / "run", live=True, plan={})
        self.silence_s = 0.25
        self.poller.start()

    def close(self) -> None:
        self.poller.stop()
        self.live.close()
        self.client.close()

    def ask(self, work: Callable[[HeadClient], T]) -> T:
        """Done in the poller's thread, the head's own answer."""
        return self.poller.call(work).result(10.0)

    def gateway(self, **settings: Any) -> Gateway:
        """A gateway at a free port of the loopback."""
        return Gateway(
            self.poller,
            self.client,
            GatewaySettings(port=0, **settings),
            silence_s=lambda: self.silence_s,
            tell=self.live.note,
        )

    def told(self, kind: str) -> list[str]:
        """What the journal has of a kind."""
        return [entry.text for entry in self.live.journal if entry.kind == kind]

    def hold_poller(self) -> threading.Event:
        """The poller's thread is held up until the event is set."""
        go_on = threading.Event()
        self.poller.call(lambda _: go_on.wait(20.0))
        time.sleep(0.05)
        return go_on


def robot(gateway: Gateway) -> ModbusTcpClient:
    """A Modbus TCP client that nobody here wrote."""
    client = ModbusTcpClient("127.0.0.1", port=gateway.port, timeout=5.0, retries=0)
    assert client.connect()
    return client


def until(true: Callable[[], bool], most_s: float = 10.0) -> None:
    """Wait for something to become true."""
    end_s = time.monotonic() + most_s
    while not true():
        assert time.monotonic() < end_s, "it did not come true"
        time.sleep(0.01)


class Knock:
    """A plain socket, frames by hand. MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3:
    transaction, protocol 0, length, unit, then the PDU."""

    def __init__(self, gateway: Gateway) -> None:
        self.socket = socket.create_connection(("127.0.0.1", gateway.port), timeout=10.0)

    def __enter__(self) -> Knock:
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def send(self, pdu: bytes, transaction: int = 1, unit: int = 1) -> None:
        self.socket.sendall(struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu)

    def receive(self) -> tuple[int, bytes]:
        """Transaction and PDU of one answer; EOFError when the other side has closed."""
        transaction, protocol, length, _ = struct.unpack(">HHHB", self._exactly(7))
        assert protocol == 0
        return transaction, self._exactly(length - 1)

    def ask(self, pdu: bytes, **how: int) -> bytes:
        self.send(pdu, **how)
        return self.receive()[1]

    def closed(self) -> bool:
        """Whether the other side closes without a word."""
        try:
            return self.socket.recv(1) == b""
        except ConnectionError:
            return True

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = self.socket.recv(count - len(data))
            if not more:
                raise EOFError
            data += more
        return data


def read(function: int, address: int, count: int) -> bytes:
    """PDU of a read."""
    return struct.pack(">BHH", function, address, count)


def write_one(address: int, value: int) -> bytes:
    """PDU of function 06."""
    return struct.pack(">BHH", 6, address, value)


def write_many(address: int, *values: int) -> bytes:
    """PDU of function 16."""
    count = len(values)
    return struct.pack(f">BHHB{count}H", 16, address, count, 2 * count, *values)
