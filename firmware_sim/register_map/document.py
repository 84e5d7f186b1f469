"""The document: registers, alarms and states for people."""

from __future__ import annotations

from collections.abc import Iterator

from register_map.model import NOTICE, Block, Map

_INTRODUCTION = """
The head is a Modbus RTU server at 115200 baud 8E1. Addresses below are those in the request
(counting from 0); some clients count from 1. Input registers are read with function 04, holding
registers with 03 and written with 06, 16 or 23. 32-bit values take two registers, high word first,
and are written whole. A value in its unit is the integer on the wire times the scale.

Events wait in the FIFO queue at address {fifo} (function 24), six at a time, five registers each:
sequence, code, argument, head clock in ms (high word, low word). Reading does not remove them;
writing the sequence number of the last one you have to `command.events_taken` does.

Write: *any* = in every machine state; *still* = only in Stopped, Idle, Held, Complete and Aborted.
A refused write changes nothing, is answered with exception 04 (02 for half of a 32-bit value, 06
while settings are being saved), and `refusal` says why.

Map hash `{hash:08x}`; a host refuses a head that has another.
"""


def document(m: Map) -> str:
    """Text of docs/registers.md."""
    out = ["# Registers", "", f"<!-- {NOTICE} -->"]
    out.append(_INTRODUCTION.format(fifo=m.head["fifo_address"], hash=m.hash))
    for part in (_alarms(m), _states(m), _values(m)):
        out += part
    for space in ("input", "holding"):
        out += [f"## {space.title()} registers", ""]
        for b in m.blocks:
            if b.space == space:
                out += _block(b)
    return "\n".join(out)


def _alarms(m: Map) -> Iterator[str]:
    yield from ("## Alarms", "")
    yield "A latched alarm stays active until it is acknowledged with the head no longer feeding."
    yield ""
    yield "| bit | alarm | counts | priority | reaction | latched | meaning | what to do |"
    yield "|---|---|---|---|---|---|---|---|"
    for number, a in enumerate(m.alarms):
        latched = "yes" if a.get("latched") else "no"
        row = [str(number), a["name"], a["each"], a["priority"], a["reaction"], latched]
        yield "| " + " | ".join([*row, a["doc"], a["remedy"]]) + " |"
    yield ""


def _states(m: Map) -> Iterator[str]:
    yield from ("## States", "")
    yield "Reset, start, unhold and clear are refused while an alarm that would undo them stands."
    yield from ("", "```mermaid", "stateDiagram-v2")
    quiet = ("abort", "stop")  # from nearly everywhere: told in words below instead of drawn
    for start, command, end in m.transitions:
        if command not in quiet:
            yield f"    {start} --> {end}: {command}"
    yield from ("```", "")
    for command in quiet:
        starts = ", ".join(s for s, c, _ in m.transitions if c == command)
        yield f"- *{command}* is taken in {starts}."
    yield ""


def _values(m: Map) -> Iterator[str]:
    for title, group in (("Enumerations", m.enums), ("Bit sets", m.bits)):
        yield from (f"## {title}", "")
        for e in group:
            values = ", ".join(f"{value} {name}" for name, value in e["values"].items())
            yield f"- **{e['name']}**: {e['doc']} {values}"
        yield ""


def _block(b: Block) -> Iterator[str]:
    repeat = ""
    if b.instances > 1:
        repeat = f" {b.instances} of them, one a {b.each}, every {b.words} registers."
    stored = " Stored." if b.stored else ""
    yield from (f"### {b.name}", "", b.doc + repeat + stored, "")
    heads = ["address", "name", "type", "scale", "unit"]
    if b.space == "holding":
        heads += ["range", "default", "write"]
    heads.append("meaning")
    yield "| " + " | ".join(heads) + " |"
    yield "|" + "---|" * len(heads)
    for r in b.registers:
        row = [str(b.address + r.word), r.name, r.type, f"{r.scale:g}", r.unit or "-"]
        if b.space == "holding":
            row += [f"{r.min} to {r.max}", str(r.default), r.write]
        values = r.enum or r.bits
        yield "| " + " | ".join([*row, r.doc + (f" ({values})" if values else "")]) + " |"
    yield ""
