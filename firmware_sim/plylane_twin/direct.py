"""A port whose answers are there at once: the in-process door, for the host's client."""

from __future__ import annotations

from plylane_twin.stand import Stand
from plylane_twin.twin import Twin


class DirectPort:
    """What `HeadClient` needs of a port.

    On a twin a request takes no time; time passes in sleep().
    """

    def __init__(self, stand: Stand) -> None:
        self.stand = stand
        self.clock = self
        self.timeout: float | None = None
        self._answer = b""

    def now(self) -> float:
        """Virtual seconds."""
        return self.stand.time_s

    def sleep(self, seconds: float, /) -> None:
        """Let time pass, a millisecond at least."""
        self.stand.advance(max(1, round(seconds * 1000)))

    @property
    def in_waiting(self) -> int:
        """Characters of the answer that were not read yet."""
        return len(self._answer)

    def read(self, size: int = 1, /) -> bytes:
        """Up to `size` of them."""
        taken, self._answer = self._answer[:size], self._answer[size:]
        return taken

    def write(self, data: bytes, /) -> int:
        """A whole request; what the last answer left is forgotten."""
        self._answer = self.stand.exchange(data)
        return len(data)

    def reset_input_buffer(self) -> None:
        """Forget the answer."""
        self._answer = b""

    def record(self, frame: bytes, into: bytearray, row_bytes: int, period_ms: int) -> int:
        """Many polls at once: see `Twin.record`. Only where the stand is a twin."""
        assert isinstance(self.stand, Twin)
        return self.stand.record(frame, into, row_bytes, period_ms)

    def close(self) -> None:
        """Nothing stays open."""
        self._answer = b""
