"""The head's Modbus link against the published specifications.

Sources:
  AP  MODBUS Application Protocol Specification V1.1b3, Modbus Organization, 26 April 2012
  SL  MODBUS over Serial Line Specification and Implementation Guide V1.02, 20 December 2006
Frames are the PDUs printed in AP with unit addresses 0x11 and 1 before them and the CRC of SL 6.2.2
behind them.
"""

from __future__ import annotations

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from bare_head import Bare, frame, words
from plylane.head.registers import ExperimentRegs, GuardsRegs
from plylane_twin._core import ffi, lib

FRAMES = {
    "SL appendix B, example of a CRC calculation": ["02 07 41 12"],
    "AP 6.3, read holding registers, request": [
        "11 03 00 6B 00 03 76 87",
        "01 03 00 6B 00 03 74 17",
    ],
    "AP 6.3, response": [
        "11 03 06 02 2B 00 00 00 64 C8 BA",
        "01 03 06 02 2B 00 00 00 64 05 7A",
    ],
    "AP 6.4, read input registers, request": [
        "11 04 00 08 00 01 B2 98",
        "01 04 00 08 00 01 B0 08",
    ],
    "AP 6.4, response": ["11 04 02 00 0A F8 F4", "01 04 02 00 0A 39 37"],
    "AP 6.6, write single register, request and response": [
        "11 06 00 01 00 03 9A 9B",
        "01 06 00 01 00 03 98 0B",
    ],
    "AP 6.12, write multiple registers, request": [
        "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
        "01 10 00 01 00 02 04 00 0A 01 02 92 30",
    ],
    "AP 6.12, response": ["11 10 00 01 00 02 12 98", "01 10 00 01 00 02 10 08"],
    "AP 6.16, mask write register, request and response": [
        "11 16 00 04 00 F2 00 25 66 E2",
        "01 16 00 04 00 F2 00 25 67 EE",
    ],
    "AP 6.17, read/write multiple registers, request": [
        "11 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 4B 54",
        "01 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 46 91",
    ],
    "AP 6.17, response": [
        "11 17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF 0D 75",
        "01 17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF 1D 79",
    ],
    "AP 6.21, read device identification, request": [
        "11 2B 0E 01 00 B1 B4",
        "01 2B 0E 01 00 70 77",
    ],
    # misprint: AP gives 0D as the length of "Product code XX", which has 15 (0F) characters
    "AP 6.21, response, lengths put right": [
        "11 2B 0E 01 01 00 00 03 00 16 43 6F 6D 70 61 6E 79 20 69 64 65 6E 74 69 66 69 63 61 74 69"
        " 6F 6E 01 0F 50 72 6F 64 75 63 74 20 63 6F 64 65 20 58 58 02 05 56 32 2E 31 31 47 9E"
    ],
    "AP 7, request that fails": ["11 01 04 A1 00 01 AF 88", "01 01 04 A1 00 01 AD 18"],
    "AP 7, exception response": ["11 81 02 C0 54", "01 81 02 C1 91"],
    "AP 7, function + 0x80 and code": [
        "11 83 01 81 35",
        "11 83 02 C1 34",
        "11 86 03 03 A4",
        "11 90 04 4C 06",
        "11 83 06 C0 F7",
        "11 AB 01 9F 35",
    ],
}


def crc(data: bytes) -> int:
    return int(lib.link_crc(data, len(data)))


@pytest.fixture
def unit17() -> Bare:
    """A head with unit address 0x11, as in the frames above."""
    bare = Bare()
    bare.head.unit_address = 0x11
    return bare


# ------------------------------------------------------------------------------------------ CRC


def test_crc_check_value() -> None:
    # check value of CRC-16/MODBUS in the catalogue of parametrised CRC algorithms
    assert crc(b"123456789") == 0x4B37


@pytest.mark.parametrize(("source", "text"), [(s, t) for s, ts in FRAMES.items() for t in ts])
def test_crc_of_published_frames(source: str, text: str) -> None:
    data = bytes.fromhex(text)
    assert crc(data[:-2]).to_bytes(2, "little") == data[-2:], source
    assert crc(data) == 0, "a CRC run over its own bytes, low byte first, comes to nothing"


