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
PATIENCE_S = 0.06  # virtual: longest answer 24 ms, adapter 4 ms
BUSY_S = 0.5  # of ours: a busy computer may keep the pty's server waiting


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

    def __init__(self, port: serial.SerialBase, patience_s: float) -> None:
        self.port = port
        self.port.timeout = patience_s

    def send(self, data: bytes) -> bytes:
        self.port.write(data)
        answer = bytes(self.port.read(5))
        while len(answer) >= 5 and (missing := length(answer) - len(answer)) > 0:
            piece = self.port.read(missing)
            assert piece, f"the answer stops after {answer.hex(' ')}"
            answer += piece
        return answer


def length(answer: bytes) -> int:
    """Length of the answer that begins so, by its function (V1.1b3, 6); 5 bytes tell, mostly."""
    match answer[1]:
        case 3 | 4 | 23:
            return 5 + answer[2]
        case 6 | 8 | 16:
            return 8
        case 24:
            return 6 + int.from_bytes(answer[2:4], "big")
        case 43:
            return identification_length(answer)
    return 5  # an exception


def identification_length(answer: bytes) -> int:
    """6.21: eight bytes, then id, length and text of each object; grows as they come."""
    at = 8
    if len(answer) < at:
        return at
    for _ in range(answer[7]):
        if len(answer) < at + 2:
            return at + 2
        at += 2 + answer[at + 1]
    return at + 2


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
        yield Port(port, PATIENCE_S)


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
        yield Port(port, BUSY_S)


DOORS = {"in-process": in_process, "twin://": url, "pty": pty}


def ask(door: Door, pdu: bytes, unit: int = 1) -> bytes:
    """One PDU in, the answer's PDU out, its address and CRC checked; b"" for silence."""
    answer = door.send(frame(unit, pdu))
    if answer:
        assert answer == frame(unit, answer[1:-2])
    return answer[1:-2]
