"""Where the fields of the core's structs lie in the board's memory.

avr-gcc packs structs without gaps; pointers and enums take two bytes, everything else as declared.
So the layout on the board follows from the struct types of `_core`, which come from the same
headers.
"""

from __future__ import annotations

from typing import Any, NamedTuple

SIZES = {"uint8_t": 1, "int8_t": 1, "_Bool": 1, "uint16_t": 2, "int16_t": 2, "uint32_t": 4}
SIZES |= {"int32_t": 4, "float": 4, "uint64_t": 8, "int64_t": 8, "char": 1}
POINTER_OR_ENUM = 2


class Place(NamedTuple):
    """Where a field lies from the start of the outermost struct, and its cffi type."""

    offset: int
    type: Any


def size(ctype: Any) -> int:
    """Bytes that a cffi type takes on the board. Raises KeyError for a type no header uses."""
    match ctype.kind:
        case "struct":
            return sum(size(field.type) for _, field in ctype.fields)
        case "array":
            return int(ctype.length) * size(ctype.item)
        case "primitive":
            return SIZES[ctype.cname]
    return POINTER_OR_ENUM


def place(ctype: Any, path: str) -> Place:
    """The field that a dotted path like ``zones.zone.1.mode`` names. Raises KeyError."""
    offset = 0
    for name in path.split("."):
        step, ctype = _element(ctype, int(name)) if name.isdecimal() else _field(ctype, name)
        offset += step
    return Place(offset, ctype)


def _element(ctype: Any, index: int) -> tuple[int, Any]:
    return index * size(ctype.item), ctype.item


def _field(ctype: Any, name: str) -> tuple[int, Any]:
    offset = 0
    for field_name, field in ctype.fields:
        if field_name == name:
            return offset, field.type
        offset += size(field.type)
    raise KeyError(f"{ctype.cname} has no field {name}")
