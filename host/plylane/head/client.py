"""The head as an object: typed reads and writes, commands, events, refusals in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol, Self, TypeVar

from plylane.head.adu import READ_MAX
from plylane.head.clock import Clock, HeadClock, Jump, WallClock
from plylane.head.errors import (
    HeadError,
    HeadException,
    LinkError,
    NoAnswer,
    NonsenseAnswer,
    NotAHead,
    OutOfRange,
    PortLost,
    Refused,
    WrongMap,
)
from plylane.head.link import Link, LinkCounters
from plylane.head.names import ACTING, address_of, find, holding_at, label, label_at, span
from plylane.head.port import Port, open_port
from plylane.head.registers import (
    FIFO_ADDRESS,
    FIRMWARE_VERSION,
    MAP_HASH,
    PRODUCT,
    TRANSITIONS,
    VENDOR,
    Board,
    Command,
    EventCode,
    IdentityRegs,
    MachineRegs,
    Refusal,
    RefusalRegs,
    ResetCause,
    SettingsOrigin,
    State,
    StoreAction,
)
from plylane.head.snapshot import (
    FIRST_WORD,
    Event,
    Fitted,
    RawEvent,
    Snapshot,
    decode,
    decode_events,
    spaced,
)
from plylane.head.wire import Block, Register

PATIENCE_S = 8.0
"""How long a board that resets on opening may take: boot loaders wait up to some 3 s (memory)."""
GAPS_S = (0.3, 0.6, 1.0, 1.6, 3.2)
"""Silence between tries while nobody answers. A boot loader may take what it hears for an upload
and start its wait anew, so the gaps grow beyond such a wait."""
EVENT_READS = 4
"""Reads that empty the head's queue: it keeps 16 events and shows 6."""
_YOUNG_SLACK_S = 0.05
_REPEATABLE = frozenset({Command.STOP, Command.HOLD, Command.ABORT})
"""Commands towards rest. Better sent twice than lost; the others are never repeated unasked."""


class Regs(Protocol):
    """A generated class of registers.py."""

    BLOCK: Block

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode one instance."""

    def to_words(self) -> list[int]:
        """Encode one instance."""


R = TypeVar("R", bound=Regs)


@dataclass(frozen=True, slots=True)
class Identity:
    """Who answers. `revision` is the text of device identification, `version` the firmware's."""

    vendor: str
    product: str
    revision: str
    version: str
    map_hash: int
    board: Board
    reset_cause: ResetCause
    settings_origin: SettingsOrigin
    settings_sequence: int


