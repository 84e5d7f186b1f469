"""The C side: registers.h and register_table.c."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from register_map.model import NOTICE, Block, Map, MapError

NUMBERED_BY_A_BYTE = 256
C_TYPES = {"u16": "uint16_t", "i16": "int16_t", "u32": "uint32_t", "i32": "int32_t"}


def c_header(m: Map) -> str:
    """Text of registers.h: constants, enumerations, and a struct for each block."""
    out = [f"/* {NOTICE} */", "#ifndef PLYLANE_REGISTERS_H", "#define PLYLANE_REGISTERS_H", ""]
    out += ["#include <stdint.h>", "", *_constants(m), ""]
    for part in (_enumerations(m), _bit_sets(m), _alarm_numbers(m), _structs(m), _block_ids(m)):
        out += part
    out += _addresses(m)
    return "\n".join([*out, "", "#endif", ""])


def c_table(m: Map) -> str:
    """Text of register_table.c: registers, blocks, reactions and transitions as constants."""
    out = [f"/* {NOTICE} */", '#include "register_table.h"', "", "#include <stddef.h>", ""]
    limits, at = _limits(m)
    out += _table("const struct reg_entry reg_entries[]", _entries(m, at))
    out += _table("const uint16_t reg_limits[][LIMITS]", limits)
    out += _table("const struct reg_block reg_blocks[BLOCK_COUNT]", _blocks(m))
    out += _table("const uint8_t alarm_reactions[ALARM_COUNT]", _reactions(m))
    latched = sum(1 << i for i, a in enumerate(m.alarms) if a.get("latched"))
    out += [f"const uint32_t alarms_latched = 0x{latched:08X}UL;", ""]
    out += _table("const struct transition transitions[TRANSITION_COUNT]", _transitions(m))
    return "\n".join(out)


def _constants(m: Map) -> Iterator[str]:
    version = m.head["firmware"]
    yield f"#define REG_MAP_HASH 0x{m.hash:08X}UL"
    yield f"#define REG_FIFO_ADDRESS {m.head['fifo_address']}u"
    for name, number in zip(("MAJOR", "MINOR", "PATCH"), version, strict=True):
        yield f"#define VERSION_{name} {number}u"
    yield f'#define VERSION_TEXT "{".".join(map(str, version))}"'
    yield f'#define MAP_HASH_TEXT "{m.hash:08x}"'
    yield f'#define VENDOR_TEXT "{m.head["vendor"]}"'
    yield f'#define PRODUCT_TEXT "{m.head["product"]}"'
    for name, count in m.head["capacity"].items():
        yield f"#define {name.upper()} {count}u"


def _enumerations(m: Map) -> Iterator[str]:
    for e in m.enums:
        yield f"/* {e['doc']} */"
        yield f"enum {_snake(e['name'])} {{"
        for name, value in e["values"].items():
            yield f"    {_upper(e['name'])}_{name.upper()} = {value},"
        yield from ("};", "")


def _bit_sets(m: Map) -> Iterator[str]:
    for b in m.bits:
        yield f"/* {b['doc']} */"
        for name, bit in b["values"].items():
            yield f"#define {_upper(b['name'])}_{name.upper()} 0x{1 << bit:04X}u"
        yield ""


def _alarm_numbers(m: Map) -> Iterator[str]:
    yield "/* Alarms: the number is the bit in the alarm registers. */"
    yield "enum alarm {"
    for number, alarm in enumerate(m.alarms):
        yield f"    ALARM_{alarm['name'].upper()} = {number},"
    yield f"    ALARM_COUNT = {len(m.alarms)}"
    yield from ("};", "", f"#define TRANSITION_COUNT {len(m.transitions)}u", "")


def _structs(m: Map) -> Iterator[str]:
    yield "/* Registers as they travel: every field is the integer on the wire. */"
    for b in m.blocks:
        yield from _struct(b)
    for home in ("live", "settings"):
        yield f"struct {home} {{"
        for b in m.blocks:
            if b.home == home:
                many = f"[{b.instances}]" if b.instances > 1 else ""
                yield f"    struct {b.name}_regs {b.name}{many};"
        yield from ("};", "")


def _struct(b: Block) -> Iterator[str]:
    yield f"struct {b.name}_regs {{ /* {b.doc} */"
    for r in b.registers:
        unit = f" /* [{r.scale:g} {r.unit}] */" if r.unit else ""
        yield f"    {C_TYPES[r.type]} {r.name};{unit}"
    yield from ("};", "")


def _block_ids(m: Map) -> Iterator[str]:
    yield "enum reg_block_id {"
    for number, b in enumerate(m.blocks):
        yield f"    BLOCK_{b.name.upper()} = {number},"
    yield from (f"    BLOCK_COUNT = {len(m.blocks)}", "};", "")


def _addresses(m: Map) -> Iterator[str]:
    for b in m.blocks:
        for r in b.registers:
            yield f"#define AT_{b.name.upper()}_{r.name.upper()} {b.address + r.word}u"


def _table(head: str, rows: Iterable[str]) -> list[str]:
    return [f"{head} FLASH = {{", *(f"    {row}" for row in rows), "};", ""]


def _entries(m: Map, limits_at: dict[tuple[str, str], int]) -> Iterator[str]:
    for b in m.blocks:
        for r in b.registers:
            place = f"offsetof(struct {b.name}_regs, {r.name})"
            kind = f"REG_KIND(TYPE_{r.type.upper()}, WRITE_{r.write.upper()})"
            yield f"{{{r.word}, {kind}, {place}, {limits_at[b.name, r.name]}}}, /* {r.name} */"


def _limits(m: Map) -> tuple[list[str], dict[tuple[str, str], int]]:
    """Rows of least, most and preset, none twice, and where each register's are.

    A 32-bit register has two rows: the low words, then the high ones. Registers that nobody may
    write have none of their own.
    """
    found: dict[tuple[tuple[int, ...], ...], int] = {}
    rows: list[str] = []
    at: dict[tuple[str, str], int] = {}
    for b in m.blocks:
        for r in b.registers:
            values = (r.min, r.max, r.default)
            words = [tuple(v & 0xFFFF for v in values)]
            if r.type in ("u32", "i32"):
                words.append(tuple(v >> 16 & 0xFFFF for v in values))
            if b.home == "input":
                at[b.name, r.name] = 0
                continue
            if tuple(words) not in found:
                found[tuple(words)] = len(rows)
                rows += ["{" + ", ".join(f"0x{w:04X}u" for w in row) + "}," for row in words]
            at[b.name, r.name] = found[tuple(words)]
    if len(rows) > NUMBERED_BY_A_BYTE:
        raise MapError(f"{len(rows)} rows of limits, but a byte has to number them")
    return rows, at


def _blocks(m: Map) -> Iterator[str]:
    first = 0
    for b in m.blocks:
        place = "0" if b.home == "input" else f"offsetof(struct {b.home}, {b.name})"
        kind = f"SPACE_{b.space.upper()}, HOME_{b.home.upper()}"
        yield (
            f"{{{b.address}, {b.words}, {b.instances}, {kind}, {first}, {len(b.registers)}, "
            f"{place}, sizeof(struct {b.name}_regs)}}, /* {b.name} */"
        )
        first += len(b.registers)


def _reactions(m: Map) -> Iterator[str]:
    for a in m.alarms:
        yield f"REACTION_{a['reaction'].upper()}, /* {a['name']} */"


def _transitions(m: Map) -> Iterator[str]:
    for start, command, end in m.transitions:
        word = "TRANSITION_DONE" if command == "done" else f"COMMAND_{command.upper()}"
        yield f"{{STATE_{start.upper()}, {word}, STATE_{end.upper()}}},"


def _snake(name: str) -> str:
    return "".join("_" + c.lower() if c.isupper() else c for c in name).lstrip("_")


def _upper(name: str) -> str:
    return _snake(name).upper()
