"""Two Modbus clients that nobody here wrote, at the twin's pty: pymodbus and Debian's mbpoll.

Addresses are those of docs/registers.md. What the clients must show is checked against the twin's
register map and against the names of the exceptions in MODBUS Application Protocol V1.1b3, 7.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusIOException

from plylane.head.registers import MAP_HASH, State, ZoneRegs
from plylane_twin import Scenario

sys.path.insert(0, str(Path(__file__).parents[1] / "twin"))
from doors import CLEAN, served

HEAD_MS, STATE, NOWHERE = 100, 102, 60000
SETPOINT = ZoneRegs.BLOCK.register("setpoint_degC").address
ILLEGAL_DATA_ADDRESS = 2


@pytest.fixture(scope="module")
def link(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with served(tmp_path_factory.mktemp("pty") / "head", Scenario.parse(CLEAN)) as path:
        yield path


@pytest.fixture
def client(link: Path) -> Iterator[ModbusSerialClient]:
    # none: a pseudo-terminal has no parity, and pyserial does not take no for an answer
    client = ModbusSerialClient(str(link), baudrate=115200, parity="N", timeout=1.0, retries=2)
    assert client.connect()
    yield client
    client.close()


def test_pymodbus_reads_telemetry(client: ModbusSerialClient) -> None:
    identity = client.read_input_registers(0, count=2, device_id=1).registers
    assert identity[0] << 16 | identity[1] == MAP_HASH
    first = client.read_input_registers(HEAD_MS, count=58, device_id=1).registers
    later = client.read_input_registers(HEAD_MS, count=58, device_id=1).registers
    assert first[STATE - HEAD_MS] == State.STOPPED
    assert later[0] << 16 | later[1] > first[0] << 16 | first[1]


def test_pymodbus_writes_a_setpoint(client: ModbusSerialClient) -> None:
    assert not client.write_register(SETPOINT, 9500, device_id=1).isError()
    assert client.read_holding_registers(SETPOINT, count=1, device_id=1).registers == [9500]


def test_pymodbus_gets_the_exception_for_a_bad_address(client: ModbusSerialClient) -> None:
    answer = client.read_input_registers(NOWHERE, count=1, device_id=1)
    assert answer.isError() and answer.exception_code == ILLEGAL_DATA_ADDRESS


def test_pymodbus_hears_nothing_from_another_unit(link: Path) -> None:
    client = ModbusSerialClient(str(link), baudrate=115200, parity="N", timeout=0.2, retries=0)
    assert client.connect()
    with pytest.raises(ModbusIOException):
        client.read_input_registers(HEAD_MS, count=1, device_id=9)
    client.close()


def mbpoll(link: Path, *options: str, values: tuple[str, ...] = ()) -> tuple[int, str]:
    """Exit status and all output of one call of mbpoll, addresses counted from 0."""
    program = shutil.which("mbpoll")
    if program is None:
        pytest.fail("mbpoll is missing; install it (Debian: apt install mbpoll)", pytrace=False)
    how = ["-m", "rtu", "-a", "1", "-b", "115200", "-P", "even", "-0", "-1", "-o", "2"]
    done = subprocess.run(
        [program, *how, *options, str(link), *values],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


def shown(output: str) -> list[int]:
    """The values mbpoll prints, one a line as ``[102]: \t2``; large ones also with their sign."""
    return [int(value) for value in re.findall(r"^\[\d+\]:\s+(\d+)", output, re.M)]


def test_mbpoll_reads_telemetry(link: Path) -> None:
    status, output = mbpoll(link, "-t", "3", "-r", "0", "-c", "2")
    assert status == 0, output
    high, low = shown(output)
    assert high << 16 | low == MAP_HASH
    status, output = mbpoll(link, "-t", "3", "-r", str(HEAD_MS), "-c", "58")
    assert status == 0, output
    assert len(shown(output)) == 58
    assert shown(output)[STATE - HEAD_MS] == State.STOPPED


def test_mbpoll_writes_a_setpoint(link: Path) -> None:
    status, output = mbpoll(link, "-t", "4", "-r", str(SETPOINT), values=("10500",))
    assert status == 0, output
    status, output = mbpoll(link, "-t", "4", "-r", str(SETPOINT))
    assert status == 0 and shown(output) == [10500], output


def test_mbpoll_gets_the_exception_for_a_bad_address(link: Path) -> None:
    status, output = mbpoll(link, "-t", "3", "-r", str(NOWHERE))
    assert status != 0
    assert "Illegal data address" in output
