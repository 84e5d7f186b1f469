"""Registers by name and by address, and how people are told of them: instances count from 1."""

from __future__ import annotations

from functools import lru_cache

from plylane.head.errors import UnknownRegister
from plylane.head.registers import BLOCKS
from plylane.head.wire import Block, Register

ACTING = frozenset(
    {
        "command.command",
        "command.acknowledge",
        "command.store",
        "feed.shear_at_mm",
        "feed.jog_length_mm",
    }
)
"""Registers whose writing sets something off, so that writing twice is not writing once.

command.acknowledge is one: a second write might acknowledge an alarm that came up in between.
"""


@lru_cache
def find(name: str) -> tuple[Block, Register]:
    """Block and register of a name like "zone.setpoint_degC". Raises UnknownRegister."""
    block_name, _, register_name = name.partition(".")
    block = BLOCKS.get(block_name)
    if block is None:
        raise UnknownRegister(f"No registers {block_name!r}: there are {', '.join(BLOCKS)}.")
    try:
        return block, block.register(register_name)
    except KeyError:
        there = ", ".join(register.name for register in block.registers)
        raise UnknownRegister(
            f"No register {register_name!r} in {block_name}: there are {there}."
        ) from None


def address_of(name: str, instance: int = 0) -> int:
    """Address of a register's first word; `instance` counts from 0. Raises UnknownRegister."""
    block, register = find(name)
    if not 0 <= instance < block.instances:
        raise UnknownRegister(
            f"No {block.name} {instance + 1}: the map has {block.instances} of them."
        )
    return register.address + instance * block.words


def label(block: Block, register: Register, instance: int) -> str:
    """What to call a register before people, e.g. "zone 2 setpoint_degC"."""
    name = block.name.replace("_", " ")
    number = f" {instance + 1}" if block.instances > 1 else ""
    return f"{name}{number} {register.name}"


def label_at(address: int) -> str:
    """What to call the holding register at an address."""
    found = holding_at(address)
    return f"holding register {address}" if found is None else label(*found)


@lru_cache
def holding_at(address: int) -> tuple[Block, Register, int] | None:
    """Block, register and instance (from 0) that a holding address belongs to."""
    for block in BLOCKS.values():
        word = address - block.address
        if block.space != "holding" or not 0 <= word < block.instances * block.words:
            continue
        instance, word = divmod(word, block.words)
        for register in block.registers:
            if 0 <= block.address + word - register.address < register.words:
                return block, register, instance
    return None


def span(register: Register) -> str:
    """The values a register takes, in its unit, e.g. "0 to 250 degC"."""
    low, high = register.in_unit(register.min), register.in_unit(register.max)
    return f"{low:.10g} to {high:.10g} {register.unit}".rstrip()
