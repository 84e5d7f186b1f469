"""Three doors to one twin, behind one interface, so that one suite can go through each."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

import serial

from bare_head import frame
from plylane_twin import Scenario, Twin, serve_pty

CLEAN = """
format = "plylane scenario 1"
name = "clean line"
[line]
bit_error_rate = 0.0
"""
PATIENCE_S = 0.06  # longest answer 24 ms, adapter 4 ms, and a busy computer


class Door(Protocol):
    """A way to send a frame and get what comes back."""

    def send(self, data: bytes) -> bytes: ...


class InProcess:
    def __init__(self, twin: Twin) -> None:
        self.twin = twin

    def send(self, data: bytes) -> bytes:
        answer = self.twin.exchange(data)
        self.twin.advance(20)
        return answer


class Port:
    """twin:// and the pty look alike from here: both are serial ports."""

    def __init__(self, port: serial.SerialBase) -> None:
        self.port = port

    def send(self, data: bytes) -> bytes:
        self.port.write(data)
        answer = bytes(self.port.read(1))
        self.port.timeout = 0.02
        answer += self.port.read(256)
        self.port.timeout = PATIENCE_S
        return answer


def open_port(url: str, parity: str = serial.PARITY_EVEN) -> serial.SerialBase:
    if "plylane_twin" not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append("plylane_twin")
    return serial.serial_for_url(url, baudrate=115200, parity=parity, timeout=PATIENCE_S)


@contextmanager
def in_process(folder: Path) -> Iterator[Door]:
    yield InProcess(Twin(Scenario.parse(CLEAN)))


@contextmanager
def url(folder: Path) -> Iterator[Door]:
    path = folder / "clean.toml"
    path.write_text(CLEAN, encoding="utf-8")
    with open_port(f"twin://{path}?pace=virtual") as port:
        yield Port(port)


@contextmanager
def served(link: Path, scenario: Scenario) -> Iterator[Path]:
    """The twin at a pty, in a thread of its own."""
    stop = threading.Event()
    failed: list[BaseException] = []

    def serve() -> None:
        try:
            serve_pty(link, scenario, stop_event=stop)
        except BaseException as error:
            failed.append(error)

    server = threading.Thread(target=serve)
    server.start()
    try:
        deadline = time.monotonic() + 10.0
        while not link.is_symlink():
            assert server.is_alive() and time.monotonic() < deadline, failed
            time.sleep(0.005)
        yield link
    finally:
        stop.set()
        server.join(10.0)
        assert not server.is_alive() and not failed, failed
    assert not link.is_symlink(), "the link outlived its server"


@contextmanager
def pty(folder: Path) -> Iterator[Door]:
    # a pseudo-terminal has no parity, and pyserial fails where it cannot have what it asks for
    with (
        served(folder / "head", Scenario.parse(CLEAN)) as link,
        open_port(str(link), serial.PARITY_NONE) as port,
    ):
        yield Port(port)


DOORS = {"in-process": in_process, "twin://": url, "pty": pty}


def ask(door: Door, pdu: bytes, unit: int = 1) -> bytes:
    """One PDU in, the answer's PDU out, its address and CRC checked; b"" for silence."""
    answer = door.send(frame(unit, pdu))
    if answer:
        assert answer == frame(unit, answer[1:-2])
    return answer[1:-2]
