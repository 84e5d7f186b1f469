"""The register map, read and checked. Needs nothing but the standard library."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

SOURCE = Path(__file__).resolve().parents[1] / "registers.toml"
NOTICE = "Generated from firmware_sim/registers.toml by firmware_sim/generate.py; do not edit."
WORDS = {"u16": 1, "i16": 1, "u32": 2, "i32": 2}
RANGES = {
    "u16": (0, 0xFFFF),
    "i16": (-0x8000, 0x7FFF),
    # the core compares in signed 32 bits, so a u32 that can be written stays below 2^31
    "u32": (0, 0x7FFFFFFF),
    "i32": (-0x80000000, 0x7FFFFFFF),
}


class MapError(ValueError):
    """The register map contradicts itself."""


@dataclass(frozen=True)
class Register:
    """One register; `min`, `max` and `default` are integers on the wire."""

    name: str
    type: str
    doc: str
    unit: str = ""
    scale: float = 1
    min: int = 0
    max: int = 0
    default: int = 0
    write: str = "never"
    enum: str = ""
    bits: str = ""
    word: int = 0  # offset in the block

    @property
    def words(self) -> int:
        """16-bit registers that it takes."""
        return WORDS[self.type]


@dataclass(frozen=True)
class Block:
    """A run of registers at consecutive addresses, repeated `instances` times."""

    name: str
    space: str
    address: int
    doc: str
    registers: tuple[Register, ...]
    instances: int = 1
    each: str = ""
    stored: bool = False

    @property
    def words(self) -> int:
        """16-bit registers an instance."""
        return sum(register.words for register in self.registers)

    @property
    def end(self) -> int:
        """First address behind its last instance."""
        return self.address + self.words * self.instances

    @property
    def home(self) -> str:
        """The struct of the core that holds it: input (made when asked for), live or settings."""
        if self.space == "input":
            return "input"
        return "settings" if self.stored else "live"


@dataclass(frozen=True)
class Map:
    """The whole map; `hash` is over everything that concerns the wire."""

    head: dict[str, Any]
    enums: list[dict[str, Any]]
    bits: list[dict[str, Any]]
    alarms: list[dict[str, Any]]
    transitions: list[tuple[str, str, str]]  # from, command or "done", to
    blocks: list[Block] = field(default_factory=list)
    hash: int = 0


def load(path: Path = SOURCE) -> Map:
    """Read and check the map. Raises MapError where it contradicts itself."""
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    enums, bits, alarms = raw.pop("enum"), raw.pop("bits"), raw.pop("alarm")
    transitions = _transitions(raw.pop("transition"), enums)
    known = {e["name"] for e in enums} | {b["name"] for b in bits}
    blocks = [_block(b, known) for b in raw.pop("block")]
    _check_layout(blocks)
    if len(alarms) > 31:
        raise MapError("alarms do not fit one 32-bit register that a client can write")
    wire = {
        "head": {k: v for k, v in raw.items() if k != "firmware"},
        "enums": [[e["name"], e["values"]] for e in enums + bits],
        "alarms": [[a["name"], a["each"], a["reaction"], a.get("latched", False)] for a in alarms],
        "transitions": transitions,
        "blocks": [
            [
                b.name,
                b.space,
                b.address,
                b.instances,
                b.stored,
                [[r.name, r.type, r.scale, r.min, r.max, r.default, r.write] for r in b.registers],
            ]
            for b in blocks
        ],
    }
    digest = hashlib.sha256(json.dumps(wire, sort_keys=True).encode()).digest()
    return Map(raw, enums, bits, alarms, transitions, blocks, int.from_bytes(digest[:4], "big"))


def _transitions(
    raw: list[dict[str, Any]], enums: list[dict[str, Any]]
) -> list[tuple[str, str, str]]:
    states = next(e["values"] for e in enums if e["name"] == "State")
    commands = next(e["values"] for e in enums if e["name"] == "Command")
    found: list[tuple[str, str, str]] = []
    for group in raw:
        pairs = group.get("pairs") or dict.fromkeys(group["from"], group["to"])
        found += [(start, group["command"], end) for start, end in pairs.items()]
    for start, command, end in found:
        if start not in states or end not in states or command not in {*commands, "done"}:
            raise MapError(f"transition {start} -{command}-> {end}: no such state or command")
    if len({(start, command) for start, command, _ in found}) != len(found):
        raise MapError("two transitions share state and command")
    return found


def _block(raw: dict[str, Any], known: set[str]) -> Block:
    write = raw.pop("write", "never")
    registers, word = [], 0
    for entry in raw.pop("registers"):
        low, high = RANGES[entry["type"]]
        merged = {"write": write, "max": high, "word": word} | entry
        merged.setdefault("min", low if merged["write"] == "never" else 0)
        register = Register(**merged)
        name = f"{raw['name']}.{register.name}"
        if not low <= register.min <= register.default <= register.max <= high and write != "never":
            raise MapError(f"{name}: needs min <= default <= max within {register.type}")
        if (register.enum or register.bits) and (register.enum or register.bits) not in known:
            raise MapError(f"{name}: no such enumeration {register.enum or register.bits}")
        registers.append(register)
        word += register.words
    return Block(registers=tuple(registers), **raw)


def _check_layout(blocks: list[Block]) -> None:
    for space in ("input", "holding"):
        ordered = sorted((b for b in blocks if b.space == space), key=lambda b: b.address)
        for left, right in pairwise(ordered):
            if left.end > right.address:
                raise MapError(f"{left.name} ends at {left.end}, {right.name} starts before")
