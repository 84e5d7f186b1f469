"""Properties of the link, the server and the register access of the head's core."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.diag_message import ReturnQueryDataRequest
from pymodbus.pdu.file_message import ReadFifoQueueRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    ReadWriteMultipleRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from bare_head import Bare, frame, unwords, words
from plylane.head.registers import ALARMS, BLOCKS, FIFO_ADDRESS, EventCode, Refusal, State
from plylane.head.wire import Block, Register
from plylane_twin._core import ffi, lib

SETPOINT = 41  # zone.setpoint_degC of the first zone: 16 bits, write any, 0 to 25000
ILLEGAL_ADDRESS, ILLEGAL_VALUE, FAILURE, BUSY = 2, 3, 4, 6

# ------------------------------------------------------------------------- the map, word by word


def _places(space: str) -> dict[int, tuple[Block, int, Register]]:
    """Address of each register's first word -> where it is."""
    return {
        r.address + i * b.words: (b, i, r)
        for b in BLOCKS.values()
        if b.space == space
        for i in range(b.instances)
        for r in b.registers
    }


INPUT, HOLDING = _places("input"), _places("holding")
MAPPED = {
    space: {a + k for a, (_, _, r) in places.items() for k in range(r.words)}
    for space, places in (("input", INPUT), ("holding", HOLDING))
}


def name_of(address: int) -> str:
    block, instance, register = HOLDING[address]
    return f"{block.name}[{instance}].{register.name}"


def encode(register: Register, value: int) -> list[int]:
    raw = value & (0xFFFFFFFF if register.words == 2 else 0xFFFF)
    return [raw >> 16, raw & 0xFFFF] if register.words == 2 else [raw]


def in_core(bare: Bare, address: int) -> int:
    """A holding register's value in the C struct."""
    block, instance, register = HOLDING[address]
    struct_ = getattr(bare.head.settings if block.stored else bare.head.live, block.name)
    return int(getattr(struct_ if block.instances == 1 else struct_[instance], register.name))


def holding(bare: Bare) -> bytes:
    """All holding registers, as they lie in the core."""
    live, kept = (
        ffi.buffer(ffi.addressof(bare.head.live)),
        ffi.buffer(ffi.addressof(bare.head.settings)),
    )
    return bytes(live) + bytes(kept)


def image(bare: Bare, space: str) -> dict[int, int]:
    """Address -> word, encoded in Python from the fields of the C structs."""
    found: dict[int, int] = {}
    for address, (block, instance, register) in (INPUT if space == "input" else HOLDING).items():
        if space == "input":
            out = ffi.new(f"struct {block.name}_regs *")
            lib.snapshot_fill(bare.head, list(BLOCKS).index(block.name), instance, out)
            value = getattr(out, register.name)
        else:
            value = in_core(bare, address)
        found |= {address + k: w for k, w in enumerate(encode(register, value))}
    return found


def wrong(answer: bytes) -> int:
    """Exception code of an answer, 0 for a good one."""
    return answer[1] if answer[0] & 0x80 else 0


def refusal(bare: Bare) -> tuple[Refusal, int, int]:
    r = bare.head.refusal
    return Refusal(r.reason), r.address, r.value


# --------------------------------------------------------------------------------------- frames

PDUS = st.one_of(
    st.builds(lambda f, a, n: bytes([f]) + words([a, n]), st.sampled_from([3, 4]),
              st.integers(0, 330), st.integers(0, 130)),
    st.builds(lambda a, v: b"\x06" + words([a, v]), st.integers(0, 330), st.integers(0, 0xFFFF)),
    st.builds(lambda a, v: b"\x10" + words([a, len(v)]) + bytes([2 * len(v)]) + words(v),
              st.integers(0, 330), st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20)),
    st.builds(
        lambda r, n, a, v: b"\x17" + words([r, n, a, len(v)]) + bytes([2 * len(v)]) + words(v),
        st.integers(0, 330), st.integers(1, 30), st.integers(0, 330),
        st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20)),
    st.just(b"\x18" + words([FIFO_ADDRESS])),
    st.builds(lambda d: b"\x08\x00\x00" + words(d),
              st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=50)),
    st.builds(lambda c, o: bytes([0x2B, 0x0E, c, o]), st.integers(0, 6), st.integers(0, 5)),
    st.binary(min_size=1, max_size=60),
)  # fmt: skip

