"""The serial line between a host and the twin: character times, adapter latency, bit errors.

The line runs at 115200 baud, 8E1. Characters that a host writes go out one after another; answers
come back through a model of a USB adapter: the first character that arrives starts its latency
timer, and when that runs out everything received so far is handed over in one packet.

Bit errors strike each of the eleven bits of a character alike. A character that loses its start
bit is gone; one with a wrong stop bit or parity is dropped by the head's receiver, while adapters
by default hand it over as it is. So the host side sees every kind of corruption.
"""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Callable, Sequence
from typing import NamedTuple

BAUD = 115200
BITS = 11  # start, eight data, even parity, stop
CHARACTER_NS = round(BITS * 1e9 / BAUD)
NEVER = 2**63


class Packet(NamedTuple):
    """Characters that become readable at once."""

    ready_ns: int
    data: bytearray


class BitErrors:
    """Where bit errors strike: jumps from one to the next, so a clean line costs nothing.

    `rate` is the probability that one bit is wrong, 0 to 0.5.
    """

    def __init__(self, rate: float, seed: int) -> None:
        self._random = random.Random(seed)
        self._rate = 0.0
        self._gap = NEVER  # good bits until the next wrong one
        self.rate = rate

    @property
    def rate(self) -> float:
        """Probability that a bit is wrong."""
        return self._rate

    @rate.setter
    def rate(self, rate: float) -> None:
        if not 0.0 <= rate <= 0.5:
            raise ValueError(f"a bit error rate lies between 0 and 0.5, not at {rate}")
        if rate != self._rate:
            self._rate = rate
            self._gap = self._draw()

    def _draw(self) -> int:
        if self._rate == 0.0:
            return NEVER
        return int(math.log1p(-self._random.random()) / math.log1p(-self._rate))

    def strike(self, count: int) -> dict[int, int]:
        """Wrong bits among the next `count` characters: index -> mask of its eleven bits.

        Bit 0 is the start bit, 1 to 8 the data, 9 the parity, 10 the stop bit.
        """
        bits = count * BITS
        struck: dict[int, int] = {}
        while self._gap < bits:
            index, bit = divmod(self._gap, BITS)
            struck[index] = struck.get(index, 0) | 1 << bit
            self._gap += 1 + self._draw()
        if self._gap != NEVER:
            self._gap -= bits
        return struck


def _data(mask: int) -> int:
    return mask >> 1 & 0xFF


def at_head(value: int, mask: int) -> int | None:
    """What the head's receiver makes of a character with wrong bits: a value or nothing."""
    start_or_stop = mask & (1 | 1 << 10)
    parity_wrong = (mask >> 1 & 0x1FF).bit_count() % 2
    return None if start_or_stop or parity_wrong else value ^ _data(mask)


def at_host(value: int, mask: int) -> int | None:
    """What an adapter makes of it: parity and stop bit are not looked at."""
    return None if mask & 1 else value ^ _data(mask)


class Line:
    """One line. `send` takes (character, arrival time in ns) to the head; `now_ns` is the time.

    `latency_ms` is the range of the adapter's latency, drawn anew for each packet.
    """

    def __init__(
        self,
        send: Callable[[bytes, int], None],
        now_ns: Callable[[], int],
        *,
        latency_ms: tuple[float, float],
        bit_error_rate: float,
        seed: int,
    ) -> None:
        self._send, self._now_ns = send, now_ns
        self._latency_ns = (round(latency_ms[0] * 1e6), round(latency_ms[1] * 1e6))
        self._random = random.Random(seed)
        self._to_head = BitErrors(bit_error_rate, seed + 1)
        self._to_host = BitErrors(bit_error_rate, seed + 2)
        self._usual_rate = bit_error_rate
        self._free_ns = 0  # when the transmitter has sent what it was given
        self._packets: deque[Packet] = deque()
        self._closes_ns = -1  # of the packet being collected
        self._readable = bytearray()

    def set_noise(self, rate: float | None) -> None:
        """Put up another bit error rate; None goes back to the usual one."""
        self._to_head.rate = self._to_host.rate = self._usual_rate if rate is None else rate

    def write(self, data: bytes) -> int:
        """Send characters to the head; returns when the last one has arrived, in ns."""
        start = max(self._now_ns(), self._free_ns)
        self._free_ns = start + len(data) * CHARACTER_NS
        struck = self._to_head.strike(len(data))
        if struck:
            self._send_damaged(data, struck, start)
        else:
            self._send(data, start + CHARACTER_NS)
        return self._free_ns

    def _send_damaged(self, data: bytes, struck: dict[int, int], start: int) -> None:
        for index, value in enumerate(data):
            damaged = at_head(value, struck.get(index, 0))
            if damaged is not None:
                self._send(bytes([damaged]), start + (index + 1) * CHARACTER_NS)

    def arrive(self, data: bytes, times_ns: Sequence[int]) -> None:
        """The head has sent `data`; `times_ns` says when each character was complete."""
        struck = self._to_host.strike(len(data))
        for index, (value, at_ns) in enumerate(zip(data, times_ns, strict=True)):
            heard = at_host(value, struck[index]) if index in struck else value
            if heard is not None:
                self._into_packet(at_ns, heard)

    def _into_packet(self, at_ns: int, value: int) -> None:
        if at_ns > self._closes_ns:
            self._closes_ns = at_ns + self._random.randint(*self._latency_ns)
            self._packets.append(Packet(self._closes_ns, bytearray()))
        self._packets[-1].data.append(value)

    @property
    def in_waiting(self) -> int:
        """Characters that can be read now."""
        now = self._now_ns()
        while self._packets and self._packets[0].ready_ns <= now:
            self._readable += self._packets.popleft().data
        return len(self._readable)

    def read(self, size: int) -> bytes:
        """Up to `size` characters of those that can be read now."""
        count = min(size, self.in_waiting)
        taken = bytes(self._readable[:count])
        del self._readable[:count]
        return taken

    @property
    def on_its_way(self) -> bool:
        """Characters have arrived that the adapter has not handed over yet."""
        return bool(self._packets)

    @property
    def out_waiting(self) -> int:
        """Characters written that have not gone out yet."""
        return max(0, -((self._now_ns() - self._free_ns) // CHARACTER_NS))

    def reset_input(self) -> None:
        """Forget what waits to be read."""
        self.read(self.in_waiting)