def test_crc_of_the_often_copied_wrong_pair(bare: Bare) -> None:
    # quick references print 76 87, the CRC for unit 0x11, behind the same request to unit 1
    assert bare.request(bytes.fromhex("01 03 00 6B 00 03 76 87")) == b""
    assert bare.head.link.frames_bad == 1
    assert bare.request(bytes.fromhex("01 03 00 6B 00 03 74 17")) != b""


# ------------------------------------------------------- the printed requests, served by the head


def test_read_holding_registers(unit17: Bare) -> None:
    # AP 6.3: registers 107 to 109; here the low word of machine.output_mm_per_count, and two more
    answer = unit17.request(bytes.fromhex("11 03 00 6B 00 03 76 87"))
    assert answer == frame(0x11, b"\x03\x06" + words([50000, 0, 150]))


def test_read_input_registers(unit17: Bare) -> None:
    unit17.head.store.sequence = 10  # identity.settings_sequence stands at address 8
    answer = unit17.request(bytes.fromhex("11 04 00 08 00 01 B2 98"))
    assert answer == bytes.fromhex("11 04 02 00 0A F8 F4")  # AP 6.4, the printed response


def test_write_multiple_registers(unit17: Bare) -> None:
    # AP 6.12: registers 1 and 2, here command.acknowledge; the printed response
    answer = unit17.request(bytes.fromhex("11 10 00 01 00 02 04 00 0A 01 02 C6 F0"))
    assert answer == bytes.fromhex("11 10 00 01 00 02 12 98")
    assert unit17.head.live.command.acknowledge == 0x000A0102


def test_write_single_register(unit17: Bare) -> None:
    # AP 6.6 writes register 1, which is half of a pair here; the answer to others is the request
    assert unit17.request(bytes.fromhex("11 06 00 01 00 03 9A 9B")) == frame(0x11, b"\x86\x02")
    echo = frame(0x11, b"\x06" + words([41, 9500]))
    assert unit17.request(echo) == echo


def test_functions_that_are_not_served(unit17: Bare) -> None:
    # AP 7: exception 01; a mask write (AP 6.16) and a read of coils (AP 7's own request)
    assert unit17.request(bytes.fromhex("11 16 00 04 00 F2 00 25 66 E2")) == frame(
        0x11, b"\x96\x01"
    )
    assert unit17.request(bytes.fromhex("11 01 04 A1 00 01 AF 88")) == frame(0x11, b"\x81\x01")


def test_read_write_multiple_registers(unit17: Bare) -> None:
    # AP 6.17's request reads past our block at 0: refused before anything is written
    answer = unit17.request(
        bytes.fromhex("11 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 4B 54")
    )
    assert answer == frame(0x11, b"\x97\x02")


def test_write_comes_before_read(unit17: Bare) -> None:
    # AP 6.17: "The write operation is performed before the read"
    request = b"\x17" + words([40, 3, 41, 2]) + b"\x04" + words([9500, 1234])
    assert unit17.ask(request) == b"\x17\x06" + words([0, 9500, 1234])


def test_nothing_is_written_where_the_read_would_fail(unit17: Bare) -> None:
    # AP figure 27: both address ranges are judged before the write
    beyond = ExperimentRegs.BLOCK.address + ExperimentRegs.BLOCK.words
    request = b"\x17" + words([beyond, 3, 41, 1]) + b"\x02" + words([9500])
    assert unit17.ask(request) == b"\x97\x02"
    assert unit17.read(41) == [0]


def test_device_identification(unit17: Bare) -> None:
    answer = unit17.request(bytes.fromhex("11 2B 0E 01 00 B1 B4"))
    assert answer[:4] == bytes.fromhex("11 2B 0E 01")
    # AP 6.21: conformity 0x81 = basic, as a stream and one by one; nothing follows; three objects
    assert answer[4:8] == bytes.fromhex("81 00 00 03")
    assert objects(answer[8:-2]) == {0: text("VENDOR_TEXT"), 1: text("PRODUCT_TEXT"), 2: version()}


def test_device_identification_of_the_specification_parses_the_same_way() -> None:
    printed = bytes.fromhex(FRAMES["AP 6.21, response, lengths put right"][0])
    assert objects(printed[8:-2]) == {
        0: b"Company identification",
        1: b"Product code XX",
        2: b"V2.11",
    }


