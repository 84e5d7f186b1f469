"""The board behind the doors that people use: a pty, a twin:// port, the commands."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import serial

from doors import BUSY_S, Port, ask, open_port
from heads import scenario
from plylane.head.client import HeadClient
from plylane.head.registers import Board as BoardKind
from plylane.head.registers import IdentityRegs
from plylane_twin import serve_pty


def test_a_pty_serves_the_board_to_any_client(elf: Path, tmp_path: Path) -> None:
    link, stop = tmp_path / "head", threading.Event()
    arguments = {"stop_event": stop, "board": elf}
    server = threading.Thread(target=serve_pty, args=(link, scenario()), kwargs=arguments)
    server.start()
    try:
        deadline = time.monotonic() + 10.0
        while not link.is_symlink():
            assert server.is_alive() and time.monotonic() < deadline
            time.sleep(0.005)
        with open_port(str(link), serial.PARITY_NONE) as port:
            door = Port(port, BUSY_S)
            time.sleep(0.3)  # wall time: the board reads its settings first
            # V1.1b3, 6.21: basic device identification
            assert b"press head controller" in ask(door, b"\x2b\x0e\x01\x00")
    finally:
        stop.set()
        server.join(10.0)
    assert not server.is_alive()


def test_the_host_s_client_opens_a_board_by_its_url(elf: Path) -> None:
    with HeadClient.open(f"twin://demo?pace=virtual&board={elf}") as client:
        assert client.read_block(IdentityRegs).board is BoardKind.ATMEGA328P
        assert client.snapshot().telemetry.head_ms > 0


@pytest.mark.parametrize(
    "arguments",
    [
        ["demo", "--headless", "--board", "none.elf", "--out", "runs"],
        ["twin", "--pty", "head", "--board", "none.elf"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_a_missing_program_is_one_line_with_the_remedy(
    tmp_path: Path, arguments: list[str]
) -> None:
    command = [sys.executable, "-m", "plylane.cli", *arguments]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert "none.elf: no such file" in done.stderr
    assert "make -C firmware_sim/uno" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_figures_are_printed_and_judged(elf: Path) -> None:
    from plylane_twin.measure import sizes, timing

    for lines in (timing(elf), sizes(elf)):
        for line in lines:
            assert line.startswith(("holds", "simulated")), line
