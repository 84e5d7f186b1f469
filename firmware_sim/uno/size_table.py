"""Print what the board's binary takes of flash and RAM; fail where that is more than it may be."""

from __future__ import annotations

import argparse
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

FLASH_LIMIT = 28 * 1024  # bytes, with initial values; the chip has 32 KiB
RAM_LIMIT = 1792  # bytes, static and stack together; the chip has 2 KiB
STACK_BYTES = 288  # deepest use measured by the board bench, and room for one interrupt more
BIGGEST = 12
RAM_BASE = 0x800000  # where the linker puts RAM in an AVR's address space


@dataclass(frozen=True, slots=True)
class Sizes:
    """Bytes of each kind of memory."""

    flash: int
    ram: int


@dataclass(frozen=True, slots=True)
class Symbol:
    """A function or a variable."""

    name: str
    size: int
    in_ram: bool


def main() -> int:
    """Measure the binary named on the command line; 1 where it is too big."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("elf", type=Path, help="the linked binary")
    elf = parser.parse_args().elf
    try:
        sizes, symbols = read_sizes(elf), read_symbols(elf)
    except (OSError, subprocess.CalledProcessError) as error:
        print(f"{elf}: cannot be measured: {error}", file=sys.stderr)
        return 1
    print("\n".join(table(sizes, symbols)))
    return 1 if complaints(sizes) else 0


def read_sizes(elf: Path) -> Sizes:
    """Sum the sections as avr-size lists them."""
    flash = ram = 0
    for line in _run("avr-size", "-A", str(elf)).splitlines():
        match line.split():
            case [".text", size, _]:
                flash += int(size)
            case [".data", size, _]:
                flash, ram = flash + int(size), ram + int(size)
            case [(".bss" | ".noinit"), size, _]:
                ram += int(size)
    return Sizes(flash, ram)


def read_symbols(elf: Path) -> list[Symbol]:
    """All symbols with a size, the biggest first."""
    found = []
    for line in _run("avr-nm", "-S", "--size-sort", "-r", str(elf)).splitlines():
        address, size, _, name = line.split(maxsplit=3)
        plain = name.split(".")[0]  # link-time optimisation adds suffixes
        found.append(Symbol(plain, int(size, 16), int(address, 16) >= RAM_BASE))
    return found


def complaints(sizes: Sizes) -> list[str]:
    """One line for each limit that is passed."""
    found = []
    if sizes.flash > FLASH_LIMIT:
        found.append(f"flash: {sizes.flash - FLASH_LIMIT} bytes too many")
    if sizes.ram + STACK_BYTES > RAM_LIMIT:
        found.append(f"RAM: {sizes.ram + STACK_BYTES - RAM_LIMIT} bytes too many")
    return found


def table(sizes: Sizes, symbols: list[Symbol]) -> list[str]:
    """The lines to print."""
    lines = [
        f"{'':22}{'bytes':>8}{'limit':>8}",
        f"{'flash':22}{sizes.flash:8}{FLASH_LIMIT:8}",
        f"{'RAM, static':22}{sizes.ram:8}",
        f"{'RAM, stack (budget)':22}{STACK_BYTES:8}",
        f"{'RAM together':22}{sizes.ram + STACK_BYTES:8}{RAM_LIMIT:8}",
    ]
    for title, in_ram in (("biggest in flash", False), ("biggest in RAM", True)):
        lines.append(f"-- {title}")
        chosen = [s for s in symbols if s.in_ram == in_ram][:BIGGEST]
        lines += [f"{s.name:22}{s.size:8}" for s in chosen]
    return lines + [f"TOO BIG: {line}" for line in complaints(sizes)]


def _run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


if __name__ == "__main__":
    sys.exit(main())
