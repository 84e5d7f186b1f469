"""How register values travel: 16-bit words, high word first, two's complement."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

_FORMAT = {"u16": "H", "i16": "h", "u32": "I", "i32": "i"}


@dataclass(frozen=True, slots=True)
class Register:
    """One register of the map; `min`, `max` and `default` are integers as on the wire."""

    name: str
    block: str
    space: str
    address: int
    type: str
    unit: str
    scale: float
    min: int
    max: int
    default: int
    write: str
    doc: str

    @property
    def words(self) -> int:
        """How many 16-bit words the value takes."""
        return 2 if self.type.endswith("32") else 1

    def encode(self, value: float) -> list[int]:
        """Words for a value in the register's unit.

        Raises ValueError when the value is outside the register's range.
        """
        if not math.isfinite(value):
            raise ValueError(f"{self.block}.{self.name}: {value} is no value")
        raw = round(value / self.scale)
        if not self.min <= raw <= self.max:
            low, high = self.in_unit(self.min), self.in_unit(self.max)
            raise ValueError(
                f"{self.block}.{self.name}: {value:g} {self.unit} is outside {low:g} to {high:g}"
            )
        return list(struct.unpack(f">{self.words}H", struct.pack(">" + _FORMAT[self.type], raw)))

    def decode(self, words: Sequence[int]) -> float:
        """Value in the register's unit from its words."""
        (raw,) = struct.unpack(">" + _FORMAT[self.type], struct.pack(f">{self.words}H", *words))
        return self.in_unit(raw)

    def in_unit(self, raw: int) -> float:
        """Value in the register's unit of an integer as on the wire.

        Divides where the scale is below one, as the block classes do: 110.07 comes out as 110.07.
        """
        return raw / round(1.0 / self.scale) if self.scale < 1.0 else float(raw * self.scale)


@dataclass(frozen=True, slots=True)
class Block:
    """A run of registers, repeated `instances` times."""

    name: str
    space: str
    address: int
    instances: int
    stored: bool
    registers: tuple[Register, ...]
    words: int = field(init=False)
    layout: struct.Struct = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "words", sum(r.words for r in self.registers))
        layout = struct.Struct(">" + "".join(_FORMAT[r.type] for r in self.registers))
        object.__setattr__(self, "layout", layout)

    def address_of(self, instance: int = 0) -> int:
        """Address of the first register of an instance."""
        if not 0 <= instance < self.instances:
            raise ValueError(f"{self.name}: no instance {instance}, there are {self.instances}")
        return self.address + instance * self.words

    def register(self, name: str) -> Register:
        """The register of that name. Raises KeyError."""
        for register in self.registers:
            if register.name == name:
                return register
        raise KeyError(f"{self.name}.{name}")


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of the head; `number` is its bit, `each` what an instance bit counts."""

    number: int
    name: str
    each: str
    priority: str
    reaction: str
    latched: bool
    doc: str
    remedy: str


def read_words(block: Block, words: Sequence[int]) -> tuple[int, ...]:
    """Integers of one instance of a block. Raises ValueError when the count is wrong."""
    if len(words) != block.words:
        raise ValueError(f"{block.name} has {block.words} registers, got {len(words)}")
    return block.layout.unpack(struct.pack(f">{block.words}H", *words))


def write_words(block: Block, values: Iterable[int]) -> list[int]:
    """Words of one instance of a block. Raises struct.error when a value does not fit."""
    return list(struct.unpack(f">{block.words}H", block.layout.pack(*values)))
