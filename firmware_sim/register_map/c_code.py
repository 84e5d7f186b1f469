"""The C side: registers.h and register_table.c."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from register_map.model import NOTICE, Block, Map, MapError, Register

NUMBERED_BY_A_BYTE = 256
C_TYPES = {"u16": "uint16_t", "i16": "int16_t", "u32": "uint32_t", "i32": "int32_t"}


def c_header(m: Map) -> str:
    """Text of registers.h: constants, enumerations, and a struct for each block."""
    out = [f"/* {NOTICE} */", "#ifndef PLYLANE_REGISTERS_H", "#define PLYLANE_REGISTERS_H", ""]
    out += ["#include <stdint.h>", "", *_constants(m), ""]
    for part in (_enumerations(m), _bit_sets(m), _alarm_numbers(m), _structs(m), _block_ids(m)):
        out += part
    out += _numbers(m)
    return "\n".join([*out, "", "#endif", ""])


def c_table(m: Map) -> str:
    """Text of register_table.c: registers, blocks, reactions and transitions as constants."""
    out = [f"/* {NOTICE} */", '#include "register_table.h"', "", "#include <stddef.h>", ""]
    limits = _Limits(m)
    out += [*_sizes(m), ""]
    out += _table("const uint8_t reg_kinds[]", _kinds(m))
    out += _table("const uint8_t reg_limits_at[]", limits.of_registers())
    out += _table("const uint8_t reg_limits[][LIMITS]", limits.rows())
    out += _table("const uint16_t reg_values[]", limits.numbers())
    out += _table("const struct reg_block reg_blocks[BLOCK_COUNT]", _blocks(m))
    out += _table("const uint8_t alarm_reactions[ALARM_COUNT]", _reactions(m))
    latched = sum(1 << i for i, a in enumerate(m.alarms) if a.get("latched"))
    out += [f"const uint32_t alarms_latched = 0x{latched:08X}UL;", ""]
    out += _table("const uint16_t transitions[TRANSITION_COUNT]", _transitions(m))
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
    yield "/* Registers as they travel: every field is the integer on the wire. Without gaps on any"
    yield " * processor, so that a register's place in its block is its place in the struct. */"
    yield "#pragma pack(push, 2)"
    for b in m.blocks:
        yield from _struct(b)
    for home in ("live", "settings"):
        yield f"struct {home} {{"
        for b in m.blocks:
            if b.home == home:
                many = f"[{b.instances}]" if b.instances > 1 else ""
                yield f"    struct {b.name}_regs {b.name}{many};"
        yield "};"
    yield from ("#pragma pack(pop)", "")


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


def _numbers(m: Map) -> Iterator[str]:
    yield "/* Each register's number in reg_kinds. */"
    names = [f"{b.name}_{r.name}".upper() for b in m.blocks for r in b.registers]
    yield from (f"#define ENTRY_{name} {number}u" for number, name in enumerate(names))
    written = next(i for i, b in enumerate(m.blocks) if b.home != "input")
    if any(b.home == "input" for b in m.blocks[written:]):
        raise MapError("blocks that are read only must come before the others")
    yield f"#define ENTRY_FIRST_HOLDING {sum(len(b.registers) for b in m.blocks[:written])}u"


def _table(head: str, rows: Iterable[str]) -> list[str]:
    return [f"{head} FLASH = {{", *(f"    {row}" for row in rows), "};", ""]


def _sizes(m: Map) -> Iterator[str]:
    for b in m.blocks:
        yield f'_Static_assert(sizeof(struct {b.name}_regs) == {2 * b.words}u, "no gaps");'


def _kinds(m: Map) -> Iterator[str]:
    for b in m.blocks:
        for r in b.registers:
            kind = f"REG_KIND(TYPE_{r.type.upper()}, WRITE_{r.write.upper()})"
            yield f"{kind}, /* {b.name}.{r.name} */"


class _Limits:
    """Least, most and preset of what may be written; no row and no number is there twice.

    A 32-bit register has two rows: the low words, then the high ones. Raises MapError where a byte
    cannot number them.
    """

    def __init__(self, m: Map) -> None:
        self._numbers: dict[int, int] = {}
        self._rows: dict[tuple[tuple[int, ...], ...], int] = {}
        self._count = 0
        self._of = [
            (f"{b.name}.{r.name}", self._row(r))
            for b in m.blocks
            if b.home != "input"
            for r in b.registers
        ]
        for what, count in (("rows of limits", self._count), ("limits", len(self._numbers))):
            if count > NUMBERED_BY_A_BYTE:
                raise MapError(f"{count} {what}, but a byte has to number them")

    def _row(self, r: Register) -> int:
        values = (r.min, r.max, r.default)
        shifts = (0, 16) if r.words == 2 else (0,)
        rows = tuple(tuple(self._number(v >> s & 0xFFFF) for v in values) for s in shifts)
        if rows not in self._rows:
            self._rows[rows] = self._count
            self._count += len(rows)
        return self._rows[rows]

    def _number(self, word: int) -> int:
        return self._numbers.setdefault(word, len(self._numbers))

    def of_registers(self) -> Iterator[str]:
        yield from (f"{row}, /* {name} */" for name, row in self._of)

    def rows(self) -> Iterator[str]:
        for rows in self._rows:
            yield from ("{" + ", ".join(map(str, row)) + "}," for row in rows)

    def numbers(self) -> Iterator[str]:
        yield from (f"0x{word:04X}u," for word in self._numbers)


def _blocks(m: Map) -> Iterator[str]:
    first = 0
    for b in m.blocks:
        place = "0" if b.home == "input" else f"offsetof(struct {b.home}, {b.name})"
        home = f"HOME_{b.home.upper()}"
        yield f"{{{b.address}, {place}, {b.words}, {b.instances}, {home}, {first}}}, /* {b.name} */"
        first += len(b.registers)


def _reactions(m: Map) -> Iterator[str]:
    for a in m.alarms:
        yield f"REACTION_{a['reaction'].upper()}, /* {a['name']} */"


def _transitions(m: Map) -> Iterator[str]:
    for start, command, end in m.transitions:
        word = "TRANSITION_DONE" if command == "done" else f"COMMAND_{command.upper()}"
        yield f"TRANSITION(STATE_{start.upper()}, {word}, STATE_{end.upper()}),"


def _snake(name: str) -> str:
    return "".join("_" + c.lower() if c.isupper() else c for c in name).lstrip("_")


def _upper(name: str) -> str:
    return _snake(name).upper()