class HeadClient:
    """A head that answers. Not for several threads at once: a Poller's thread owns it.

    Calls raise LinkError (the line), Refused (the head changed nothing, and why), HeadException,
    OutOfRange or UnknownRegister (nothing was sent). Instances count from 0.
    """

    def __init__(self, opener: Callable[[], Port], *, unit: int = 1, name: str = "port") -> None:
        """A client that is not attached yet: see `open`, `open_port` and `greet`."""
        self.name = name
        self.unit = unit
        self.origin_s = 0.0
        """Port time that counts as 0 in snapshots and events."""
        self.head_clock = HeadClock()
        self.attach_reset = False
        """Whether opening the port made the board reset."""
        self.head_resets = 0
        """Resets of the head that were noticed while attached or between two attachments."""
        self.events_missed = 0
        """Events whose sequence numbers were skipped: lost in the head or by another client."""
        self.settings_writes = 0
        """Writes of stored settings that the head took."""
        self._opener = opener
        self._port: Port | None = None
        self._link: Link | None = None
        self._clock: Clock = WallClock()
        self._opened_s = 0.0
        self._greeted = False
        self._identity: Identity | None = None
        self._fitted = Fitted(1, 1, 1)
        self._last_event: RawEvent | None = None
        self._unconfirmed: list[RawEvent] = []

    @classmethod
    def open(
        cls,
        url: str,
        *,
        unit: int = 1,
        patience_s: float = PATIENCE_S,
        opener: Callable[[str], Port] = open_port,
    ) -> HeadClient:
        """Open a port (device name or URL) and greet the head there.

        Raises a PortError, NoAnswer after `patience_s`, NotAHead or WrongMap.
        """
        client = cls(lambda: opener(url), unit=unit, name=url)
        client.open_port()
        client.origin_s = client.clock.now()
        try:
            client._wait_for_head(patience_s)
        except BaseException:
            client.close()
            raise
        return client

    # ------------------------------------------------------------------ coming and going

    def open_port(self) -> None:
        """Open the port, without a word to the head. Raises a PortError."""
        self.close()
        self._port = self._opener()
        self._link = Link(self._port, self.unit, name=self.name)
        self._clock = self._link.clock
        self._opened_s = self._link.clock.now()

    def greet(self) -> bool:
        """One try to learn who answers; True when the head is there and fits.

        False when nobody answers. Raises PortLost, NotAHead, WrongMap, or NoAnswer when the head
        fell silent halfway.
        """
        if not self._line.listen():
            return False
        self._identity = self._identify()
        self._fitted = self._read_fitted()
        self._note_attach(self.snapshot().telemetry.head_ms)
        self._greeted = True
        return True

    def close(self) -> None:
        """Give the port back. May be called twice."""
        port, self._port, self._link = self._port, None, None
        self._greeted = False
        if port is not None:
            port.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def port_open(self) -> bool:
        """Whether the port is open (and, as far as known, still there)."""
        return self._port is not None

    @property
    def attached(self) -> bool:
        """Whether the port is open and a head has been greeted over it."""
        return self._port is not None and self._greeted

    @property
    def clock(self) -> Clock:
        """The port's clock, kept after the port is closed; the wall's before it is opened."""
        return self._clock

    @property
    def identity(self) -> Identity:
        """Who answered the last greeting."""
        if self._identity is None:
            raise LinkError(f"The head on {self.name} has not been greeted yet: open it first.")
        return self._identity

    @property
    def fitted(self) -> Fitted:
        """Zones, drives and lanes in use."""
        return self._fitted

    @property
    def counters(self) -> LinkCounters:
        """What the link went through since the port was opened."""
        return self._link.counters if self._link is not None else LinkCounters()

    # ------------------------------------------------------------------ reading

    def snapshot(self) -> Snapshot:
        """One coherent snapshot of everything that is fitted, in one request."""
        link = self._line
        words = link.read_input(FIRST_WORD, self._fitted.words)
        head_ms = words[0] << 16 | words[1]
        jump = self.head_clock.observe(head_ms, link.sent_s, link.received_s)
        time_s = self.time_s(head_ms)
        if jump is Jump.RESET:
            self._after_reset()
        return decode(words, self._fitted, time_s)

    def time_s(self, head_ms: int) -> float:
        """Host seconds since `origin_s` of a time on the head's clock."""
        return self.head_clock.host_s(head_ms) - self.origin_s

    def read(self, name: str, instance: int = 0) -> float:
        """A register by name ("zone.setpoint_degC"), in its unit."""
        block, register = find(name)
        address = address_of(name, instance)
        return register.decode(self._read_words(block, address, register.words))

    def read_block(self, regs: type[R], instance: int = 0) -> R:
        """One instance of a block, decoded."""
        block = regs.BLOCK
        words = self._read_words(block, block.address_of(instance), block.words)
        return self._decoded(regs, words)

    def read_blocks(self, regs: type[R]) -> tuple[R, ...]:
        """All instances of a block, in as few requests as they fit in."""
        block = regs.BLOCK
        at_once = READ_MAX // block.words
        found: list[R] = []
        for first in range(0, block.instances, at_once):
            count = min(at_once, block.instances - first)
            words = self._read_words(block, block.address_of(first), count * block.words)
            found += (
                self._decoded(regs, words[k * block.words : (k + 1) * block.words])
                for k in range(count)
            )
        return tuple(found)

    def read_registers(self, space: str, address: int, count: int) -> Sequence[int]:
        """Registers as they stand on the wire, 1 to 125; `space`: "input" or "holding"."""
        read = self._line.read_input if space == "input" else self._line.read_holding
        return read(address, count)

    # ------------------------------------------------------------------ writing

    def write(self, name: str, value: float, instance: int = 0) -> None:
        """Write a register by name, `value` in its unit."""
        block, register = find(name)
        address = address_of(name, instance)
        words = self._encoded(block, register, instance, value)
        self._write_words(address, words, repeat=name not in ACTING)
        self._after_write(block)

    def write_block(self, values: Regs, instance: int = 0) -> None:
        """Write one instance of a block at once. Not for blocks whose writing sets something off.

        Raises ValueError for such a block and for input registers.
        """
        block = values.BLOCK
        acting = [r.name for r in block.registers if f"{block.name}.{r.name}" in ACTING]
        if block.space != "holding" or acting:
            raise ValueError(f"{block.name} cannot be written as a whole")
        self._write_words(block.address_of(instance), values.to_words(), repeat=True)
        self._after_write(block)

    def write_registers(self, address: int, words: Sequence[int]) -> None:
        """Write holding registers as they stand on the wire, 1 to 123, and try only once.

        For values that are soon out of date: NoAnswer then says that the outcome is not known.
        """
        self._write_words(address, words, repeat=False)

    def command(self, command: Command) -> None:
        """Ask for a change of state. Raises Refused where the state knows no such way.

        Stop, hold and abort are sent again when their answer is lost, and count as done when the
        head is already there or on its way; the others are not sent again: NoAnswer then says
        that the outcome is not known.
        """
        repeat = command in _REPEATABLE
        try:
            self._write_words(address_of("command.command"), [int(command)], repeat=repeat)
        except Refused:
            if not (repeat and self._on_the_way(command)):
                raise

    def acknowledge(self, mask: int) -> None:
        """Acknowledge the alarms whose bits are set."""
        self.write("command.acknowledge", mask)

    def store(self, action: StoreAction) -> None:
        """Save the settings, load them again, or go back to defaults (in memory only)."""
        self.write("command.store", action)

    # ------------------------------------------------------------------ events

    def take_events(self) -> list[Event]:
        """All events that wait, oldest first, each once; the head drops what was taken.

        An event whose confirmation got lost is not handed out again.
        """
        taken: list[Event] = []
        for _ in range(EVENT_READS):
            try:
                raw = decode_events(self._line.read_fifo(FIFO_ADDRESS))
            except LinkError:
                if not taken:
                    raise
                break  # what was taken is safe; the next request meets the trouble again
            taken += [self._event(event) for event in raw if event not in self._unconfirmed]
            self._unconfirmed = raw
            if not raw or not self._confirm(raw[-1].sequence):
                break
        return taken

    def _confirm(self, sequence: int) -> bool:
        """Tell the head what we have; False when it may not have heard."""
        try:
            self.write("command.events_taken", sequence)
        except LinkError:
            return False
        self._unconfirmed = []
        return True

    def _event(self, raw: RawEvent) -> Event:
        self.events_missed += _skipped(self._last_event, raw)
        self._last_event = raw
        try:
            code = EventCode(raw.code)
        except ValueError as fault:
            raise NonsenseAnswer(f"The head sent an unknown event: {fault}.") from fault
        return Event(raw.sequence, code, raw.argument, raw.head_ms, self.time_s(raw.head_ms))

    # ------------------------------------------------------------------ greeting

    @property
    def _line(self) -> Link:
        if self._link is None:
            raise PortLost(self.name, "not open")
        return self._link

    def _wait_for_head(self, patience_s: float) -> None:
        clock = self.clock
        until_s = clock.now() + patience_s
        tries = 0
        while not self._try_greeting():
            gap_s = GAPS_S[min(tries, len(GAPS_S) - 1)]
            tries += 1
            if clock.now() + gap_s > until_s:
                counted = self._line.counters
                raise NoAnswer(
                    self.name,
                    self.unit,
                    silent=counted.silent,
                    garbled=counted.garbled,
                    sent_once=False,
                )
            clock.sleep(gap_s)

    def _try_greeting(self) -> bool:
        try:
            return self.greet()
        except NoAnswer:
            return False

    def _identify(self) -> Identity:
        """Device identification, then the identity block; both must fit the map."""
        try:
            texts = self._line.identify()
        except HeadException as fault:
            raise NotAHead(self._foreign("does not identify itself")) from fault
        vendor, product, revision = (_text(texts.get(number, b"")) for number in range(3))
        if (vendor, product) != (VENDOR, PRODUCT):
            raise NotAHead(self._foreign(f"says it is {vendor!r} {product!r}"))
        try:
            regs = self.read_block(IdentityRegs)
        except (HeadException, NonsenseAnswer) as fault:
            raise NotAHead(self._foreign(f"({revision}) has no identity registers")) from fault
        self._check_map(regs)
        return Identity(
            vendor,
            product,
            revision,
            _version(regs),
            regs.map_hash,
            regs.board,
            regs.reset_cause,
            regs.settings_origin,
            regs.settings_sequence,
        )

    def _foreign(self, what: str) -> str:
        return (
            f"What answers as unit {self.unit} on {self.name} {what}:"
            " choose the port or unit of a plylane head."
        )

    def _check_map(self, regs: IdentityRegs) -> None:
        if regs.map_hash != MAP_HASH:
            host = ".".join(str(part) for part in FIRMWARE_VERSION)
            raise WrongMap(_version(regs), regs.map_hash, host, MAP_HASH)

    def _read_fitted(self) -> Fitted:
        machine = self.read_block(MachineRegs)
        return Fitted(machine.zones_fitted, machine.drives_fitted, machine.lanes_fitted)

    def _note_attach(self, head_ms: int) -> None:
        """Did opening the port reset the board?

        It did when the head is younger than the opening. A boot loader may have cleared the
        cause, so only a known power-on speaks against it.
        """
        age_s = self.clock.now() - self._opened_s
        young = head_ms / 1000.0 <= age_s + _YOUNG_SLACK_S
        powered = ResetCause.POWER_ON in self.identity.reset_cause
        self.attach_reset = young and not powered

    def _after_reset(self) -> None:
        """The head started anew: its numbers begin again, its cause of reset is another."""
        self.head_resets += 1
        self._unconfirmed = []
        self._last_event = None
        self._identity = self._identify()
        self._fitted = self._read_fitted()

    # ------------------------------------------------------------------ words on the line

    def _read_words(self, block: Block, address: int, count: int) -> Sequence[int]:
        if block.space == "input":
            return self._line.read_input(address, count)
        return self._line.read_holding(address, count)

    def _decoded(self, regs: type[R], words: Sequence[int]) -> R:
        try:
            return regs.from_words(words)
        except ValueError as fault:
            raise NonsenseAnswer(
                f"The head sent {regs.BLOCK.name} that makes no sense: {fault}."
            ) from fault

    def _encoded(self, block: Block, register: Register, instance: int, value: float) -> list[int]:
        """Words of a value, or OutOfRange."""
        what = label(block, register, instance)
        if register.write == "never":
            raise OutOfRange(f"{what} can only be read.")
        try:
            return register.encode(value)
        except ValueError as fault:
            asked = "no number" if not math.isfinite(value) else f"{value:.10g} {register.unit}"
            raise OutOfRange(
                f"{what} cannot be {asked.rstrip()}: ask for {span(register)}."
            ) from fault

    def _write_words(self, address: int, words: Sequence[int], *, repeat: bool) -> None:
        try:
            self._line.write(address, words, repeat=repeat)
        except HeadException as fault:
            if fault.code not in (2, 4, 6):
                raise
            raise self._refusal(fault, address, len(words)) from fault
        found = holding_at(address)
        self.settings_writes += found is not None and found[0].stored

    def _after_write(self, block: Block) -> None:
        if block.name == "machine":
            self._fitted = self._read_fitted()

    # ------------------------------------------------------------------ refusals

    def _refusal(self, fault: HeadException, address: int, count: int) -> HeadError:
        """The refusal behind an exception, in words; the exception itself where there is none."""
        try:
            regs = self.read_block(RefusalRegs)
            if not address <= regs.address < address + count:
                return fault
            return Refused(self._what_was_asked(regs), self._why(regs), regs.reason, fault.code)
        except (LinkError, HeadException):
            return fault

    def _what_was_asked(self, regs: RefusalRegs) -> str:
        found = holding_at(regs.address)
        if found is None:
            return f"{regs.value} for holding register {regs.address}"
        block, register, _ = found
        if block.name == "command" and register.name == "command":
            return f"the command {_named(Command, regs.value)}"
        value = register.in_unit(regs.value)
        return f"{value:.10g} {register.unit}".rstrip() + f" for {label(*found)}"

    def _why(self, regs: RefusalRegs) -> str:
        """The head's reason, with the range, the limit or the states that would do."""
        found = holding_at(regs.address)
        match regs.reason:
            case Refusal.OUT_OF_RANGE if found is not None:
                return f"out of range, it takes {self._range(*found)}"
            case Refusal.WRONG_STATE:
                return f"not in state {self._state()}, {_when(regs.address)}"
            case Refusal.NO_SUCH_TRANSITION:
                return f"state {self._state()} knows no such command, {_ways_from(regs.value)}"
            case Refusal.SETPOINT_ABOVE_LIMIT if found is not None:
                limit = self.read("zone_settings.setpoint_max_degC", found[2])
                return f"above the zone's setpoint_max_degC of {limit:g} degC, ask for less"
            case Refusal.ALARM_STANDING:
                return "an alarm still stands, see to it and acknowledge it first"
            case Refusal.BUSY_SAVING:
                return "it is saving its settings, try again in a second"
            case Refusal.NOT_FITTED:
                return f"{label_at(regs.address)} is not fitted, see machine settings"
            case reason:
                return spaced(reason.name)

    def _range(self, block: Block, register: Register, instance: int) -> str:
        """The map's range, or the head's own top speed where that is lower."""
        if block.name == "feed" and register.name.endswith("speed_mm_s"):
            top = self.read("machine.speed_max_mm_s")
            return f"up to machine.speed_max_mm_s, {top:g} mm/s"
        return span(register)

    def _state(self) -> str:
        return _named(State, int(self.read("telemetry.state")))

    def _on_the_way(self, command: Command) -> bool:
        """Is the head where that command leads, or on its way there?"""
        state = self.read("telemetry.state")
        places = {
            Command.HOLD: (State.HOLDING, State.HELD),
            Command.STOP: (State.STOPPING, State.STOPPED),
            Command.ABORT: (State.ABORTING, State.ABORTED),
        }
        return state in places[command]


