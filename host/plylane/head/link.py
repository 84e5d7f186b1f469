"""Modbus RTU transactions over a port: the one place for time-outs, silence and retries.

Modbus RTU answers carry no number, so an answer that comes late looks like the next request's.
Therefore: as soon as a transaction goes wrong the link counts as out of step, and before anything
else is asked it must get an echo (function 08/00) with a number never used before. Answers keep
their order on a line, so once that echo is back every older answer has gone by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pymodbus.pdu import ExceptionResponse, ModbusPDU
from pymodbus.pdu.file_message import ReadFifoQueueResponse
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse

from plylane.head import adu
from plylane.head.errors import HeadException, NoAnswer, PortLost
from plylane.head.port import ANSWER_S, BAUD, BITS_A_CHARACTER, PORT_FAULTS, Port, clock_of

CHARACTER_S = BITS_A_CHARACTER / BAUD
SILENCE_S = 0.00175
"""3.5 characters; fixed above 19200 baud. MODBUS over Serial Line V1.02, 2.5.1.1."""
TRIES = 3
_QUIET_S = 0.004
"""A line that brings nothing for so long is quiet: two silent intervals and some latency."""
_QUIET_WAITS = 40
_ECHO_BYTES = 3 * 256


@dataclass(slots=True)
class LinkCounters:
    """What the link went through since it was made. `stale` counts bytes thrown away unread."""

    requests: int = 0
    retries: int = 0
    silent: int = 0
    garbled: int = 0
    resyncs: int = 0
    stale: int = 0


class Link:
    """Transactions with one unit over one port. Not for several threads at once.

    Every call may raise PortLost (the port vanished), NoAnswer (after the last try) and
    HeadException (the head declined; never retried).
    """

    def __init__(
        self, port: Port, unit: int = 1, *, name: str = "port", tries: int = TRIES
    ) -> None:
        self.clock = clock_of(port)
        self.counters = LinkCounters()
        self.sent_s = 0.0
        """When the last good transaction's request had gone out, its line time included."""
        self.received_s = 0.0
        """When its answer began to come in."""
        self._port = port
        self._unit = unit
        self._name = name
        self._tries = tries
        self._in_step = False
        self._was_sent = False
        self._nonce = int(self.clock.now() * 1000.0)
        self._free_s = self.clock.now()
        self._line_is_timed = True

    def read_input(self, address: int, count: int) -> Sequence[int]:
        """Input registers, function 04."""
        return self._transact(adu.read_input(self._unit, address, count)).registers

    def read_holding(self, address: int, count: int) -> Sequence[int]:
        """Holding registers, function 03."""
        return self._transact(adu.read_holding(self._unit, address, count)).registers

    def write(self, address: int, words: Sequence[int], *, repeat: bool) -> None:
        """Write registers, function 06 or 16.

        `repeat`: writing the same again does no harm, so a lost answer is met by another try.
        Otherwise one try is made, and NoAnswer tells that the outcome is not known.
        """
        self._transact(adu.write(self._unit, address, words), repeat=repeat)

    def read_fifo(self, address: int) -> list[int]:
        """What waits in a queue, function 24; reading removes nothing."""
        answer = self._transact(adu.read_fifo(self._unit, address))
        assert isinstance(answer, ReadFifoQueueResponse)
        return answer.values

    def identify(self) -> dict[int, bytes]:
        """Basic device identification, function 43/14: object number to value."""
        objects: dict[int, bytes] = {}
        first = 0
        for _ in range(8):  # three objects, in as many answers as the device likes
            answer = self._transact(adu.identify(self._unit, first))
            assert isinstance(answer, ReadDeviceInformationResponse)
            objects.update(answer.information)
            if not answer.more_follows:
                break
            first = answer.next_object_id
        return objects

    def listen(self) -> bool:
        """Is anybody there? Sends one echo; afterwards no older answer can come any more."""
        try:
            return self._synchronise()
        except PORT_FAULTS as fault:
            raise self._lost(fault) from fault

    def _transact(self, request: adu.Request, *, repeat: bool = True) -> ModbusPDU:
        """The answer's PDU, after as many tries as allowed. Asking for step counts as a try."""
        silent, garbled, sent = self.counters.silent, self.counters.garbled, 0
        self.counters.requests += 1
        for tries in range(self._tries):
            self.counters.retries += tries > 0
            try:
                answer = self._try(request)
            except PORT_FAULTS as fault:
                raise self._lost(fault) from fault
            sent += self._was_sent
            if answer is not None:
                return self._accept(answer, request)
            if sent and not repeat:
                break
        raise NoAnswer(
            self._name,
            self._unit,
            silent=self.counters.silent - silent,
            garbled=self.counters.garbled - garbled,
            sent_once=bool(sent) and not repeat,
        )

    def _accept(self, answer: ModbusPDU, request: adu.Request) -> ModbusPDU:
        if isinstance(answer, ExceptionResponse):
            raise HeadException(answer.exception_code, request.what)
        return answer

    def _lost(self, fault: Exception) -> PortLost:
        return PortLost(self._name, " ".join(str(fault).split()))

    def _try(self, request: adu.Request) -> ModbusPDU | None:
        self._was_sent = False
        if not self._in_step and not self._synchronise():
            return None
        self._was_sent = True
        self._in_step = False
        sent_s = self._send(request.frame)
        answer = b""
        try:
            answer = self._receive(request)
            pdu = request.judge(answer)
        except adu.Garbled:
            self._count_failure(answer)
            return None
        self._stamp(sent_s, len(request.frame), len(answer))
        self._in_step = True
        return pdu

    def _send(self, frame: bytes) -> float:
        """Send after the silence the standard asks for; returns when."""
        wait_s = self._free_s - self.clock.now()
        if wait_s > 0.0:
            self.clock.sleep(wait_s)
        self._drop_stale()
        sent_s = self.clock.now()
        self._port.write(frame)
        return sent_s

    def _receive(self, request: adu.Request) -> bytes:
        answer = b""
        while (missing := request.wanted(answer) - len(answer)) > 0:
            piece = self._port.read(missing)
            answer += piece
            if len(piece) < missing:
                break
        return answer

    def _stamp(self, sent_s: float, out_bytes: int, back_bytes: int) -> None:
        """Note the round trip without the time its bytes took on the wire.

        A pty or a socket carries bytes in no time; there the wire's share is nothing.
        """
        now_s = self.clock.now()
        self._free_s = now_s + SILENCE_S
        wire_s = (out_bytes + back_bytes) * CHARACTER_S
        if now_s - sent_s < wire_s:
            self._line_is_timed = False
        share = CHARACTER_S if self._line_is_timed else 0.0
        self.sent_s = sent_s + out_bytes * share
        self.received_s = now_s - back_bytes * share

    def _count_failure(self, answer: bytes) -> None:
        if answer:
            self.counters.garbled += 1
        else:
            self.counters.silent += 1

    def _synchronise(self) -> bool:
        """Get in step by an echo with a new number; True when it came back.

        A device that declines function 08 cannot be brought in step, but it is there.
        """
        self.counters.resyncs += 1
        self._drain()
        self._nonce = (self._nonce + 1) & 0xFFFF
        request = adu.echo(self._unit, self._nonce)
        declined = adu.declined_echo(self._unit)
        self._port.write(request.frame)
        stream = b""
        until_s = self.clock.now() + 2.0 * ANSWER_S
        while len(stream) < _ECHO_BYTES and self.clock.now() < until_s:
            piece = self._port.read(1)
            stream += piece
            if not piece:
                break
            if request.frame in stream or declined in stream:
                self._in_step = True
                self._free_s = self.clock.now() + SILENCE_S
                return True
        self._count_failure(stream)
        return False

    def _drain(self) -> None:
        """Throw away what still comes until the line is quiet, or for 160 ms where it never is."""
        for _ in range(_QUIET_WAITS):
            self._drop_stale()
            self.clock.sleep(_QUIET_S)
            if not self._port.in_waiting:
                return

    def _drop_stale(self) -> None:
        waiting = self._port.in_waiting
        if waiting:
            self.counters.stale += waiting
            self._port.reset_input_buffer()
