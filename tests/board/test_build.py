"""The board's binary as built: its size, and what it does first after a reset."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

UNO = Path(__file__).parents[2] / "firmware_sim" / "uno"
sys.path.insert(0, str(UNO))
import size_table  # noqa: E402

# ATmega328P, data sheet register summary: addresses in I/O space (memory)
PORTB, DDRB, PORTC, DDRC = 0x05, 0x04, 0x08, 0x07
HEATERS = (3, 4, 5)  # bits of port C, docs/wiring.md
ENABLE = 1  # bit of port B, low is enabled


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with all that make leaves, made from nothing. A missing toolchain fails."""
    folder = tmp_path_factory.mktemp("built")
    made = subprocess.run(
        ["make", "-C", str(UNO), f"BUILD={folder}"], capture_output=True, text=True
    )
    assert made.returncode == 0, made.stdout + made.stderr
    return folder


@pytest.fixture(scope="module")
def elf(built: Path) -> Path:
    return built / "plylane.elf"


@pytest.fixture(scope="module")
def image(built: Path) -> bytes:
    """What the programmer writes, read from the HEX file; bytes not in it are 0xFF."""
    return intel_hex((built / "plylane.hex").read_text())


def intel_hex(text: str) -> bytes:
    """Memory image of an Intel HEX file; checks every record's sum (Intel's format of 1988)."""
    image = bytearray()
    for line in text.split():
        record = bytes.fromhex(line.removeprefix(":"))
        assert sum(record) % 256 == 0
        count, at, kind, data = record[0], record[1] << 8 | record[2], record[3], record[4:-1]
        assert count == len(data)
        if kind == 0:
            image += b"\xff" * (at + count - len(image))
            image[at : at + count] = data
        else:
            assert kind in (1, 3)  # end of file; start address, of no use to an AVR
    return bytes(image)


def word(image: bytes, at: int) -> int:
    return image[at] | image[at + 1] << 8


def jump(image: bytes, at: int) -> int:
    """Where the jump at that byte address leads (AVR instruction set manual: JMP, RJMP)."""
    first = word(image, at)
    if first & 0xFE0E == 0x940C:
        return 2 * word(image, at + 2)
    assert first & 0xF000 == 0xC000, f"no jump at {at}: {first:04x}"
    offset = first & 0x0FFF
    return at + 2 + 2 * (offset - 0x1000 if offset & 0x800 else offset)


def bit_instruction(code: int) -> tuple[str, int, int]:
    """Name, I/O address and bit of a CBI or SBI (AVR instruction set manual)."""
    names = {0x9800: "cbi", 0x9A00: "sbi"}
    assert code & 0xFF00 in names, f"{code:04x} is neither CBI nor SBI"
    return names[code & 0xFF00], code >> 3 & 0x1F, code & 7


def test_the_first_instructions_after_any_reset_drive_the_heaters_off(image: bytes) -> None:
    at = jump(image, 0)
    begun = [bit_instruction(word(image, at + 2 * k)) for k in range(8)]
    off = [("cbi", PORTC, bit) for bit in HEATERS]
    driven = [("sbi", DDRC, bit) for bit in HEATERS]
    assert begun[:3] == off  # low before the pins are driven: no glimpse of heat
    assert begun[3:6] == driven
    assert begun[6:] == [("sbi", PORTB, ENABLE), ("sbi", DDRB, ENABLE)]


def test_interrupts_that_nobody_serves_start_the_head_anew(image: bytes) -> None:
    """Every vector is a jump into the program; none leads astray."""
    for vector in range(26):  # data sheet, interrupt vectors, two words each (memory)
        assert 26 * 4 <= jump(image, 4 * vector) < len(image)


def test_it_fits_the_chip_with_room(image: bytes, elf: Path) -> None:
    assert len(image) <= 28 * 1024
    sizes = size_table.read_sizes(elf)
    assert sizes.flash == len(image)  # the table and the HEX file agree
    assert sizes.ram + size_table.STACK_BYTES <= 1792


def test_a_binary_over_its_limits_is_named_and_fails() -> None:
    fits = size_table.Sizes(28 * 1024, 1792 - size_table.STACK_BYTES)
    assert size_table.complaints(fits) == []
    assert len(size_table.complaints(size_table.Sizes(fits.flash + 1, fits.ram))) == 1
    assert len(size_table.complaints(size_table.Sizes(fits.flash + 1, fits.ram + 1))) == 2


def test_make_fails_above_the_limits(elf: Path) -> None:
    """The script that make ends with, on a binary for which its limit is lowered."""
    lowered = "import size_table, sys; size_table.FLASH_LIMIT = 1000; sys.exit(size_table.main())"
    done = subprocess.run(
        [sys.executable, "-c", lowered, str(elf)],
        capture_output=True,
        text=True,
        cwd=UNO,
        env={**os.environ, "PYTHONPATH": str(UNO)},
    )
    assert done.returncode == 1
    assert "TOO BIG: flash" in done.stdout


def test_a_file_that_is_no_binary_gets_one_line(tmp_path: Path) -> None:
    wrong = tmp_path / "nothing.elf"
    done = subprocess.run(
        [sys.executable, str(UNO / "size_table.py"), str(wrong)], capture_output=True, text=True
    )
    assert done.returncode == 1
    assert str(wrong) in done.stderr and "Traceback" not in done.stderr


def test_no_float_and_no_division_in_interrupts(built: Path) -> None:
    """No interrupt calls a library routine; those for float and division would be calls."""
    listing = (built / "plylane.lst").read_text()
    vectors = [part for part in listing.split("\n\n") if "<__vector_" in part.split("\n")[0]]
    assert len(vectors) >= 6
    for part in vectors:
        calls = [line for line in part.splitlines() if "call" in line]
        assert [line for line in calls if "sf" in line or "div" in line] == []