def objects(data: bytes) -> dict[int, bytes]:
    found = {}
    while data:
        found[data[0]] = data[2 : 2 + data[1]]
        assert len(found[data[0]]) == data[1]
        data = data[2 + data[1] :]
    return found


def text(name: str) -> bytes:
    return bytes(ffi.string(getattr(lib, name)))


def version() -> bytes:
    return text("VERSION_TEXT") + b"+" + text("MAP_HASH_TEXT")


@pytest.mark.parametrize("code", [1, 2, 3])
@pytest.mark.parametrize(("first", "shown"), [(0, 3), (1, 2), (2, 1), (3, 3), (0x80, 3), (255, 3)])
def test_identification_stream(bare: Bare, code: int, first: int, shown: int) -> None:
    # AP 6.21: codes above the conformity level are answered by it; an unknown object restarts at 0
    answer = bare.ask(bytes([0x2B, 0x0E, code, first]))
    assert answer[:7] == bytes([0x2B, 0x0E, code, 0x81, 0, 0, shown])
    assert len(objects(answer[7:])) == shown


def test_identification_of_one_object(bare: Bare) -> None:
    for number in range(3):
        answer = bare.ask(bytes([0x2B, 0x0E, 4, number]))
        assert answer[:7] == bytes([0x2B, 0x0E, 4, 0x81, 0, 0, 1])
        assert list(objects(answer[7:])) == [number]
    for number in range(3, 256):  # AP 6.21: individual access to an object that is not known
        assert bare.ask(bytes([0x2B, 0x0E, 4, number])) == b"\xab\x02"


@pytest.mark.parametrize("code", [0, 5, 255])
def test_identification_with_a_code_that_does_not_exist(bare: Bare, code: int) -> None:
    assert bare.ask(bytes([0x2B, 0x0E, code, 0])) == b"\xab\x03"  # AP 6.21


def test_echo(bare: Bare) -> None:
    # AP 6.8.1, sub-function 0, with the example's data A5 37 (memory)
    assert bare.ask(bytes.fromhex("08 00 00 A5 37")) == bytes.fromhex("08 00 00 A5 37")
    long = bytes([8, 0, 0]) + bytes(range(250))
    assert bare.ask(long) == long
    assert bare.ask(bytes.fromhex("08 00 01 00 00")) == b"\x88\x01"  # sub-function not served
    assert bare.ask(bytes.fromhex("08 00 00")) == b"\x88\x03"  # no data at all


# ----------------------------------------------------------------------------------- exceptions


@pytest.mark.parametrize(
    ("request_", "response"),
    [
        (b"\x03" + words([90, 1]), "11 83 02 C1 34"),  # an address that is not in the map
        (b"\x06" + words([41]), "11 86 03 03 A4"),  # too short for function 06
        (b"\x10" + words([41, 1]) + b"\x02" + words([30000]), "11 90 04 4C 06"),  # too hot
        (b"\x2b\x0d\x00\x00", "11 AB 01 9F 35"),  # MEI type 13 is not served
    ],
)
def test_exception_frames(unit17: Bare, request_: bytes, response: str) -> None:
    assert unit17.request(frame(0x11, request_)) == bytes.fromhex(response)  # AP 7


def test_address_plus_count_must_lie_in_the_map(bare: Bare) -> None:
    # AP 7 on exception 02: with 100 registers, start 96 takes count 4 and not count 5.
    # Block `guards` is the last.
    start = GuardsRegs.BLOCK.address + GuardsRegs.BLOCK.words - 4
    assert bare.ask(b"\x03" + words([start, 4]))[:2] == b"\x03\x08"
    assert bare.ask(b"\x03" + words([start, 5])) == b"\x83\x02"


def test_exception_03_is_for_structure_only(bare: Bare) -> None:
    # AP 7 on exception 03: not for a value outside the application's expectations
    assert bare.ask(b"\x06" + words([41, 30000])) == b"\x86\x04"


def limits(function: int, count: int) -> bytes:
    """A request for `count` registers (to write, in 23), cut off at the longest PDU (AP 4.1)."""
    data = bytes(2 * count)
    pdu = {
        3: b"\x03" + words([100, count]),
        4: b"\x04" + words([100, count]),
        16: b"\x10" + words([100, count]) + bytes([2 * count & 0xFF]) + data,
        23: b"\x17" + words([100, 1, 100, count]) + bytes([2 * count & 0xFF]) + data,
    }[function]
    return pdu[:253]


