"""Settings in two copies: a power cut at any byte of a save leaves the old set or the new one."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from plylane.head.registers import CommandRegs, SettingsOrigin, ZoneSettingsRegs
from plylane_twin._core import ffi, lib

KP_ADDRESS = ZoneSettingsRegs.BLOCK.register("kp_percent_per_degC").address
STORE_ADDRESS = CommandRegs.BLOCK.register("store").address


def kp(head) -> int:
    return head.settings.zone_settings[0].kp_percent_per_degC


def set_kp(bare, value: int) -> None:
    assert bare.ask(bytes([6, 0, KP_ADDRESS, value >> 8, value & 0xFF]))[0] == 6


def start_save(bare) -> None:
    assert bare.ask(bytes([6, 0, STORE_ADDRESS, 0, 1]))[0] == 6


def save(bare) -> None:
    start_save(bare)
    for _ in range(1000):
        lib.store_tick(bare.head)
        if not bare.head.store.saving:
            return
    raise AssertionError("the save did not end")


def bytes_of_a_save() -> int:
    return ffi.sizeof("struct settings") + 9 + 4 + 1


def reborn(bare_factory, bare):
    """The same settings memory under a head that has just been reset."""
    port = type(bare.port)()
    port.eeprom = bytearray(bare.port.eeprom)
    return bare_factory(port)


def test_saved_settings_come_back(bare, bare_factory) -> None:
    set_kp(bare, 1234)
    save(bare)
    again = reborn(bare_factory, bare)
    assert kp(again.head) == 1234
    assert again.head.settings_origin == SettingsOrigin.FIRST_COPY


def test_a_cut_at_every_byte_leaves_the_old_or_the_new_set(bare_factory) -> None:
    for saves_before in (0, 1, 2, 3):
        old = bare_factory()
        for k in range(saves_before):
            set_kp(old, 1000 + k)
            save(old)
        before = kp(old.head)
        for cut in range(bytes_of_a_save() + 1):
            bare = reborn(bare_factory, old)
            set_kp(bare, 4321)
            start_save(bare)
            for _ in range(cut):
                lib.store_tick(bare.head)
            again = reborn(bare_factory, bare)
            done = cut == bytes_of_a_save()
            assert kp(again.head) == (4321 if done else before), (saves_before, cut)
            assert again.head.settings_origin != SettingsOrigin.DAMAGED


def test_the_byte_being_written_may_come_out_as_anything(bare_factory) -> None:
    """A cell whose write is cut short holds neither the old nor the new value."""
    old = bare_factory()
    for k in range(2):
        set_kp(old, 1000 + k)
        save(old)
    for cut in range(0, bytes_of_a_save(), 3):
        bare = reborn(bare_factory, old)
        set_kp(bare, 4321)
        start_save(bare)
        for _ in range(cut):
            lib.store_tick(bare.head)
        untouched = bytes(bare.port.eeprom)
        lib.store_tick(bare.head)
        (at,) = [i for i in range(1024) if untouched[i] != bare.port.eeprom[i]] or [None]
        if at is None:
            continue
        bare.port.eeprom[at] = 0x5A
        assert kp(reborn(bare_factory, bare).head) == 1001, cut


@settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],  # the fixture is a class
)
@given(at=st.integers(0, 511), bit=st.integers(0, 7))
def test_a_flipped_bit_in_the_newer_copy_gives_the_older_one(bare_factory, at, bit) -> None:
    bare = bare_factory()
    for k in range(2):
        set_kp(bare, 1000 + k)
        save(bare)
    bare.port.eeprom[512 + at] ^= 1 << bit
    again = reborn(bare_factory, bare)
    inside = at < bytes_of_a_save() - 1
    assert kp(again.head) == (1000 if inside else 1001)


def test_two_damaged_copies_give_defaults_and_an_alarm_that_bars_the_start(bare_factory) -> None:
    bare = bare_factory()
    for k in range(2):
        set_kp(bare, 1000 + k)
        save(bare)
    bare.port.eeprom[40] ^= 1
    bare.port.eeprom[512 + 40] ^= 1
    again = reborn(bare_factory, bare)
    assert kp(again.head) == 600
    assert again.head.settings_origin == SettingsOrigin.DAMAGED
    assert lib.alarms_active(again.head) >> lib.ALARM_SETTINGS_DAMAGED & 1
    assert again.ask(bytes([6, 0, 0, 0, 1])) == b"\x86\x04"  # reset
    save(again)
    assert not lib.alarms_active(again.head)
    assert again.ask(bytes([6, 0, 0, 0, 1]))[0] == 6


def test_sequence_numbers_wrap(bare_factory) -> None:
    bare = bare_factory()
    bare.head.store.sequence = 65534
    for k in range(4):
        set_kp(bare, 2000 + k)
        save(bare)
        assert kp(reborn(bare_factory, bare).head) == 2000 + k
    assert bare.head.store.sequence == 3  # 65535, 1, 2, 3: zero means none


def test_writes_to_settings_wait_for_a_save(bare) -> None:
    start_save(bare)
    lib.store_tick(bare.head)
    assert bare.ask(bytes([6, 0, KP_ADDRESS, 0, 7])) == b"\x86\x06"
    assert kp(bare.head) == 600


def test_a_slow_memory_is_waited_for(bare, bare_factory) -> None:
    set_kp(bare, 77)
    start_save(bare)
    for turn in range(2000):
        bare.port.eeprom_busy = turn % 4 != 0
        lib.store_tick(bare.head)
    assert not bare.head.store.saving
    assert kp(reborn(bare_factory, bare).head) == 77


def test_crc_check_value() -> None:
    """CRC-32 of "123456789" is CBF43926 before its final inversion (catalogue of CRC algorithms,
    ISO-HDLC; memory, and zlib.crc32 agrees)."""
    check = 0xFFFFFFFF
    for byte in b"123456789":
        check = lib.store_crc(check, byte)
    assert check ^ 0xFFFFFFFF == 0xCBF43926


def test_settings_of_other_firmware_are_not_used_and_bar_the_start(bare_factory) -> None:
    bare = bare_factory()
    set_kp(bare, 1000)
    save(bare)
    memory = bytearray(bare.port.eeprom)
    memory[3] ^= 1  # the hash of the register map
    check = 0xFFFFFFFF
    for byte in memory[1 : 9 + ffi.sizeof("struct settings")]:
        check = lib.store_crc(check, byte)
    at = 9 + ffi.sizeof("struct settings")
    memory[at : at + 4] = check.to_bytes(4, "little")
    port = type(bare.port)()
    port.eeprom = memory
    again = bare_factory(port)
    assert again.head.settings_origin == SettingsOrigin.OTHER_FIRMWARE
    assert kp(again.head) == 600
    assert lib.alarms_active(again.head) >> lib.ALARM_SETTINGS_DAMAGED & 1
