"""Finding and opening the port a head hangs on: a serial port, or a `twin://` URL."""

from __future__ import annotations

import contextlib
import errno
import importlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, cast

import serial
from serial.tools import list_ports as serial_ports

from plylane.head.clock import Clock, WallClock
from plylane.head.errors import (
    PortBusy,
    PortError,
    PortForbidden,
    PortLost,
    PortMissing,
    PortUnfit,
    TwinMissing,
)

try:
    import termios
except ImportError:  # Windows
    HAVE_TERMIOS = False
    PORT_FAULTS: tuple[type[Exception], ...] = (OSError,)
else:
    HAVE_TERMIOS = True
    # a port that vanishes also shows as termios.error, which is no OSError
    PORT_FAULTS = (OSError, termios.error)

BAUD = 115200
BITS_A_CHARACTER = 11
"""Start, 8 data, even parity, stop. MODBUS over Serial Line V1.02, 2.5.1."""
ANSWER_S = 0.15
"""How long to wait for the bytes of an answer: 14 ms of line, an adapter's 16 ms twice, spare."""
TWIN_SCHEME = "twin://"
_TWIN_PACKAGE = "plylane_twin"


class Port(Protocol):
    """What the link needs of a port; serial.Serial has it all. `timeout` bounds each `read`."""

    timeout: float | None

    @property
    def in_waiting(self) -> int:
        """Bytes that have come and were not read."""

    def read(self, size: int = 1, /) -> bytes:
        """Up to `size` bytes; fewer only when `timeout` seconds went by."""

    def write(self, data: bytes, /) -> int | None:
        """Send the bytes."""

    def reset_input_buffer(self) -> None:
        """Throw away what came and was not read."""

    def close(self) -> None:
        """Give the port back."""


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port of this computer. `usable` is False where `note` says what stands in the way."""

    device: str
    description: str
    usable: bool
    note: str


def clock_of(port: Port) -> Clock:
    """The clock a port brings along (a twin's), or the wall's."""
    clock = getattr(port, "clock", None)
    return WallClock() if clock is None else cast(Clock, clock)


def list_ports() -> list[PortInfo]:
    """Serial ports of this computer, by name. None is opened: opening one may reset a board."""
    found = sorted(serial_ports.comports(), key=lambda entry: entry.device)
    return [_port_info(entry.device, entry.description or "") for entry in found]


def open_port(name: str) -> Port:
    """Open a serial port (device name or pyserial URL) or a twin at 115200 baud 8E1.

    Raises a PortError that says what was wrong and what to do.
    """
    if name.startswith(TWIN_SCHEME):
        return _open_twin(name)
    for what, so in (("folder", Path.is_dir), ("file", Path.is_file)):
        if "://" not in name and so(Path(name)):
            raise PortUnfit(name, f"it is a {what}; plylane ports lists the ports")
    try:
        port = _serial_for_url(name)
    except PORT_FAULTS as fault:
        raise _explain(name, fault) from fault
    except ValueError as fault:
        raise PortUnfit(name, str(fault)) from fault
    _keep_board_running(port)
    _hasten(port)
    return port


def _serial_for_url(name: str) -> Port:
    try:
        return _serial_with(serial.PARITY_EVEN, name)
    except PORT_FAULTS:
        # a pseudo-terminal has no parity, and glibc refuses to ask it for one a second time
        if not _is_pseudo_terminal(name):
            raise
        return _serial_with(serial.PARITY_NONE, name)


def _is_pseudo_terminal(name: str) -> bool:
    """Linux and macOS names; `name` may be a link to one."""
    return Path(name).exists() and os.path.realpath(name).startswith(("/dev/pts/", "/dev/ttys"))


def _serial_with(parity: str, name: str) -> Port:
    port = serial.serial_for_url(
        name,
        baudrate=BAUD,
        bytesize=serial.EIGHTBITS,
        parity=parity,
        stopbits=serial.STOPBITS_ONE,
        timeout=ANSWER_S,
        write_timeout=1.0,
        # pyserial refuses False on Windows, where every port is exclusive anyway
        **({"exclusive": True} if HAVE_TERMIOS and "://" not in name else {}),
    )
    return cast(Port, port)


def _open_twin(url: str) -> Port:
    """A port whose far end is a twin. The twin's package is looked for only here."""
    try:
        importlib.import_module(f"{_TWIN_PACKAGE}.protocol_twin")
    except ImportError as fault:
        raise TwinMissing(_what_twin_lacks(fault)) from fault
    if _TWIN_PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(_TWIN_PACKAGE)
    try:
        return _serial_for_url(url)
    except RuntimeError as fault:  # its core is not built; the message says what to do
        raise TwinMissing(f"No twin: {_one_line(fault)}.") from fault
    except (ValueError, OSError) as fault:
        raise PortUnfit(url, _one_line(fault)) from fault


def _what_twin_lacks(fault: ImportError) -> str:
    if fault.name == _TWIN_PACKAGE:
        return "The twin is not installed: install plylane with its twin, or use a real port."
    return f"The twin cannot be loaded: {_one_line(fault)}; install plylane again."


def _keep_board_running(port: Port) -> None:
    """Leave DTR raised when the port is closed, so that the next opening makes no edge.

    The first opening after plugging in still resets a board that is wired to reset on DTR.
    """
    if not HAVE_TERMIOS or not isinstance(port, serial.Serial):
        return
    with contextlib.suppress(*PORT_FAULTS):
        modes = termios.tcgetattr(port.fileno())
        modes[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, modes)


def _hasten(port: Port) -> None:
    """Ask a USB adapter not to hoard bytes (up to 16 ms); most that cannot say so."""
    hasten = getattr(port, "set_low_latency_mode", None)
    if hasten is not None:
        with contextlib.suppress(ValueError, NotImplementedError, *PORT_FAULTS):
            hasten(True)


def _explain(name: str, fault: Exception) -> PortError:
    """The PortError for what opening raised.

    On Windows pyserial hands on only the text of the system's error: what is in use there is
    refused like what is forbidden.
    """
    number = getattr(fault, "errno", None)
    text = str(fault)
    if number == errno.EACCES or number == errno.EPERM:
        return PortForbidden(name, _group_of(name))
    if number in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text:
        return PortBusy(name)
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "FileNotFoundError" in text:
        return PortMissing(name, [port.device for port in list_ports()])
    if number == errno.EIO:
        return PortLost(name)
    return PortUnfit(name, _one_line(fault))


def _group_of(device: str) -> str | None:
    """Name of the group that may use a device, None where there is no such thing."""
    try:
        import grp

        status = Path(device).stat()
        group = grp.getgrgid(status.st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return None
    return group if status.st_mode & 0o060 == 0o060 and group != "root" else None


def _port_info(device: str, description: str) -> PortInfo:
    usable = not HAVE_TERMIOS or os.access(device, os.R_OK | os.W_OK)
    note = "" if usable else str(PortForbidden(device, _group_of(device)))
    return PortInfo(device, description if description != "n/a" else "", usable, note)


def _one_line(fault: Exception) -> str:
    """The fault's text without line breaks and closing stop."""
    return " ".join(str(fault).split()).rstrip(".") or type(fault).__name__
