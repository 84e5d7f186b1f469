"""Who may come in, from where, and what they may write."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from plylane.head.errors import UnknownRegister
from plylane.head.names import find
from plylane.head.registers import PathReferenceRegs

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
REFERENCE = (
    "feed.path_speed_mm_s",
    *(f"path_reference.{register.name}" for register in PathReferenceRegs.BLOCK.registers),
)
"""What a robot that leads the head has to write: its speed, or where it is on its path."""
_HOSTS_OWN = "command.events_taken"  # confirming events for the host would lose them


class GatewayError(Exception):
    """The gateway cannot be set up as asked. One line: what was wrong, what to do."""


@dataclass(frozen=True, slots=True)
class GatewaySettings:
    """Where the gateway listens, who may write what, and how much anybody may ask.

    `writers` are addresses; without any the gateway is read-only. `writable` are names of
    holding registers ("feed.path_speed_mm_s", all instances of it). `idle_s`: a connection that
    asks nothing for so long is closed; `frame_s`: so long a request may take to come in, an
    answer to be taken.
    """

    host: str = "127.0.0.1"
    port: int = 1502
    writers: frozenset[Address] = frozenset()
    writable: tuple[str, ...] = REFERENCE
    unit: int = 1
    connections: int = 8
    requests_per_s: float = 100.0
    arrivals_per_s: float = 20.0
    idle_s: float = 60.0
    frame_s: float = 2.0

    @classmethod
    def of(
        cls,
        listen: str,
        writers: Sequence[str] = (),
        writable: Sequence[str] = (),
        unit: int = 1,
    ) -> Self:
        """From the words of a command: `listen` is HOST:PORT. Raises GatewayError."""
        host, port = _place(listen)
        names = tuple(writable) or REFERENCE
        for name in names:
            _check_writable(name)
        return cls(host, port, frozenset(map(_address, writers)), names, unit)

    @property
    def loopback(self) -> bool:
        """Whether only programs of this computer can come in."""
        return self.host == "localhost" or _address(self.host).is_loopback


def plain(address: str) -> Address:
    """An address as it is compared: an IPv4 one that came by IPv6 is IPv4. Raises ValueError."""
    found = ipaddress.ip_address(address.partition("%")[0])
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return mapped or found


def _place(listen: str) -> tuple[str, int]:
    host, _, port = listen.rpartition(":")
    host = host.strip("[]")
    if not host or not port.isdecimal() or int(port) > 65535:
        raise GatewayError(
            f"{listen!r} is no place to listen at: give ADDRESS:PORT, 127.0.0.1:1502"
        )
    if host != "localhost":
        _address(host)
    return host, int(port)


def _address(text: str) -> Address:
    try:
        return plain(text)
    except ValueError:
        raise GatewayError(f"{text!r} is no address: give numbers such as 192.168.0.20") from None


def _check_writable(name: str) -> None:
    try:
        block, register = find(name)
    except UnknownRegister as error:
        raise GatewayError(f"{name} cannot be made writable: {error}") from error
    if block.space != "holding" or block.stored or register.write == "never" or name == _HOSTS_OWN:
        raise GatewayError(
            f"{name} cannot be made writable: choose a holding register that is neither a stored"
            f" setting nor {_HOSTS_OWN}; docs/registers.md lists them"
        )
