"""Turn registers.toml into the C table, the Python module and the register document.

``python firmware_sim/generate.py`` writes the files, ``--check`` only compares them and exits 1
when one is stale. Needs nothing but the standard library.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
SOURCE = HERE / "registers.toml"
WORDS = {"u16": 1, "i16": 1, "u32": 2, "i32": 2}
RANGES = {
    "u16": (0, 0xFFFF),
    "i16": (-0x8000, 0x7FFF),
    # the core compares in signed 32 bits, so a u32 that can be written stays below 2^31
    "u32": (0, 0x7FFFFFFF),
    "i32": (-0x80000000, 0x7FFFFFFF),
}
C_TYPES = {"u16": "uint16_t", "i16": "int16_t", "u32": "uint32_t", "i32": "int32_t"}
NOTICE = "Generated from firmware_sim/registers.toml by firmware_sim/generate.py; do not edit."


class MapError(ValueError):
    """The register map contradicts itself."""


@dataclass(frozen=True)
class Register:
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
        return WORDS[self.type]


@dataclass(frozen=True)
class Block:
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
        return sum(register.words for register in self.registers)

    @property
    def end(self) -> int:
        return self.address + self.words * self.instances

    @property
    def home(self) -> str:
        if self.space == "input":
            return "input"
        return "settings" if self.stored else "live"


@dataclass(frozen=True)
class Map:
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
        for left, right in zip(ordered, ordered[1:], strict=False):
            if left.end > right.address:
                raise MapError(f"{left.name} ends at {left.end}, {right.name} starts before")


# ------------------------------------------------------------------------------------------- C


def c_header(m: Map) -> str:
    out = [f"/* {NOTICE} */", "#ifndef PLYLANE_REGISTERS_H", "#define PLYLANE_REGISTERS_H", ""]
    out += ["#include <stdint.h>", ""]
    out += [
        f"#define REG_MAP_HASH 0x{m.hash:08X}UL",
        f"#define REG_FIFO_ADDRESS {m.head['fifo_address']}u",
        f"#define VERSION_MAJOR {m.head['firmware'][0]}u",
        f"#define VERSION_MINOR {m.head['firmware'][1]}u",
        f"#define VERSION_PATCH {m.head['firmware'][2]}u",
        f'#define VERSION_TEXT "{".".join(map(str, m.head["firmware"]))}"',
        f'#define MAP_HASH_TEXT "{m.hash:08x}"',
        f'#define VENDOR_TEXT "{m.head["vendor"]}"',
        f'#define PRODUCT_TEXT "{m.head["product"]}"',
        f"#define ZONES {m.head['capacity']['zones']}u",
        f"#define DRIVES {m.head['capacity']['drives']}u",
        f"#define LANES {m.head['capacity']['lanes']}u",
        "",
    ]
    for e in m.enums:
        prefix = _upper(e["name"])
        out += [f"/* {e['doc']} */", f"enum {_snake(e['name'])} {{"]
        out += [f"    {prefix}_{k.upper()} = {v}," for k, v in e["values"].items()] + ["};", ""]
    for b in m.bits:
        prefix = _upper(b["name"])
        out.append(f"/* {b['doc']} */")
        out += [f"#define {prefix}_{k.upper()} 0x{1 << v:04X}u" for k, v in b["values"].items()]
        out.append("")
    out += ["/* Alarms: the number is the bit in the alarm registers. */", "enum alarm {"]
    out += [f"    ALARM_{a['name'].upper()} = {i}," for i, a in enumerate(m.alarms)]
    out += [f"    ALARM_COUNT = {len(m.alarms)}", "};", ""]
    out += [f"#define TRANSITION_COUNT {len(m.transitions)}u", ""]
    out.append("/* Registers as they travel: every field is the integer on the wire. */")
    for b in m.blocks:
        out += [f"struct {b.name}_regs {{ /* {b.doc} */"]
        for r in b.registers:
            unit = f" [{r.scale:g} {r.unit}]" if r.unit else ""
            out.append(f"    {C_TYPES[r.type]} {r.name};{unit and f' /*{unit} */'}")
        out += ["};", ""]
    for home in ("live", "settings"):
        out.append(f"struct {home} {{")
        for b in m.blocks:
            if b.home == home:
                many = f"[{b.instances}]" if b.instances > 1 else ""
                out.append(f"    struct {b.name}_regs {b.name}{many};")
        out += ["};", ""]
    out += ["enum reg_block_id {"]
    out += [f"    BLOCK_{b.name.upper()} = {i}," for i, b in enumerate(m.blocks)]
    out += [f"    BLOCK_COUNT = {len(m.blocks)}", "};", ""]
    for b in m.blocks:
        for r in b.registers:
            out.append(f"#define AT_{b.name.upper()}_{r.name.upper()} {b.address + r.word}u")
    return "\n".join([*out, "", "#endif", ""])


def c_table(m: Map) -> str:
    out = [f"/* {NOTICE} */", '#include "register_table.h"', "", "#include <stddef.h>", ""]
    first, entries, blocks = 0, [], []
    for b in m.blocks:
        for r in b.registers:
            entries.append(
                f"    {{{r.word}, TYPE_{r.type.upper()}, WRITE_{r.write.upper()}, "
                f"offsetof(struct {b.name}_regs, {r.name}), "
                f"{_c_int(r.min)}, {_c_int(r.max)}, {_c_int(r.default)}}},"
            )
        home = "0" if b.home == "input" else f"offsetof(struct {b.home}, {b.name})"
        blocks.append(
            f"    {{{b.address}, {b.words}, {b.instances}, SPACE_{b.space.upper()}, "
            f"HOME_{b.home.upper()}, {first}, {len(b.registers)}, {home}, "
            f"sizeof(struct {b.name}_regs)}}, /* {b.name} */"
        )
        first += len(b.registers)
    out += ["const struct reg_entry reg_entries[] FLASH = {", *entries, "};", ""]
    out += ["const struct reg_block reg_blocks[BLOCK_COUNT] FLASH = {", *blocks, "};", ""]
    out.append("const uint8_t alarm_reactions[ALARM_COUNT] FLASH = {")
    out += [f"    REACTION_{a['reaction'].upper()}, /* {a['name']} */" for a in m.alarms]
    latched = sum(1 << i for i, a in enumerate(m.alarms) if a.get("latched"))
    out += ["};", "", f"const uint32_t alarms_latched = 0x{latched:08X}UL;", ""]
    out.append("const struct transition transitions[TRANSITION_COUNT] FLASH = {")
    for start, command, end in m.transitions:
        word = "TRANSITION_DONE" if command == "done" else f"COMMAND_{command.upper()}"
        out.append(f"    {{STATE_{start.upper()}, {word}, STATE_{end.upper()}}},")
    return "\n".join([*out, "};", ""])


def _c_int(value: int) -> str:
    return "INT32_MIN" if value == -0x80000000 else f"INT32_C({value})"


def _snake(name: str) -> str:
    return "".join("_" + c.lower() if c.isupper() else c for c in name).lstrip("_")


def _upper(name: str) -> str:
    return _snake(name).upper()


# -------------------------------------------------------------------------------------- Python


def python_module(m: Map) -> str:
    out = [
        f'"""Registers of the head, typed.\n\n{NOTICE}\n"""',
        "",
        "# ruff: noqa: E501",
        "from __future__ import annotations",
        "",
        "from collections.abc import Sequence",
        "from dataclasses import dataclass",
        "from enum import IntEnum, IntFlag",
        "from typing import Self",
        "",
        "from plylane.head.wire import Alarm, Block, Register, read_words, write_words",
        "",
        f"MAP_HASH = 0x{m.hash:08X}",
        f"FIRMWARE_VERSION = {tuple(m.head['firmware'])!r}",
        f"FIFO_ADDRESS = {m.head['fifo_address']}",
        f'VENDOR = "{m.head["vendor"]}"',
        f'PRODUCT = "{m.head["product"]}"',
        f"ZONES = {m.head['capacity']['zones']}",
        f"DRIVES = {m.head['capacity']['drives']}",
        f"LANES = {m.head['capacity']['lanes']}",
        "",
    ]
    for e in m.enums:
        out += ["", f"class {e['name']}(IntEnum):", f'    """{e["doc"]}"""', ""]
        out += [f"    {k.upper()} = {v}" for k, v in e["values"].items()] + [""]
    for b in m.bits:
        out += ["", f"class {b['name']}(IntFlag):", f'    """{b["doc"]}"""', ""]
        out += [f"    {k.upper()} = {1 << v}" for k, v in b["values"].items()] + [""]
    out += ["", "ALARMS: tuple[Alarm, ...] = ("]
    for i, a in enumerate(m.alarms):
        out.append(
            f"    Alarm({i}, {_q(a['name'])}, {_q(a['each'])}, {_q(a['priority'])}, "
            f"{_q(a['reaction'])}, {a.get('latched', False)}, {_q(a['doc'])}, {_q(a['remedy'])}),"
        )
    out += [")", ""]
    out.append("# state and command that is taken there -> acting state it leads to")
    out.append("TRANSITIONS: dict[tuple[State, Command], State] = {")
    for start, command, end in m.transitions:
        if command != "done":
            out.append(
                f"    (State.{start.upper()}, Command.{command.upper()}): State.{end.upper()},"
            )
    out += ["}", "", "# acting state -> where it goes by itself when its work is done"]
    out.append("WHEN_DONE: dict[State, State] = {")
    for start, command, end in m.transitions:
        if command == "done":
            out.append(f"    State.{start.upper()}: State.{end.upper()},")
    out += ["}", ""]
    for b in m.blocks:
        out += _python_block(b)
    out += ["", "BLOCKS: dict[str, Block] = {"]
    out += [f'    "{b.name}": {_class(b)}.BLOCK,' for b in m.blocks]
    return "\n".join([*out, "}", ""])


def _python_block(b: Block) -> list[str]:
    out = ["", "@dataclass(frozen=True, slots=True)", f"class {_class(b)}:", f'    """{b.doc}"""', ""]
    out += [f"    {r.name}: {_python_type(r)}" for r in b.registers]
    out += ["", "    @classmethod", "    def from_words(cls, words: Sequence[int]) -> Self:"]
    out += [f'        """Decode the {b.words} registers of one instance."""']
    names = ", ".join(f"v{i}" for i in range(len(b.registers)))
    out += [f"        {names}{',' if len(b.registers) == 1 else ''} = read_words(cls.BLOCK, words)"]
    decoded = ", ".join(_decode(r, i) for i, r in enumerate(b.registers))
    out += [f"        return cls({decoded})", "", "    def to_words(self) -> list[int]:"]
    out += [f'        """Encode as the {b.words} registers of one instance."""']
    encoded = ", ".join(_encode(r) for r in b.registers)
    out += [f"        return write_words(self.BLOCK, [{encoded}])", ""]
    out += [f"    BLOCK = Block({_q(b.name)}, {_q(b.space)}, {b.address}, {b.instances}, {b.stored}, ("]
    for r in b.registers:
        out.append(
            f"        Register({_q(r.name)}, {_q(b.name)}, {_q(b.space)}, {b.address + r.word}, {_q(r.type)}, "
            f"{_q(r.unit)}, {r.scale!r}, {r.min}, {r.max}, {r.default}, {_q(r.write)}, {_q(r.doc)}),"
        )
    return [*out, "    ))", ""]


def _python_type(r: Register) -> str:
    return r.enum or r.bits or ("float" if r.scale != 1 else "int")


def _decode(r: Register, i: int) -> str:
    if r.enum or r.bits:
        return f"{r.enum or r.bits}(v{i})"
    if r.scale == 1:
        return f"v{i}"
    return f"v{i} / {_per_unit(r)}"


def _encode(r: Register) -> str:
    if r.enum or r.bits or r.scale == 1:
        return f"self.{r.name}"
    return f"round(self.{r.name} * {_per_unit(r)})"


def _per_unit(r: Register) -> int:
    # dividing by a whole number keeps 0.01 * 2150 at 21.5, where multiplying would not
    return round(1 / r.scale)


def _class(b: Block) -> str:
    return "".join(part.title() for part in b.name.split("_")) + "Regs"


def _q(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


# ------------------------------------------------------------------------------------ document


def document(m: Map) -> str:
    out = [
        "# Registers",
        "",
        f"<!-- {NOTICE} -->",
        "",
        "The head is a Modbus RTU server. Addresses below are those in the request (counting from 0);",
        "some clients count from 1. Input registers are read with function 04, holding registers with",
        "03 and written with 06, 16 or 23. 32-bit values take two registers, high word first, and are",
        "written whole. A value in its unit is the integer on the wire times the scale.",
        "",
        f"Map hash `{m.hash:08x}`. Events wait in the FIFO queue at address {m.head['fifo_address']}"
        " (function 24), six at a time, five registers each: sequence, code, argument,",
        "head clock in ms (high word, low word). Reading does not remove them; writing the sequence",
        "number of the last one you have to `command.events_taken` does.",
        "",
        "Write: *any* = in every machine state; *still* = only in Stopped, Idle, Held, Complete and",
        "Aborted. A refused write changes nothing, is answered with exception 04 (02 for half of a",
        "32-bit value, 06 while settings are being saved), and `refusal` says why.",
        "",
        "## Alarms",
        "",
        "A latched alarm stays active until it is acknowledged with the head no longer feeding.",
        "",
        "| bit | alarm | counts | priority | reaction | latched | meaning | what to do |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for i, a in enumerate(m.alarms):
        out.append(
            f"| {i} | {a['name']} | {a['each']} | {a['priority']} | {a['reaction']} "
            f"| {'yes' if a.get('latched') else 'no'} | {a['doc']} | {a['remedy']} |"
        )
    out += _document_states(m)
    for title, group in (("Enumerations", m.enums), ("Bit sets", m.bits)):
        out += ["", f"## {title}", ""]
        for e in group:
            values = ", ".join(f"{v} {k}" for k, v in e["values"].items())
            out.append(f"- **{e['name']}** ({e['doc']}) {values}")
    for space in ("input", "holding"):
        out += ["", f"## {space.title()} registers"]
        for b in m.blocks:
            if b.space == space:
                out += _document_block(b)
    return "\n".join([*out, ""])


def _document_states(m: Map) -> list[str]:
    out = ["", "## States", ""]
    out += ["Reset, start, unhold and clear are refused while an alarm that would undo them stands."]
    out += ["", "```mermaid", "stateDiagram-v2"]
    quiet = {"stop", "abort"}  # from nearly everywhere: told in words below instead of drawn
    for start, command, end in m.transitions:
        if command not in quiet:
            out.append(f"    {start} --> {end}: {command}")
    out += ["```", ""]
    for command in sorted(quiet):
        starts = ", ".join(s for s, c, _ in m.transitions if c == command)
        out.append(f"- *{command}* is taken in {starts}.")
    return out


def _document_block(b: Block) -> list[str]:
    stored = " Stored." if b.stored else ""
    repeat = ""
    if b.instances > 1:
        repeat = f" {b.instances} of them, one a {b.each}, every {b.words} registers."
    out = ["", f"### {b.name}", "", b.doc + repeat + stored, ""]
    if b.space == "input":
        out += ["| address | name | type | scale | unit | meaning |", "|---|---|---|---|---|---|"]
    else:
        out += [
            "| address | name | type | scale | unit | range | default | write | meaning |",
            "|---|---|---|---|---|---|---|---|---|",
        ]
    for r in b.registers:
        meaning = r.doc + (f" ({r.enum or r.bits})" if r.enum or r.bits else "")
        row = [str(b.address + r.word), r.name, r.type, f"{r.scale:g}", r.unit or "-"]
        if b.space == "holding":
            row += [f"{r.min} to {r.max}", str(r.default), r.write]
        out.append("| " + " | ".join([*row, meaning]) + " |")
    return out


# ----------------------------------------------------------------------------------------- main


def outputs(m: Map, root: Path = HERE.parent) -> dict[Path, str]:
    """What each generated file should hold."""
    return {
        root / "firmware_sim/core/registers.h": c_header(m),
        root / "firmware_sim/core/register_table.c": c_table(m),
        root / "host/plylane/head/registers.py": python_module(m),
        root / "docs/registers.md": document(m),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="compare only")
    check = parser.parse_args().check
    stale = []
    for path, text in outputs(load()).items():
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            stale.append(path)
            if not check:
                path.write_text(text, encoding="utf-8")
    for path in stale:
        print(f"{'stale' if check else 'written'}: {path.relative_to(HERE.parent)}")
    return 1 if check and stale else 0


if __name__ == "__main__":
    sys.exit(main())
