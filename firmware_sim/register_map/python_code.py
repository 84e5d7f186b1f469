"""The Python side: the typed module of the host."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from register_map.model import NOTICE, Block, Map, Register

_IMPORTS = """
# ruff: noqa: E501
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Self

from plylane.head.wire import Alarm, Block, Register, read_words, write_words
"""


def python_module(m: Map) -> str:
    """Text of registers.py: constants, enumerations, alarms, transitions, a class a block."""
    out = [f'"""Registers of the head, typed.\n\n{NOTICE}\n"""', _IMPORTS, *_constants(m), ""]
    for e in m.enums:
        out += _enumeration(e, "IntEnum", e["values"])
    for b in m.bits:
        out += _enumeration(b, "IntFlag", {name: 1 << bit for name, bit in b["values"].items()})
    out += _alarms(m)
    out += _transitions(m)
    for block in m.blocks:
        out += _block(block)
    out += ["", "BLOCKS: dict[str, Block] = {"]
    out += [f'    "{b.name}": {_class(b)}.BLOCK,' for b in m.blocks]
    return "\n".join([*out, "}", ""])


def _constants(m: Map) -> Iterator[str]:
    yield f"MAP_HASH = 0x{m.hash:08X}"
    yield f"FIRMWARE_VERSION = {tuple(m.head['firmware'])!r}"
    yield f"FIFO_ADDRESS = {m.head['fifo_address']}"
    yield f'VENDOR = "{m.head["vendor"]}"'
    yield f'PRODUCT = "{m.head["product"]}"'
    for name, count in m.head["capacity"].items():
        yield f"{name.upper()} = {count}"


def _enumeration(e: dict[str, Any], base: str, values: dict[str, int]) -> Iterator[str]:
    yield from ("", f"class {e['name']}({base}):", f'    """{e["doc"]}"""', "")
    for name, value in values.items():
        yield f"    {name.upper()} = {value}"
    yield ""


def _alarms(m: Map) -> Iterator[str]:
    yield from ("", "ALARMS: tuple[Alarm, ...] = (")
    for number, a in enumerate(m.alarms):
        kinds = ", ".join(_q(a[key]) for key in ("name", "each", "priority", "reaction"))
        words = f"{_q(a['doc'])}, {_q(a['remedy'])}"
        yield f"    Alarm({number}, {kinds}, {a.get('latched', False)}, {words}),"
    yield from (")", "")


def _transitions(m: Map) -> Iterator[str]:
    yield "# state and command that is taken there -> acting state it leads to"
    yield "TRANSITIONS: dict[tuple[State, Command], State] = {"
    for start, command, end in m.transitions:
        if command != "done":
            key = f"(State.{start.upper()}, Command.{command.upper()})"
            yield f"    {key}: State.{end.upper()},"
    yield from ("}", "", "# acting state -> where it goes by itself when its work is done")
    yield "WHEN_DONE: dict[State, State] = {"
    for start, command, end in m.transitions:
        if command == "done":
            yield f"    State.{start.upper()}: State.{end.upper()},"
    yield from ("}", "")


def _block(b: Block) -> Iterator[str]:
    yield from ("", "@dataclass(frozen=True, slots=True)", f"class {_class(b)}:")
    yield from (f'    """{b.doc}"""', "")
    for r in b.registers:
        yield f"    {r.name}: {_python_type(r)}"
    yield from _decoder(b)
    yield from _encoder(b)
    place = f"{_q(b.name)}, {_q(b.space)}, {b.address}, {b.instances}, {b.stored}"
    yield f"    BLOCK = Block({place}, ("
    for r in b.registers:
        yield f"        Register({', '.join(_register(b, r))}),"
    yield from ("    ))", "")


def _decoder(b: Block) -> Iterator[str]:
    names = "".join(f"v{i}, " for i in range(len(b.registers))).rstrip()
    if len(b.registers) > 1:
        names = names.rstrip(",")
    decoded = ", ".join(_decode(r, i) for i, r in enumerate(b.registers))
    yield from ("", "    @classmethod", "    def from_words(cls, words: Sequence[int]) -> Self:")
    yield f'        """Decode the {b.words} registers of one instance."""'
    yield f"        {names} = read_words(cls.BLOCK, words)"
    yield from (f"        return cls({decoded})", "")


def _encoder(b: Block) -> Iterator[str]:
    encoded = ", ".join(_encode(r) for r in b.registers)
    yield "    def to_words(self) -> list[int]:"
    yield f'        """Encode as the {b.words} registers of one instance."""'
    yield from (f"        return write_words(self.BLOCK, [{encoded}])", "")


def _register(b: Block, r: Register) -> Iterator[str]:
    yield from map(_q, (r.name, b.name, b.space))
    yield str(b.address + r.word)
    yield from map(_q, (r.type, r.unit))
    yield from map(repr, (r.scale, r.min, r.max, r.default))
    yield from map(_q, (r.write, r.doc))


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
