"""Ports: real ttys (pty pairs) where the system has them, and the faults of opening in words."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from plylane.head import port as port_module
from plylane.head.client import HeadClient
from plylane.head.clock import WallClock
from plylane.head.errors import (
    NoAnswer,
    PortBusy,
    PortForbidden,
    PortLost,
    PortMissing,
    PortUnfit,
    TwinMissing,
)
from plylane.head.link import Link
from plylane.head.port import clock_of, list_ports, open_port

posix_only = pytest.mark.skipif(os.name != "posix", reason="pty pairs are POSIX")


@pytest.fixture
def pair() -> Iterator[tuple[int, str]]:
    """A pty: file descriptor of the far end, device name of the near one."""
    far, near = os.openpty()
    name = os.ttyname(near)
    os.close(near)
    yield far, name
    with contextlib.suppress(OSError):
        os.close(far)


@contextlib.contextmanager
def nobody() -> Iterator[None]:
    """Without the superuser's rights, under which nothing is forbidden."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@posix_only
def test_a_tty_opens_at_115200_8e1_and_keeps_dtr(pair: tuple[int, str]) -> None:
    import termios

    modes = termios.tcgetattr(pair[0])
    modes[2] |= termios.HUPCL
    termios.tcsetattr(pair[0], termios.TCSANOW, modes)
    port = open_port(pair[1])
    assert isinstance(port, serial.Serial)
    assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (115200, 8, "E", 1)
    assert not termios.tcgetattr(port.fileno())[2] & termios.HUPCL
    assert isinstance(clock_of(port), WallClock)
    port.close()


@posix_only
def test_a_port_in_use_is_busy(pair: tuple[int, str]) -> None:
    first = open_port(pair[1])
    with pytest.raises(PortBusy, match=f"{pair[1]} is in use: close the other program"):
        open_port(pair[1])
    first.close()
    open_port(pair[1]).close()


@posix_only
def test_a_port_without_permission_names_the_group(pair: tuple[int, str]) -> None:
    Path(pair[1]).chmod(0o000)
    with nobody(), pytest.raises(PortForbidden, match=f"You may not open {pair[1]}: get read"):
        open_port(pair[1])
    if os.geteuid() == 0:
        import grp

        Path(pair[1]).chmod(0o660)
        os.chown(pair[1], 0, grp.getgrnam("dialout").gr_gid)
        with (
            nobody(),
            pytest.raises(PortForbidden, match=r"join group dialout .*usermod -aG dialout"),
        ):
            open_port(pair[1])


def test_a_port_that_is_not_there_names_those_that_are(monkeypatch: pytest.MonkeyPatch) -> None:
    entry = serial.tools.list_ports_common.ListPortInfo("/dev/null")
    monkeypatch.setattr(port_module.serial_ports, "comports", lambda: [entry])
    with pytest.raises(PortMissing, match=r"No port /dev/ttyNONE9 .there are: /dev/null.: plug"):
        open_port("/dev/ttyNONE9")
    monkeypatch.setattr(port_module.serial_ports, "comports", lambda: [])
    with pytest.raises(PortMissing, match="no serial port is there"):
        open_port("/dev/ttyNONE9")


def test_what_is_no_port_is_told_so(tmp_path: Path) -> None:
    file = tmp_path / "run.toml"
    file.write_text("x")
    with pytest.raises(PortUnfit):
        open_port(str(file))
    with pytest.raises(PortUnfit, match="it is a folder"):
        open_port(str(tmp_path))
    with pytest.raises(PortUnfit, match="'twinn' not known"):
        open_port("twinn://demo")


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        # what pyserial raises on Windows: only the text of the system's error comes through
        (
            serial.SerialException("could not open port 'COM9': FileNotFoundError(2, 'x')"),
            PortMissing,
        ),
        (serial.SerialException("could not open port 'COM3': PermissionError(13, 'x')"), PortBusy),
        (serial.SerialException(errno.EACCES, "no"), PortForbidden),
        (serial.SerialException(errno.EBUSY, "no"), PortBusy),
        (serial.SerialException(errno.ENODEV, "no"), PortMissing),
        (serial.SerialException(errno.EIO, "no"), PortLost),
        (serial.SerialException("Could not configure port: (25, 'x')"), PortUnfit),
    ],
)
def test_opening_faults_are_told_apart(
    monkeypatch: pytest.MonkeyPatch, fault: Exception, kind: type[Exception]
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise fault

    monkeypatch.setattr(port_module.serial, "serial_for_url", refuse)
    with pytest.raises(kind) as caught:
        open_port("COM9")
    assert "\n" not in str(caught.value)
    assert "COM9" in str(caught.value)


def test_a_host_without_the_twin_says_what_it_lacks(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in sys.modules if name.startswith("plylane_twin")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "plylane_twin", None)
    with pytest.raises(TwinMissing, match="The twin "):
        open_port("twin://demo")


def test_ports_are_listed_without_opening_one(monkeypatch: pytest.MonkeyPatch) -> None:
    entries = [serial.tools.list_ports_common.ListPortInfo(name) for name in ("/dev/b", "/dev/a")]
    entries[0].description = "USB adapter"
    monkeypatch.setattr(port_module.serial_ports, "comports", lambda: entries)
    monkeypatch.setattr(port_module.os, "access", lambda device, mode: device == "/dev/b")
    monkeypatch.setattr(port_module.serial, "serial_for_url", None)
    first, second = list_ports()
    assert (first.device, first.description, first.usable) == ("/dev/a", "", os.name != "posix")
    assert (second.device, second.description, second.usable) == ("/dev/b", "USB adapter", True)
    assert second.note == ""


@posix_only
def test_a_tty_whose_other_end_vanishes_is_lost(pair: tuple[int, str]) -> None:
    far, name = pair
    link = Link(open_port(name), name=name)
    os.close(far)
    with pytest.raises(PortLost, match=f"Port {name} went away"):
        link.read_input(100, 4)


@posix_only
def test_a_tty_with_nobody_behind_it(pair: tuple[int, str]) -> None:
    with pytest.raises(NoAnswer, match=r"2 silent|in 1 try|in 2 tries"):
        HeadClient.open(pair[1], patience_s=0.4)