@pytest.mark.parametrize(("function", "most"), [(3, 125), (4, 125), (16, 123), (23, 121)])
def test_quantity_limits(bare: Bare, function: int, most: int) -> None:
    # AP 6.3, 6.4, 6.12, 6.17: 0x7D, 0x7D, 0x7B, 0x79. No run of the map is that long, so the most
    # is a wrong address (02) and one more is a wrong request (03). What 16 and 23 would write
    # beyond their limit has no room in a frame.
    failed = bytes([function | 0x80])
    assert bare.ask(limits(function, most)) == failed + b"\x02"
    assert bare.ask(limits(function, most + 1)) == failed + b"\x03"
    assert bare.ask(limits(function, 0)) == failed + b"\x03"


@pytest.mark.parametrize(("count", "code"), [(125, 2), (126, 3), (0, 3), (0xFFFF, 3)])
def test_quantity_limit_of_the_read_in_23(bare: Bare, count: int, code: int) -> None:
    request = b"\x17" + words([100, count, 41, 1]) + b"\x02" + words([9500])
    assert bare.ask(request) == bytes([0x97, code])
    assert bare.read(41) == [0]


def test_longest_frame_is_256_bytes(bare: Bare) -> None:
    # AP 4.1: 256 bytes; SL figure 12: address, function, up to 252 bytes, CRC
    assert lib.ADU_MAX == 256
    longest = frame(1, bytes([8, 0, 0]) + bytes(250))
    assert len(longest) == 256 and bare.request(longest) == longest
    assert bare.request(frame(1, bytes([8, 0, 0]) + bytes(252))) == b""
    assert bare.request(longest) == longest


# ------------------------------------------------------------------------- serial line, addresses


def test_silence_between_frames_is_1750_us() -> None:
    # SL 2.5.1.1: above 19200 baud t3.5 is fixed at 1750 us
    assert lib.SILENCE_PERIODS * 1_000_000 == 1750 * lib.PULSE_HZ


@pytest.mark.parametrize(("periods", "answered"), [(0, True), (27, True), (28, False), (60, False)])
def test_a_frame_may_pause_for_less_than_that(bare: Bare, periods: int, answered: bool) -> None:
    request = frame(1, b"\x03" + words([100, 1]))
    bare.feed(request[:5])
    bare.silence(periods)
    bare.poll()
    assert bool(bare.request(request[5:])) == answered


def test_wrong_crc_is_not_answered(bare: Bare) -> None:
    # AP 7: with a parity or CRC error the server returns no response
    request = bytearray(frame(1, b"\x06" + words([41, 9500])))
    request[-1] ^= 1
    assert bare.request(bytes(request)) == b""
    assert bare.read(41) == [0]


def test_broadcast_acts_and_is_not_answered(bare: Bare) -> None:
    # SL 2.2: address 0 is broadcast, for writes only, without a reply
    assert bare.request(frame(0, b"\x06" + words([41, 9500]))) == b""
    assert bare.request(frame(0, b"\x10" + words([42, 1]) + b"\x02" + words([1234]))) == b""
    assert bare.request(frame(0, b"\x03" + words([41, 2]))) == b""
    assert bare.request(frame(0, b"\x06" + words([41, 30000]))) == b"", "refused, still no reply"
    assert bare.read(41, 2) == [9500, 1234]
    assert bare.head.refused_count == 1


def test_only_its_own_unit_is_answered(bare: Bare) -> None:
    # SL 2.2: units 1 to 247, 248 to 255 reserved
    request = b"\x06" + words([41, 9500])
    assert [u for u in range(1, 256) if bare.request(frame(u, request))] == [1]
    assert bare.head.link.frames_good == 255


# ------------------------------------------------------------------- pymodbus as a second opinion


@pytest.mark.parametrize("source", [s for s in FRAMES if "response" in s and "request" not in s])
def test_pymodbus_reads_the_printed_responses(source: str) -> None:
    """The same frames mean something to a client that nobody here wrote."""
    for text_ in FRAMES[source]:
        used, pdu = FramerRTU(DecodePDU(False)).handleFrame(bytes.fromhex(text_), 0, 0)
        assert used == len(bytes.fromhex(text_)) and pdu is not None, source