def _skipped(last: RawEvent | None, event: RawEvent) -> int:
    """How many sequence numbers lie between two events; they run 1 to 65535, then 1 again.

    0 where the head started anew in between (numbers go back).
    """
    if last is None or event.code == EventCode.HEAD_RESET:
        return 0
    skipped = (event.sequence - last.sequence - 1) % 0xFFFF
    return skipped if skipped < 0x8000 else 0


def _text(value: bytes) -> str:
    return value.decode("ascii", "replace")


def _version(regs: IdentityRegs) -> str:
    return f"{regs.version_major}.{regs.version_minor}.{regs.version_patch}"


def _named(kind: type[IntEnum], value: int) -> str:
    known = value in kind.__members__.values()
    return spaced(kind(value).name) if known else str(value)


def _when(address: int) -> str:
    """The states in which a holding register can be written."""
    found = holding_at(address)
    if found is not None and found[1].name == "jog_length_mm":
        return "only in idle or held"
    if found is not None and found[1].write == "still":
        return "only in stopped, idle, held, complete or aborted"
    return "wait until it stands still"


def _ways_from(command: int) -> str:
    """The states that know a command."""
    states = [spaced(state.name) for state, known in TRANSITIONS if known == command]
    return f"it goes from {', '.join(states)}" if states else "no state does"
