"""What can go wrong between host and head; every message is one line: what was wrong, what to do.

`LinkError` and below: the line or what hangs on it. `Refused`, `HeadException`, `OutOfRange` and
`UnknownRegister`: the line is good, the request was not.
"""

# Each says what is wrong rather than that something is.
# ruff: noqa: N818
from __future__ import annotations

from plylane.head.registers import Refusal

MODBUS_EXCEPTIONS = {
    1: "function not known",
    2: "no such register",
    3: "request malformed",
    4: "not done",
    6: "busy",
}
"""Exception codes that a head sends. MODBUS Application Protocol V1.1b3, section 7."""


class HeadError(Exception):
    """Anything this package raises about a head."""


class LinkError(HeadError):
    """The head cannot be talked to."""


class PortError(LinkError):
    """The port itself is the trouble."""


class PortMissing(PortError, FileNotFoundError):
    """No such port. Example: the cable is out, or the number changed when it was put back."""

    def __init__(self, port: str, others: list[str]) -> None:
        there = "there are: " + ", ".join(others) if others else "no serial port is there"
        super().__init__(f"No port {port} ({there}): plug the head in, or name another port.")
        self.port = port
        self.others = others


class PortForbidden(PortError, PermissionError):
    """The port is there but may not be opened. Example: the user is not in group dialout."""

    def __init__(self, port: str, group: str | None) -> None:
        if group is None:
            remedy = "get read and write permission for it"
        else:
            remedy = f"join group {group} (sudo usermod -aG {group} $USER) and log in again"
        super().__init__(f"You may not open {port}: {remedy}.")
        self.port = port
        self.group = group


class PortBusy(PortError, BlockingIOError):
    """Another program holds the port. Example: a second monitor, or a terminal program."""

    def __init__(self, port: str) -> None:
        super().__init__(f"Port {port} is in use: close the other program that holds it.")
        self.port = port


class PortUnfit(PortError, ValueError):
    """It is there, but no serial port. Example: the name of a file, or a misspelt URL."""

    def __init__(self, port: str, why: str) -> None:
        super().__init__(f"Cannot use {port} as a port: {why}.")
        self.port = port


class PortLost(PortError, ConnectionError):
    """The port went away while open. Example: the plug was pulled."""

    def __init__(self, port: str, why: str = "") -> None:
        detail = f" ({why})" if why else ""
        super().__init__(f"Port {port} went away{detail}: plug the head in again.")
        self.port = port


class TwinMissing(PortError, ImportError):
    """A twin:// port where no twin is built. Example: there was no C compiler at install."""


class NoAnswer(LinkError, TimeoutError):
    """The port is good, but no right answer came.

    Examples: the head has no supply; another baud rate; noise on every answer. `silent` and
    `garbled` count how the tries ended; `sent_once` tells that the request was a write that must
    not be repeated blindly, so whether the head acted on it is not known.
    """

    def __init__(self, port: str, unit: int, *, silent: int, garbled: int, sent_once: bool) -> None:
        tries = silent + garbled
        if garbled > silent:
            remedy = "answers are garbled: check 115200 baud 8E1, cable and grounding"
        else:
            remedy = "check supply, cable and unit address"
        if sent_once:
            remedy = "it is not known whether the head acted: look at its state before repeating"
        plural = "try" if tries == 1 else "tries"
        super().__init__(f"No answer from unit {unit} on {port} in {tries} {plural}: {remedy}.")
        self.silent = silent
        self.garbled = garbled
        self.sent_once = sent_once


class NotAHead(LinkError):
    """Something answers, but no press head. Example: another Modbus device on that port."""


class WrongMap(LinkError):
    """A head with another register map than this host's. Example: new host, old firmware."""

    def __init__(
        self, head_version: str, head_hash: int, host_version: str, host_hash: int
    ) -> None:
        super().__init__(
            f"The head (firmware {head_version}) has register map {head_hash:08x}, this host"
            f" (for firmware {host_version}) knows {host_hash:08x}:"
            " flash matching firmware or install the matching host."
        )
        self.head_hash = head_hash
        self.host_hash = host_hash


class NonsenseAnswer(LinkError, ValueError):
    """A whole answer whose values the map does not know. Example: a state number that is none."""


class HeadException(HeadError):
    """The head answered with a Modbus exception. Example: 02 for an address outside the map."""

    def __init__(self, code: int, request: str) -> None:
        meaning = MODBUS_EXCEPTIONS.get(code, "meaning unknown")
        super().__init__(f"The head answered exception {code:02d} ({meaning}) to {request}.")
        self.code = code
        self.request = request


class Refused(HeadError):
    """The head changed nothing and said why. Example: a setting written while it feeds."""

    def __init__(self, what: str, why: str, reason: Refusal, code: int) -> None:
        super().__init__(f"The head refused {what}: {why}.")
        self.what = what
        self.reason = reason
        self.code = code


class OutOfRange(HeadError, ValueError):
    """The value cannot go into that register at all; nothing was sent."""


class UnknownRegister(HeadError, LookupError):
    """No register or instance of that name in the map. Example: a misspelt name in a scenario."""
