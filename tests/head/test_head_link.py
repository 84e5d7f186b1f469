"""The link against a server of pymodbus's own parts, over a line that does anything to answers.

Trusted: answers keep their order on the line; CRC-16 finds every change of up to 3 bits and every
burst of up to 16 bits in frames of this length (polynomial 0x8005 has the factor x + 1, hence all
odd numbers of bits; W. W. Peterson, D. T. Brown, Cyclic Codes for Error Detection, 1961 (memory)).
Not trusted: anything that comes. Invariants: a value that is handed out is the head's value for
that request; tries are bounded; writes that set something off are sent once.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fake_head import BYTE_S, FakeClock, FakeHead, FakePort, Fault
from plylane.head.errors import HeadException, NoAnswer, PortLost
from plylane.head.link import SILENCE_S, TRIES, Link
from plylane.head.registers import FIFO_ADDRESS, PRODUCT, VENDOR, Refusal

FIRST, WORDS = 110, 48  # input registers that stand still


def bench() -> tuple[Link, FakeHead, FakePort]:
    clock = FakeClock()
    head = FakeHead(clock)
    for at in range(FIRST, FIRST + WORDS):
        head.input[at] = at * 257 & 0xFFFF
    port = FakePort(head, clock)
    return Link(port), head, port


def crc_is_right(frame: bytes) -> bool:
    """CRC-16/MODBUS bit by bit, as the specification draws it (V1.02, 6.2.2)."""
    crc = 0xFFFF
    for byte in frame[:-2]:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return frame[-2:] == crc.to_bytes(2, "little")


def test_every_request_brings_the_heads_values() -> None:
    link, head, _ = bench()
    assert list(link.read_input(110, 3)) == [head.input[at] for at in (110, 111, 112)]
    link.write(41, [11000], repeat=True)
    assert list(link.read_holding(41, 1)) == [11000]
    link.write(125, [5, 6], repeat=True)
    assert [head.holding[at] for at in (125, 126)] == [5, 6]
    head.happen(9, 77)
    assert link.read_fifo(FIFO_ADDRESS)[5:8] == [2, 9, 77]
    texts = link.identify()
    assert (texts[0], texts[1]) == (VENDOR.encode(), PRODUCT.encode())


@given(
    faults=st.lists(
        st.builds(
            Fault,
            silent=st.booleans(),
            mute=st.booleans(),
            late_s=st.one_of(st.just(0.0), st.floats(0.0, 3.0)),
            gap_s=st.one_of(st.just(0.0), st.floats(0.0, 0.4)),
            pieces=st.integers(1, 60),
        ),
        max_size=12,
    ),
    reads=st.lists(st.tuples(st.integers(FIRST, 140), st.integers(1, 17)), min_size=1, max_size=8),
    pauses=st.lists(st.floats(0.0, 0.5), min_size=8, max_size=8),
)
@settings(max_examples=300, deadline=None)
def test_a_late_answer_is_never_the_next_requests(
    faults: list[Fault], reads: list[tuple[int, int]], pauses: list[float]
) -> None:
    """Several reads of the same length look alike; only their order tells them apart."""
    link, head, port = bench()
    port.inject(faults)
    for (address, count), pause_s in zip(reads, pauses, strict=False):
        sent = len(port.written)
        try:
            words = link.read_input(address, count)
        except NoAnswer:
            pass
        else:
            assert list(words) == [head.input[at] for at in range(address, address + count)]
        assert len(port.written) - sent <= 2 * TRIES  # each try may ask for step first
        port.clock.sleep(pause_s)


@given(flips=st.lists(st.integers(0, (5 + 2 * WORDS) * 8 - 1), min_size=1, max_size=3, unique=True))
@settings(max_examples=200, deadline=None)
def test_up_to_three_wrong_bits_never_bring_a_wrong_value(flips: list[int]) -> None:
    link, head, port = bench()
    link.listen()
    port.inject([Fault(corrupt=lambda frame: flipped(frame, flips))])
    words = link.read_input(FIRST, WORDS)
    assert list(words) == [head.input[FIRST + k] for k in range(WORDS)]
    assert link.counters.garbled + link.counters.silent == 1
    assert link.counters.retries == 1


def flipped(frame: bytes, flips: list[int]) -> bytes:
    value = int.from_bytes(frame, "big")
    for bit in flips:
        value ^= 1 << bit
    return value.to_bytes(len(frame), "big")


@given(start=st.integers(0, (5 + 2 * WORDS) * 8 - 16), burst=st.integers(1, 0xFFFF))
@settings(max_examples=200, deadline=None)
def test_a_burst_of_noise_never_brings_a_wrong_value(start: int, burst: int) -> None:
    link, head, port = bench()
    link.listen()
    mask = [start + k for k in range(16) if burst >> k & 1]
    port.inject([Fault(corrupt=lambda frame: flipped(frame, mask))])
    assert list(link.read_input(FIRST, WORDS)) == [head.input[FIRST + k] for k in range(WORDS)]


@given(garbage=st.binary(min_size=1, max_size=300))
@settings(max_examples=200, deadline=None)
def test_garbage_in_place_of_an_answer_is_thrown_away(garbage: bytes) -> None:
    """Garbage before, behind and instead of the frame."""
    link, head, port = bench()
    right = [head.input[FIRST + k] for k in range(4)]
    for corrupt in (lambda f: garbage + f, lambda f: f + garbage, lambda f: garbage):
        port.inject([Fault(corrupt=corrupt)])
        link.listen()
        port.inject([Fault(corrupt=corrupt)])
        assert list(link.read_input(FIRST, 4)) == right


@given(answer=st.binary(min_size=0, max_size=40), function=st.sampled_from([3, 4, 6, 16, 24, 43]))
@settings(max_examples=300, deadline=None)
def test_no_bytes_whatever_crash_the_link(answer: bytes, function: int) -> None:
    """Any bytes, with a right unit and function in front half of the time."""
    link, _, port = bench()
    link.listen()
    asks: dict[int, Callable[[], object]] = {
        3: lambda: link.read_holding(100, 4),
        4: lambda: link.read_input(FIRST, 4),
        6: lambda: link.write(41, [1], repeat=True),
        16: lambda: link.write(125, [0, 1], repeat=True),
        24: lambda: link.read_fifo(FIFO_ADDRESS),
        43: link.identify,
    }
    forged = bytes((1, function)) + answer
    port.inject([Fault(corrupt=lambda _: forged), Fault(), Fault(corrupt=lambda _: answer)])
    asks[function]()
    assert link.counters.garbled + link.counters.silent >= 1


@pytest.mark.parametrize("size", range(0, 5 + 2 * 4))
def test_an_answer_cut_anywhere_is_asked_for_again(size: int) -> None:
    link, head, port = bench()
    link.listen()
    port.inject([Fault(corrupt=lambda frame: frame[:size])])
    assert list(link.read_input(FIRST, 4)) == [head.input[FIRST + k] for k in range(4)]
    assert link.counters.retries == 1


@pytest.mark.parametrize("pieces", [1, 2, 5, 30])
def test_an_answer_in_pieces_is_put_together(pieces: int) -> None:
    """One byte at a time, with pauses such as USB packets make."""
    link, head, port = bench()
    link.listen()
    port.inject([Fault(gap_s=0.001, pieces=pieces)])
    assert list(link.read_input(FIRST, WORDS)) == [head.input[FIRST + k] for k in range(WORDS)]
    assert link.counters.retries == 0


def test_another_units_answer_is_none() -> None:
    link, head, port = bench()
    link.listen()
    port.inject([Fault(corrupt=lambda _: head.framer.encode(b"\x04\x02\x00\x07", 2, 0))])
    assert list(link.read_input(FIRST, 1)) == [head.input[FIRST]]
    assert link.counters.garbled == 1


def test_a_write_answered_for_another_register_is_not_taken() -> None:
    link, head, port = bench()
    link.listen()
    port.inject([Fault(corrupt=lambda _: head.framer.encode(b"\x06\x00\x2a\x00\x01", 1, 0))])
    link.write(41, [1], repeat=True)
    assert head.writes == [(41, [1]), (41, [1])]


def test_silence_ends_after_the_last_try() -> None:
    link, head, port = bench()
    link.listen()
    port.inject([Fault(silent=True)] * 50)
    began_s = port.clock.now()
    with pytest.raises(NoAnswer, match="No answer from unit 1 on port in 3 tries"):
        link.read_input(FIRST, 4)
    assert port.clock.now() - began_s < 1.5
    assert head.requests == 1  # the echo before


def test_what_must_not_be_repeated_is_sent_once() -> None:
    link, head, port = bench()
    link.listen()
    port.inject([Fault(mute=True)])
    with pytest.raises(NoAnswer, match="not known whether the head acted") as caught:
        link.write(0, [2], repeat=False)
    assert caught.value.sent_once
    assert head.writes == [(0, [2])]


def test_what_must_not_be_repeated_waits_for_step_first() -> None:
    """Getting in step may take tries; the write itself is still sent once."""
    link, head, port = bench()
    port.inject([Fault(mute=True), Fault(mute=True)])  # two echoes
    link.write(0, [2], repeat=False)
    assert head.writes == [(0, [2])]


def test_an_exception_is_not_asked_for_again() -> None:
    link, head, _ = bench()
    link.listen()
    head.refuse = lambda address, words: (Refusal.OUT_OF_RANGE, 4)
    with pytest.raises(HeadException) as caught:
        link.write(41, [30000], repeat=True)
    assert caught.value.code == 4
    with pytest.raises(HeadException, match=r"exception 02 .no such register. to reading 3 input"):
        link.read_input(5000, 3)
    assert link.counters.retries == 0


def test_a_port_that_vanishes_says_so() -> None:
    link, _, port = bench()
    link.listen()
    port.inject([Fault(vanish=True)])
    with pytest.raises(PortLost, match="Port port went away"):
        link.read_input(FIRST, 4)
    with pytest.raises(PortLost):
        link.listen()


@given(latencies=st.lists(st.floats(0.0, 0.02), min_size=2, max_size=30))
@settings(deadline=None)
def test_the_line_is_silent_between_frames(latencies: list[float]) -> None:
    """3.5 characters from the end of an answer to the next request at least (V1.02, 2.5.1.1)."""
    link, _, port = bench()
    times = iter(latencies * 4)
    port.latency = lambda: (next(times), next(times))
    for _ in range(len(latencies) // 2):
        link.read_input(FIRST, 2)
        ended_s = port.line_free_s
        link.read_input(FIRST, 2)
        assert port.written[-1][0] - ended_s >= SILENCE_S - 1e-9


def test_round_trip_bounds_hold_the_heads_reading() -> None:
    """sent_s and received_s leave out the bytes' own time: 8 out, 9 back."""
    link, _, port = bench()
    link.listen()
    port.latency = lambda: (0.002, 0.003)
    began_s = port.clock.now() + SILENCE_S
    link.read_input(FIRST, 2)
    assert link.sent_s == pytest.approx(began_s + 8 * BYTE_S, abs=1e-4)
    assert link.received_s - link.sent_s == pytest.approx(0.005, abs=1e-4)


def test_every_sent_frame_has_a_right_check() -> None:
    link, _, port = bench()
    link.read_input(FIRST, 4)
    link.write(41, [1], repeat=True)
    link.write(125, [0, 1], repeat=True)
    link.read_fifo(FIFO_ADDRESS)
    link.identify()
    assert len(port.written) == 6
    assert all(crc_is_right(frame) for _, frame in port.written)