ECHO = frame(1, b"\x08\x00\x00\xa5\x37")


def right_crc(data: bytes) -> bool:
    return len(data) >= 4 and FramerRTU.compute_CRC(data[:-2]).to_bytes(2, "big") == data[-2:]


def well_begun(data: bytes) -> bool:
    """Some first part of the bytes has a right CRC."""
    return any(right_crc(data[:n]) for n in range(4, len(data) + 1))


def well_formed(answer: bytes) -> bool:
    return right_crc(answer) and 5 <= len(answer) <= 256 and answer[0] == 1


@given(st.binary(max_size=600), st.integers(0, 3))
def test_noise_is_never_answered_and_the_line_is_free_after_one_silence(
    noise: bytes, polls: int
) -> None:
    assume(not well_begun(noise))
    bare = Bare()
    before = holding(bare)
    step = max(1, len(noise) // (polls + 1))
    for at in range(0, len(noise), step):
        bare.feed(noise[at : at + step])
        assert bare.poll() == []
    bare.silence(lib.SILENCE_PERIODS)
    assert bare.poll() == [] and holding(bare) == before
    assert bare.request(ECHO) == ECHO
    assert bare.head.link.frames_bad == (1 if noise else 0)


@given(st.binary(min_size=1, max_size=600))
def test_the_line_is_free_after_one_silence_even_if_the_main_loop_came_late(noise: bytes) -> None:
    bare = Bare()
    bare.feed(noise)
    bare.silence(lib.SILENCE_PERIODS)
    assert bare.request(ECHO) == ECHO


@given(PDUS, st.lists(st.tuples(st.integers(1, 40), st.integers(0, 27), st.booleans())))
@settings(max_examples=300)
def test_any_split_gives_the_same_answer(pdu: bytes, cuts: list[tuple[int, int, bool]]) -> None:
    """Cut anywhere, with any pause short of a silence, the main loop coming by or not."""
    data = frame(1, pdu)
    whole, split = Bare(), Bare()
    expected, rest = whole.request(data), data
    for size, pause, poll in cuts:
        if len(rest) <= size:
            break
        split.feed(rest[:size])
        rest = rest[size:]
        split.silence(pause)
        if poll:
            assert split.poll() == []
    assert split.request(rest) == expected
    assert holding(split) == holding(whole)
    if data[0] == 1:
        assert well_formed(expected)


@given(PDUS, st.binary(min_size=1, max_size=300))
def test_rubbish_behind_a_frame_stays_untouched(pdu: bytes, rubbish: bytes) -> None:
    clean, dirty = Bare(), Bare()
    data = frame(1, pdu)
    clean.feed(data)
    expected = clean.poll()
    assume(expected)  # the frame was known to be whole before the silence
    assert dirty.request(data + rubbish) == expected[0]
    assert holding(dirty) == holding(clean)
    dirty.silence()
    assert dirty.request(ECHO) == ECHO


@given(PDUS, st.data())
@settings(max_examples=300)
def test_a_corrupted_frame_changes_nothing_and_is_not_answered(pdu: bytes, data: Any) -> None:
    bad = bytearray(frame(1, pdu))
    for at in data.draw(st.lists(st.integers(0, 8 * len(bad) - 1), min_size=1, max_size=12)):
        bad[at // 8] ^= 1 << at % 8
    kept = data.draw(st.integers(0, len(bad)))
    bad = bad[:kept] + data.draw(st.binary(max_size=5)) + bad[kept + data.draw(st.integers(0, 5)) :]
    assume(not well_begun(bytes(bad)))
    bare = Bare()
    before = holding(bare)
    assert bare.request(bytes(bad)) == b""
    assert holding(bare) == before and bare.head.refused_count == 0
    assert bare.request(ECHO) == ECHO


@given(PDUS.filter(lambda p: p[0] not in (6, 16)))
def test_whatever_is_asked_of_all_units_is_not_answered(pdu: bytes) -> None:
    bare = Bare()
    before = holding(bare)
    assert bare.request(frame(0, pdu)) == b""
    if pdu[0] not in (6, 16):
        assert holding(bare) == before


@given(st.sampled_from([3, 4, 6, 8, 16, 23, 24, 43]), st.binary(max_size=252))
@settings(max_examples=300)
def test_a_known_function_of_the_wrong_length_is_a_wrong_request(
    function: int, data: bytes
) -> None:
    heads = {8: b"\0\0", 43: b"\x0e"}  # the only sub-functions that are served
    pdu = (bytes([function]) + heads.get(function, b"") + data)[:253]
    fixed = {3: 5, 4: 5, 6: 5, 24: 3, 43: 4}
    assume(len(pdu) != fixed.get(pdu[0], -1))
    assume(pdu[0] != 16 or len(pdu) < 6 or len(pdu) != 6 + pdu[5])
    assume(pdu[0] != 23 or len(pdu) < 10 or len(pdu) != 10 + pdu[9])
    assume(pdu[0] != 8 or len(pdu) < 5 or len(pdu) % 2 == 0)
    # one in 256 begins with a frame of the right length: where its first CRC byte is met by chance
    # the second always is
    assume(not well_begun(frame(1, pdu)[:-1]))
    bare = Bare()
    assert bare.ask(pdu) == bytes([pdu[0] | 0x80, ILLEGAL_VALUE])
    assert bare.head.link.exceptions_sent == 1


@pytest.mark.parametrize("function", sorted(set(range(256)) - {3, 4, 6, 8, 16, 23, 24, 43}))
@pytest.mark.parametrize("size", [0, 1, 4, 251])
def test_functions_the_head_does_not_know(bare: Bare, function: int, size: int) -> None:
    assert bare.ask(bytes([function]) + bytes(size)) == bytes([function | 0x80, 1])


def test_more_than_the_longest_frame_is_no_frame(bare: Bare) -> None:
    # an unknown function is judged at silence, where every byte counts
    longest = frame(1, b"\x63" + bytes(252))
    assert len(longest) == 256 and bare.request(longest) == frame(1, b"\xe3\x01")
    bare.silence()
    assert bare.request(longest + b"\0") == b""
    assert bare.head.link.frames_bad == 1


def test_bytes_during_an_answer_are_dropped_and_counted(bare: Bare) -> None:
    request = frame(1, b"\x06" + words([SETPOINT, 9500]))
    bare.feed(ECHO)
    lib.head_poll(bare.head)
    assert bare.port.sent == [ECHO]
    bare.feed(request)
    lib.head_poll(bare.head)
    assert bare.head.link.bytes_lost == len(request)
    lib.head_sent(bare.head)
    bare.feed(request)  # the talker has not paused yet
    assert bare.poll() == []
    bare.silence()
    assert bare.request(request) == request


def test_the_next_request_may_follow_an_answer_at_once(bare: Bare) -> None:
    for _ in range(5):
        bare.feed(ECHO)
        assert bare.poll() == [ECHO]
    assert bare.head.link.frames_good == 5 and bare.head.link.bytes_lost == 0


def test_a_newer_frame_replaces_one_that_was_never_looked_at(bare: Bare) -> None:
    bare.feed(frame(1, b"\x06" + words([SETPOINT, 9500])))
    bare.silence()
    bare.feed(ECHO)
    assert bare.poll() == [ECHO]
    assert bare.head.live.zone[0].setpoint_degC == 0
    assert bare.head.link.bytes_lost == 8


def test_frames_for_others_and_their_answers_are_passed_over(bare: Bare) -> None:
    asked = frame(9, b"\x03" + words([100, 4]))
    answered = frame(9, b"\x03\x08" + words([1, 2, 3, 4]))
    for data in (asked, answered, asked, answered):
        assert bare.request(data) == b""
        bare.silence()
    assert (bare.head.link.frames_good, bare.head.link.frames_bad) == (4, 0)
    assert bare.request(ECHO) == ECHO


def test_silence_of_the_host_is_counted_from_the_last_request_to_this_unit(bare: Bare) -> None:
    bare.request(ECHO)
    bare.tick(30)
    bare.request(frame(9, b"\x03" + words([100, 4])))
    bare.request(ECHO[:-1] + b"\0")
    assert bare.head.link.quiet_ms == 30
    bare.request(frame(1, b"\x63"))  # an exception is a sign of life as well
    assert bare.head.link.quiet_ms == 0
    bare.head.link.quiet_ms = 0xFFFE
    bare.tick(3)
    assert bare.head.link.quiet_ms == 0xFFFF


# --------------------------------------------------------------------------------------- reading


@pytest.fixture(scope="module")
def busy() -> Bare:
    """A head whose registers all differ; reading it changes nothing."""
    bare = Bare()
    rng = iter(range(1, 100000, 7))
    for address, (block, instance, register) in HOLDING.items():
        place = bare.head.settings if block.stored else bare.head.live
        struct_ = getattr(place, block.name)
        value = max(register.min, min(register.max, register.min + next(rng)))
        setattr(struct_ if block.instances == 1 else struct_[instance], register.name, value)
        assert in_core(bare, address) == value
    bare.head.feed.position_um, bare.head.wheels.output_um = -1234567, 0x12345678
    bare.head.alarms.unacknowledged = 0x7FFFFFFF
    for number in range(1, len(ALARMS), 2):
        bare.head.alarms.instances[number] = number + 1
    for drive in range(3):
        bare.head.feed.drive[drive].pulses = -100000 - drive
    bare.head.ms = 0xFEDCBA98
    return bare


@pytest.mark.parametrize("space", ["input", "holding"])
def test_every_register_reads_as_the_core_holds_it(busy: Bare, space: str) -> None:
    places, expected = (INPUT if space == "input" else HOLDING), image(busy, space)
    for address, (block, instance, register) in places.items():
        if block.name in ("link_counters", "telemetry") and register.name.startswith("frames"):
            continue  # counts the very request that reads it
        got = busy.read(address, register.words, space)
        assert got == [expected[address + k] for k in range(register.words)], (
            f"{block.name}[{instance}].{register.name}"
        )
    assert set(expected) == MAPPED[space]


@pytest.mark.parametrize("space", ["input", "holding"])
@given(st.data())
@settings(max_examples=300)
def test_any_run_reads_as_the_map_says(busy: Bare, space: str, data: Any) -> None:
    """Over adjacent blocks, beginning and ending inside a pair; a gap is exception 02."""
    address = data.draw(st.one_of(st.integers(0, 330), st.integers(0, 0xFFFF)))
    count = data.draw(st.integers(1, 125))
    expected = image(busy, space)
    run = range(address, address + count)
    answer = busy.ask(bytes([3 if space == "holding" else 4]) + words([address, count]))
    if not MAPPED[space].issuperset(run):
        assert wrong(answer) == ILLEGAL_ADDRESS
        return
    changing = set(range(250, 254)) if space == "input" else set()
    assert answer[1] == 2 * count
    for at, got in zip(run, unwords(answer[2:]), strict=True):
        assert got == expected[at] or at in changing, at


def test_counters_of_the_link(bare: Bare) -> None:
    bare.request(ECHO[:-1] + b"\0")
    bare.silence()
    bare.request(frame(1, b"\x63"))
    bare.silence()
    assert bare.read(250, 4, "input") == [2, 1, 1, 0]  # the read itself is the second good one


# --------------------------------------------------------------------------------------- writing


def values_for(register: Register) -> st.SearchStrategy[int]:
    low, high = {1: (-0x8000, 0x7FFF), 2: (-0x80000000, 0x7FFFFFFF)}[register.words]
    if register.type.startswith("u"):
        low, high = 0, high * 2 + 1
    edges = [register.min, register.max, register.min - 1, register.max + 1, register.default]
    near = st.sampled_from([v for v in edges if low <= v <= high])
    return near | st.integers(register.min, register.max) | st.integers(low, high)


# Reasons that depend on other registers or on the state; the map alone does not tell them.
CIRCUMSTANCES = {
    Refusal.NO_SUCH_TRANSITION,
    Refusal.WRONG_STATE,
    Refusal.NOT_FITTED,
    Refusal.NOT_SUPPORTED,
    Refusal.SETPOINT_ABOVE_LIMIT,
    Refusal.ALARM_STANDING,
    Refusal.OUT_OF_RANGE,  # a speed above machine.speed_max_mm_s
}


@pytest.mark.parametrize("address", HOLDING, ids=name_of)
@given(st.data())
@settings(max_examples=12)
def test_every_register_takes_what_the_map_allows_and_nothing_else(address: int, data: Any) -> None:
    block, _, register = HOLDING[address]
    value = data.draw(values_for(register))
    bare = Bare()
    before = holding(bare)
    code = bare.write(address, encode(register, value))
    if code == 0:
        assert register.min <= value <= register.max
        assert in_core(bare, address) == value
        assert bare.read(address, register.words) == encode(register, value)
        assert bare.head.refused_count == 0
        return
    assert code == FAILURE and holding(bare) == before and bare.head.refused_count == 1
    reason, at, asked = refusal(bare)
    assert at == address and asked == struct.unpack("i", struct.pack("I", value & 0xFFFFFFFF))[0]
    if register.min <= value <= register.max:
        assert not block.stored and reason in CIRCUMSTANCES
    else:
        assert reason == Refusal.OUT_OF_RANGE


@pytest.mark.parametrize("address", HOLDING, ids=name_of)
def test_function_06_writes_one_register_or_refuses_half_a_pair(bare: Bare, address: int) -> None:
    _, _, register = HOLDING[address]
    before = holding(bare)
    for at in range(address, address + register.words):
        request = b"\x06" + words([at, register.default])
        if register.words == 1:
            assert bare.ask(request) == request
        else:
            assert wrong(bare.ask(request)) == ILLEGAL_ADDRESS
            assert refusal(bare)[:2] == (Refusal.HALF_OF_PAIR, at)
            assert refusal(bare)[2] == register.default & 0xFFFF
    assert holding(bare) == before


@pytest.mark.parametrize("state", State)
def test_registers_that_are_written_only_while_the_head_stands(bare: Bare, state: State) -> None:
    still = state in (State.STOPPED, State.IDLE, State.HELD, State.COMPLETE, State.ABORTED)
    for address, (_, _, register) in HOLDING.items():
        if register.name in ("command", "store"):
            continue  # these act: test_state and test_store
        bare.head.machine.state = state
        code = bare.write(address, encode(register, register.default))
        if register.write == "still" and not still:
            assert code == FAILURE, name_of(address)
            assert refusal(bare) == (Refusal.WRONG_STATE, address, register.default)
        else:
            assert code == 0, name_of(address)


@st.composite
def runs(draw: st.DrawFn) -> tuple[int, list[int], int]:
    """A run of stored registers with good values, and the index of one of them to spoil."""
    address = begin = draw(st.sampled_from([a for a in HOLDING if HOLDING[a][0].stored]))
    out: list[int] = []
    count = 0
    for _ in range(draw(st.integers(1, 40))):
        if address not in HOLDING:
            break
        register = HOLDING[address][2]
        out += encode(register, draw(st.integers(register.min, register.max)))
        address += register.words
        count += 1
    return begin, out, draw(st.integers(0, count - 1))


def starts_of(address: int, count: int) -> list[int]:
    return [a for a in HOLDING if address <= a < address + count]


@given(runs())
def test_a_good_run_is_stored_whole(run: tuple[int, list[int], int]) -> None:
    address, data, _ = run
    bare = Bare()
    others = image(bare, "holding")
    assert bare.write(address, data) == 0
    assert bare.read(address, len(data)) == data
    for at in starts_of(address, len(data)):
        words_ = encode(HOLDING[at][2], in_core(bare, at))
        assert words_ == data[at - address : at - address + len(words_)]
    after = image(bare, "holding")
    outside = set(after) - set(range(address, address + len(data)))
    assert {a: after[a] for a in outside} == {a: others[a] for a in outside}


@given(runs(), st.data())
@settings(max_examples=200)
def test_one_wrong_value_in_a_run_changes_nothing(
    run: tuple[int, list[int], int], data: Any
) -> None:
    address, good, which = run
    spoiled = starts_of(address, len(good))[which]
    register = HOLDING[spoiled][2]
    top = (1 << 16 * register.words) - 1
    value = data.draw(st.integers(0, top))
    signed = value - top - 1 if register.type.startswith("i") and value > top // 2 else value
    assume(not register.min <= signed <= register.max)
    bad = list(good)
    bad[spoiled - address : spoiled - address + register.words] = encode(register, value)
    bare = Bare()
    before, waiting = holding(bare), bare.head.events.count
    assert bare.write(address, bad) == FAILURE
    assert holding(bare) == before and bare.head.refused_count == 1
    assert refusal(bare)[:2] == (Refusal.OUT_OF_RANGE, spoiled)
    event = bare.head.events.queue[bare.head.events.first + waiting]
    assert (event.code, event.argument) == (EventCode.WRITE_REFUSED, spoiled)


@given(st.integers(0, 340), st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=110))
@settings(max_examples=300)
def test_a_run_over_a_gap_or_half_a_pair_changes_nothing(address: int, data: list[int]) -> None:
    run = range(address, address + len(data))
    gaps = [a for a in run if a not in MAPPED["holding"]]
    halves = [a for a in (run[0], run[-1]) if a in MAPPED["holding"] and cut(a, run)]
    bare = Bare()
    before = holding(bare)
    code = bare.write(address, data)
    if gaps or halves:
        first = min(gaps[:1] + halves)
        reason = Refusal.NO_SUCH_ADDRESS if first in gaps else Refusal.HALF_OF_PAIR
        assert code == ILLEGAL_ADDRESS
        assert refusal(bare) == (reason, first, data[first - address])
    if code:
        assert holding(bare) == before
    assert code in (0, ILLEGAL_ADDRESS, FAILURE)


def cut(address: int, run: range) -> bool:
    """Does the run hold only one word of the pair at this address?"""
    start = max(a for a in HOLDING if a <= address)
    return HOLDING[start][2].words == 2 and not (start in run and start + 1 in run)


def test_a_run_off_the_end_of_the_addresses(bare: Bare) -> None:
    assert bare.write(0xFFFF, [1, 2]) == ILLEGAL_ADDRESS
    assert wrong(bare.ask(b"\x03" + words([0xFFFF, 2]))) == ILLEGAL_ADDRESS


def test_all_of_a_run_is_stored_before_any_of_it_acts(bare: Bare) -> None:
    # a lowered limit takes the setpoint down with it
    bare.write(SETPOINT, [9000])
    assert bare.write(142, [8000, 6000]) == 0  # zone_settings.setpoint_max_degC, standby_degC
    assert bare.read(SETPOINT) == [8000]
    assert bare.write(SETPOINT, [8001]) == FAILURE
    assert refusal(bare) == (Refusal.SETPOINT_ABOVE_LIMIT, SETPOINT, 8001)


def test_settings_are_busy_while_they_are_being_saved(bare: Bare) -> None:
    bare.write(4, [1])  # command.store: save
    assert bare.head.store.saving
    before = holding(bare)
    assert bare.write(300, [1000]) == BUSY
    assert refusal(bare) == (Refusal.BUSY_SAVING, 300, 1000)
    assert bare.write(4, [1]) == BUSY
    assert holding(bare) == before
    assert bare.write(SETPOINT, [9000]) == 0, "what is not stored is not held up"


def test_presets_are_those_of_the_map(bare: Bare) -> None:
    ffi.memmove(ffi.addressof(bare.head.settings), b"\x5a" * ffi.sizeof("struct settings"),
                ffi.sizeof("struct settings"))  # fmt: skip
    ffi.memmove(ffi.addressof(bare.head.live), b"\x5a" * ffi.sizeof("struct live"),
                ffi.sizeof("struct live"))  # fmt: skip
    lib.access_preset(bare.head, lib.HOME_SETTINGS)
    lib.access_preset(bare.head, lib.HOME_LIVE)
    assert {a: in_core(bare, a) for a in HOLDING} == {
        a: r.default for a, (_, _, r) in HOLDING.items()
    }


@pytest.mark.parametrize("address", [a for a in HOLDING if HOLDING[a][0].stored], ids=name_of)
def test_settings_read_back_are_checked_register_by_register(bare: Bare, address: int) -> None:
    block, instance, register = HOLDING[address]
    struct_ = getattr(bare.head.settings, block.name)
    place = struct_ if block.instances == 1 else struct_[instance]
    top = 1 << 16 * register.words
    low, high = (-top // 2, top // 2 - 1) if register.type.startswith("i") else (0, top - 1)
    for value in (register.min - 1, register.min, register.max, register.max + 1):
        if low <= value <= high:
            setattr(place, register.name, value)
            assert bool(lib.access_settings_valid(bare.head)) == (
                register.min <= value <= register.max
            )


# ---------------------------------------------------------------------------------------- events


def queue(bare: Bare) -> list[tuple[int, int, int, int]]:
    """What function 24 shows: sequence, code, argument, ms."""
    answer = bare.ask(b"\x18" + words([FIFO_ADDRESS]))
    assert answer[0] == 0x18
    byte_count, count, *data = unwords(answer[1:])
    # V1.1b3, 6.18: the byte count covers the count field and the values; at most 31 values
    assert byte_count == 2 + 2 * count == len(answer) - 3 and count == len(data) <= 31
    five = [data[i : i + 5] for i in range(0, count, 5)]
    return [(s, c, a, high << 16 | low) for s, c, a, high, low in five]


def empty(bare: Bare) -> Bare:
    bare.head.events.count = 0
    return bare


def test_reading_events_does_not_remove_them(bare: Bare) -> None:
    empty(bare)
    assert queue(bare) == []
    bare.head.ms = 0x12345678
    lib.event_put(bare.head, EventCode.SHEAR_FIRED, 7)
    first = queue(bare)
    assert first == [(bare.head.events.sequence, EventCode.SHEAR_FIRED, 7, 0x12345678)]
    assert queue(bare) == first  # V1.1b3, 6.18: "does not clear"
    assert bare.write(3, [first[0][0]]) == 0
    assert queue(bare) == []


def test_another_queue_is_a_wrong_address(bare: Bare) -> None:
    assert wrong(bare.ask(b"\x18" + words([FIFO_ADDRESS + 1]))) == ILLEGAL_ADDRESS


class Host:
    """Reads events, takes them, and keeps what it learnt."""

    def __init__(self, bare: Bare) -> None:
        self.bare = bare
        self.last = bare.head.events.sequence
        self.arguments: list[int] = []
        self.gaps = 0  # numbers that never came
        self.told = 0  # events that the head says it lost

    def look(self, most: int = 6) -> None:
        """Read the queue and take at most that many events."""
        for sequence, code, argument, _ in queue(self.bare)[:most]:
            assert sequence != 0
            self.gaps += (sequence - self.last - 1) % 0xFFFF  # numbers go round without 0
            self.last = sequence
            if code == EventCode.EVENTS_LOST:
                self.told += argument
            else:
                self.arguments.append(argument)
        lib.events_taken(ffi.addressof(self.bare.head.events), self.last)


@given(
    st.lists(st.integers(-6, 30).filter(bool), max_size=60),
    st.integers(1, 0xFFFF),
    st.integers(0, 20),
)
@settings(max_examples=200)
def test_every_event_arrives_once_and_in_order_or_is_known_to_be_lost(
    steps: list[int], start: int, burst: int
) -> None:
    """A positive number puts an event with it as argument; a negative one is how many are taken."""
    bare = empty(Bare())
    bare.head.events.sequence = start
    host = Host(bare)
    steps = [1] * burst + steps
    for step in [*steps, -6, -6, -6, 99, -6]:
        if step < 0:
            host.look(-step)
        else:
            lib.event_put(bare.head, EventCode.SHEAR_FIRED, step)
        assert bare.head.events.count <= 16
    put = [s for s in steps if s > 0] + [99]
    lost = bare.head.events.lost
    assert host.told == host.gaps == lost == len(put) - len(host.arguments)
    assert is_subsequence(host.arguments, put)


def is_subsequence(part: list[int], whole: list[int]) -> bool:
    rest = iter(whole)
    return all(item in rest for item in part)


def test_a_full_queue_keeps_the_oldest_and_says_so_once_there_is_room(bare: Bare) -> None:
    empty(bare)
    bare.head.events.sequence = 0
    for number in range(20):
        lib.event_put(bare.head, EventCode.SHEAR_FIRED, number)
    assert (bare.head.events.count, bare.head.events.lost) == (16, 4)
    assert bare.read(109, 2, "input") == [16, 4]  # telemetry: waiting, lost
    taken: list[tuple[int, int, int]] = []
    for _ in range(3):
        shown = queue(bare)
        assert len(shown) <= 6
        taken += [event[:3] for event in shown]
        bare.write(3, [shown[-1][0]])
    assert taken == [(n + 1, EventCode.SHEAR_FIRED, n) for n in range(16)]
    lib.event_put(bare.head, EventCode.SHEAR_FIRED, 99)
    assert [event[:3] for event in queue(bare)] == [
        (21, EventCode.EVENTS_LOST, 4),
        (22, EventCode.SHEAR_FIRED, 99),
    ]


def test_the_notice_of_lost_events_waits_for_room_for_itself_and_the_event(bare: Bare) -> None:
    empty(bare)
    bare.head.events.sequence = 0
    for number in range(17):
        lib.event_put(bare.head, EventCode.SHEAR_FIRED, number)
    bare.write(3, [1])
    lib.event_put(bare.head, EventCode.SHEAR_FIRED, 17)
    assert (bare.head.events.count, bare.head.events.lost) == (15, 2)
    bare.write(3, [2])
    lib.event_put(bare.head, EventCode.SHEAR_FIRED, 18)
    assert (bare.head.events.count, bare.head.events.lost) == (16, 2)
    bare.write(3, [16])
    assert [event[1:3] for event in queue(bare)] == [
        (EventCode.EVENTS_LOST, 2),
        (EventCode.SHEAR_FIRED, 18),
    ]


@given(st.integers(0, 0xFFFF))
def test_taking_a_number_that_is_not_there_takes_nothing(number: int) -> None:
    bare = empty(Bare())
    bare.head.events.sequence = 99
    for _ in range(5):
        lib.event_put(bare.head, EventCode.SHEAR_FIRED, 0)
    bare.write(3, [number])
    assert bare.head.events.count == (5 - (number - 99) if 100 <= number <= 104 else 5)


# -------------------------------------------------------------------- pymodbus, a second opinion


def through_pymodbus(bare: Bare, request: ModbusPDU) -> Any:
    """A request built and an answer read by pymodbus's own framer and PDU classes."""
    request.dev_id = bare.head.unit_address
    answer = bare.request(FramerRTU(DecodePDU(True)).buildFrame(request))
    used, pdu = FramerRTU(DecodePDU(False)).handleFrame(answer, request.dev_id, 0)
    assert used == len(answer)
    return pdu


def test_pymodbus_reads_and_writes(bare: Bare) -> None:
    def ask(request: ModbusPDU) -> Any:
        return through_pymodbus(bare, request)

    assert ask(WriteSingleRegisterRequest(address=SETPOINT, registers=[9500])).registers == [9500]
    assert ask(ReadHoldingRegistersRequest(address=40, count=3)).registers == [0, 9500, 0]
    assert ask(WriteMultipleRegistersRequest(address=260, registers=[0x4D, 0xB6E0])).count == 2
    assert bare.head.settings.drive_settings[0].pulses_per_m == 0x4DB6E0
    both = ReadWriteMultipleRegistersRequest(
        read_address=40, read_count=3, write_address=SETPOINT, write_registers=[8000]
    )
    assert ask(both).registers == [0, 8000, 0]
    telemetry = ask(ReadInputRegistersRequest(address=100, count=63)).registers
    assert telemetry == [image(bare, "input")[a] for a in range(100, 163)]
    refused = ask(WriteSingleRegisterRequest(address=SETPOINT, registers=[30000]))
    assert refused.isError() and refused.exception_code == FAILURE


def test_pymodbus_echoes_and_identifies(bare: Bare) -> None:
    echo = through_pymodbus(bare, ReturnQueryDataRequest(b"\xa5\x37"))
    assert echo.encode() == b"\x00\x00\xa5\x37"
    named = through_pymodbus(bare, ReadDeviceInformationRequest(read_code=1, object_id=0))
    assert (named.conformity, named.more_follows, named.number_of_objects) == (0x81, 0, 3)
    assert named.information[0] == ffi.string(lib.VENDOR_TEXT)


def test_pymodbus_reads_the_event_queue(bare: Bare) -> None:
    # pymodbus 3.16's RTU framer takes this answer for two bytes shorter than it is (it counts
    # neither the CRC): only its PDU decoder can be asked
    answer = bare.request(
        FramerRTU(DecodePDU(True)).buildFrame(ReadFifoQueueRequest(address=FIFO_ADDRESS, dev_id=1))
    )
    pdu: Any = DecodePDU(False).decode(answer[1:-2])
    shown = queue(bare)
    assert shown and pdu.values[::5] == [event[0] for event in shown]


@given(PDUS.filter(lambda p: 0 < p[0] < 0x80))  # the others are no functions (V1.1b3, 4.1)
@settings(max_examples=200)
def test_pymodbus_makes_sense_of_every_answer(pdu: bytes) -> None:
    answer = Bare().ask(pdu)
    decoded: Any = DecodePDU(False).decode(answer)
    assert decoded is not None and decoded.isError() == bool(answer[0] & 0x80)
