"""pyserial's URL handler for ``twin://``: a serial port with a twin at its other end.

``twin://demo`` or ``twin://FILE.toml``, then after a ``?``:

- ``seed=7``: the twin's seed
- ``pace=virtual|wall|NUMBER``: how time runs; a number is a multiple of real time (default 1)
- ``boot_s=1.6``: opening the port resets the head, as on many boards, and it is deaf so long
- ``keep=NAME``: opening again under that name meets the same twin, as with a cable pulled and put
  back; without it each new port object has a twin of its own
- ``board=ELF``: the board's program, in a simulator, takes the twin's place

A host makes it known with ``serial.protocol_handler_packages.append("plylane_twin")``.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl, unquote

import serial

from plylane_twin.clock import Clock, clock_of
from plylane_twin.line import BAUD
from plylane_twin.make import make
from plylane_twin.scenario import Scenario
from plylane_twin.stand import Stand

SCHEME = "twin://"
QUEUE = 1024  # characters that wait for the line before write() blocks
_FRAMING = (BAUD, serial.EIGHTBITS, serial.PARITY_EVEN, serial.STOPBITS_ONE)
_HELP = "write twin://demo or twin://FILE.toml, then ?seed=7&pace=virtual"


@dataclass(frozen=True)
class Address:
    """What a twin:// URL asks for."""

    scenario: str
    seed: int = 7
    pace: str = "1"
    boot_s: float | None = None
    keep: str = ""
    board: str = ""


def parse(url: str) -> Address:
    """Take a URL apart. Raises serial.SerialException with one clear line."""
    if not url.lower().startswith(SCHEME):
        raise serial.SerialException(f"{url}: not a twin address; {_HELP}")
    path, _, query = url[len(SCHEME) :].partition("?")
    options: dict[str, Any] = {}
    for key, value in parse_qsl(query, keep_blank_values=True):
        options[key] = _option(url, key, value)
    if not path:
        raise serial.SerialException(f"{url}: no scenario is named; {_HELP}")
    return Address(unquote(path), **options)


def _option(url: str, key: str, value: str) -> int | float | str:
    try:
        match key:
            case "seed":
                return int(value)
            case "boot_s":
                return float(value)
            case "pace" | "keep" | "board":
                return value
    except ValueError:
        raise serial.SerialException(f"{url}: {key}={value} is not a number; {_HELP}") from None
    raise serial.SerialException(f"{url}: there is no option {key}; {_HELP}")


@dataclass(frozen=True)
class _Bench:
    """A twin and its clock; `lock` lets threads share them."""

    twin: Stand
    clock: Clock
    lock: threading.RLock


_kept: dict[str, _Bench] = {}


def _bench(address: Address) -> _Bench:
    if address.keep in _kept:
        return _kept[address.keep]
    demo = address.scenario == "demo"
    scenario = Scenario.demo() if demo else Scenario.load(address.scenario)
    twin = make(scenario, address.seed, address.board)
    try:
        bench = _Bench(twin, clock_of(twin, address.pace), threading.RLock())
    except ValueError as error:
        raise serial.SerialException(str(error)) from error
    if address.keep:
        _kept[address.keep] = bench
    return bench


class Serial(serial.SerialBase):
    """The port. `twin` and `clock` are at hand while it is open.

    Opening raises SerialException for a bad address, ScenarioError for a bad scenario and
    TwinUnavailable where the C core is missing; with `board` also BoardUnavailable or BoardError.
    With pace=virtual, time passes only in read(), write(), in_waiting (a millisecond a look while
    characters are on their way) and clock.sleep().
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._bench: _Bench | None = None
        self._opened_as: str | None = None
        self._cancelled = False
        super().__init__(*args, **kwargs)

    @property
    def bench(self) -> _Bench:
        """Twin, clock and lock. Raises PortNotOpenError before the first opening."""
        if self._bench is None:
            raise serial.PortNotOpenError()
        return self._bench

    @property
    def twin(self) -> Stand:
        """The twin at the other end."""
        return self.bench.twin

    @property
    def clock(self) -> Clock:
        """Twin time: now() in seconds, sleep(seconds)."""
        return self.bench.clock

    def open(self) -> None:
        """Open the port; the first time, this makes the twin."""
        if self.is_open:
            raise serial.SerialException("the port is open already")
        if self.port is None:
            raise serial.SerialException(f"no port is named; {_HELP}")
        address = parse(self.port)
        if self._bench is None or self._opened_as != self.port:
            self._bench, self._opened_as = _bench(address), self.port
        self._reconfigure_port()
        self.is_open = True
        if address.boot_s is not None:
            self.twin.reset(address.boot_s)
        self.reset_input_buffer()

    def close(self) -> None:
        """Close the port; the head goes on as time passes."""
        self.is_open = False

    def _reconfigure_port(self) -> None:
        framing = (self.baudrate, self.bytesize, self.parity, self.stopbits)
        # another speed or parity: neither side understands a character of the other
        self._understood = framing == _FRAMING

    def _checked(self) -> _Bench:
        if not self.is_open:
            raise serial.PortNotOpenError()
        return self.bench

    def _waiting(self, bench: _Bench) -> int:
        bench.clock.follow()
        if not self._understood:
            bench.twin.line.reset_input()
        return bench.twin.line.in_waiting

    @property
    def in_waiting(self) -> int:
        """Characters that can be read without waiting."""
        bench = self._checked()
        with bench.lock:
            count = self._waiting(bench)
            if not count and bench.twin.line_busy:
                # who looks again and again lets time pass, or an answer would never come
                bench.clock.wait()
                count = self._waiting(bench)
            return count

    def read(self, size: int = 1) -> bytes:
        """Up to `size` characters; fewer when `timeout` seconds of twin time have passed."""
        bench = self._checked()
        self._cancelled = False
        start = bench.clock.now()
        while True:
            with bench.lock:
                enough = self._waiting(bench) >= size
                late = self.timeout is not None and bench.clock.now() - start >= self.timeout
                if enough or late or self._cancelled or not self.is_open:
                    return bench.twin.line.read(size)
                bench.clock.wait()

    def write(self, data: Any, /) -> int:
        """Send characters; waits while too many wait for the line already."""
        bench = self._checked()
        data = bytes(data)
        for at in range(0, len(data), QUEUE):
            with bench.lock:
                bench.clock.follow()
                while bench.twin.line.out_waiting > QUEUE:
                    bench.clock.wait()
                if self._understood:
                    bench.twin.line.write(data[at : at + QUEUE])
        return len(data)

    def flush(self) -> None:
        """Wait until everything written has gone out."""
        bench = self._checked()
        while bench.twin.line.out_waiting:
            with bench.lock:
                bench.clock.wait()

    def reset_input_buffer(self) -> None:
        """Forget what has come and was not read."""
        bench = self._checked()
        with bench.lock:
            bench.clock.follow()
            bench.twin.line.reset_input()

    def reset_output_buffer(self) -> None:
        """Nothing to forget: what was written is on the line."""
        self._checked()

    def cancel_read(self) -> None:
        """Make a read() in another thread return what it has."""
        self._cancelled = True

    @property
    def out_waiting(self) -> int:
        """Characters written that are not on the line yet."""
        return self._checked().twin.line.out_waiting

    def _update_break_state(self) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass

    @property
    def cts(self) -> bool:
        """Always on: there is no handshake."""
        return True

    dsr = cd = cts

    @property
    def ri(self) -> bool:
        """Never on."""
        return False
