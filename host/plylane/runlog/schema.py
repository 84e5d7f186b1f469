"""Columns of a run log: the one place that knows what a row of telemetry holds.

The columns follow the register map, so a register added there appears here. Zones, drives and lanes
are counted from 1 in column names.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from plylane.head.registers import (
    DriveTelemetryRegs,
    LaneTelemetryRegs,
    TelemetryRegs,
    ZoneTelemetryRegs,
)
from plylane.head.wire import Block, Register

if TYPE_CHECKING:
    from plylane.head.snapshot import Event, Snapshot

Row = tuple[float, ...]

_INTEGERS = {"u16": pa.uint16(), "i16": pa.int16(), "u32": pa.uint32(), "i32": pa.int32()}


def _names(block: Block) -> tuple[str, ...]:
    return tuple(register.name for register in block.registers)


_telemetry = attrgetter(*_names(TelemetryRegs.BLOCK))
_zone = attrgetter(*_names(ZoneTelemetryRegs.BLOCK))


def _field(name: str, unit: str, scale: float, kind: pa.DataType, doc: str) -> pa.Field:
    metadata = {"unit": unit, "scale": f"{scale:g}", "doc": doc}
    return pa.field(name, kind, nullable=False, metadata=metadata)


def _register_field(prefix: str, register: Register) -> pa.Field:
    """Column of a register: a number in its unit; what the head counts by ones stays an integer."""
    kind = _INTEGERS[register.type] if register.scale == 1 else pa.float64()
    return _field(prefix + register.name, register.unit, register.scale, kind, register.doc)


def _repeated(block: Block, what: str, count: int) -> Iterator[pa.Field]:
    if not 1 <= count <= block.instances:
        raise ValueError(f"{what}s: {count} is outside 1 to {block.instances}")
    for number in range(1, count + 1):
        for register in block.registers:
            yield _register_field(f"{what}{number}_", register)


@cache
def telemetry_schema(zones: int, drives: int, lanes: int) -> pa.Schema:
    """Arrow schema of the telemetry of a head with so many zones, drives and lanes.

    Every field carries `unit`, `scale` (one step of the value as the head sends it; values are
    already in the unit) and `doc` in its metadata. Raises ValueError for counts no head has.
    """
    time = _field("time_s", "s", 1, pa.float64(), "Host clock since the poller's start.")
    fields = [time, *(_register_field("", r) for r in TelemetryRegs.BLOCK.registers)]
    fields += _repeated(DriveTelemetryRegs.BLOCK, "drive", drives)
    fields += _repeated(ZoneTelemetryRegs.BLOCK, "zone", zones)
    fields += _repeated(LaneTelemetryRegs.BLOCK, "lane", lanes)
    return pa.schema(fields)


def columns(zones: int, drives: int, lanes: int) -> tuple[str, ...]:
    """Names of the telemetry columns, in the order of `row`."""
    return tuple(telemetry_schema(zones, drives, lanes).names)


def required_columns(zones: int, drives: int, lanes: int) -> tuple[str, ...]:
    """Columns without which a log says nothing about feed and heat, whatever map it comes from."""
    return (
        *("time_s", "head_ms", "state", "feed_position_mm", "output_position_mm"),
        *(f"drive{k}_pulses" for k in range(1, drives + 1)),
        *(f"zone{k}_pv_degC" for k in range(1, zones + 1)),
        *(f"lane{k}_position_mm" for k in range(1, lanes + 1)),
    )


def row(snapshot: Snapshot) -> Row:
    """Values of one snapshot in the order of `columns`."""
    return (
        snapshot.time_s,
        *_telemetry(snapshot.telemetry),
        *(drive.pulses for drive in snapshot.drives),
        *(value for zone in snapshot.zones for value in _zone(zone)),
        *(lane.position_mm for lane in snapshot.lanes),
    )


EVENT_SCHEMA = pa.schema(
    [
        _field("time_s", "s", 1, pa.float64(), "Host clock since the poller's start."),
        _field("head_ms", "ms", 1, pa.uint32(), "The head's clock when it happened."),
        _field("sequence", "", 1, pa.uint16(), "The head's running number; wraps."),
        _field("code", "", 1, pa.uint16(), "What happened: an event code of the register map."),
        _field("argument", "", 1, pa.int64(), "As the code says."),
        _field("text", "", 1, pa.string(), "The event in words."),
    ]
)

FINDING_SCHEMA = pa.schema(
    [
        _field("time_s", "s", 1, pa.float64(), "When the detector decided."),
        _field("kind", "", 1, pa.string(), "What was found."),
        pa.field("lane", pa.uint8(), metadata={"unit": "", "doc": "From 1; null: no one lane."}),
        _field("lost_mm", "mm", 1, pa.float64(), "Cord length lost since the change, estimated."),
        _field("evidence", "", 1, pa.string(), "JSON object of numbers."),
    ]
)

JOURNAL_SCHEMA = pa.schema(
    [
        _field("time_s", "s", 1, pa.float64(), "Host clock since the poller's start."),
        _field("kind", "", 1, pa.string(), "What it is about."),
        pa.field("lane", pa.uint8(), metadata={"unit": "", "doc": "From 1; null: no one lane."}),
        _field("text", "", 1, pa.string(), "In words."),
        pa.field("numbers", pa.string(), metadata={"unit": "", "doc": "JSON object; mostly null."}),
    ]
)
JOURNAL_REQUIRED = ("time_s", "kind", "lane", "text")
"""What the journal of an older log has."""


def event_row(event: Event) -> tuple[Any, ...]:
    """Values of one event in the order of `EVENT_SCHEMA`."""
    head = (event.time_s, event.head_ms, event.sequence, int(event.code), event.argument)
    return (*head, event.text)


def batch(schema: pa.Schema, rows: Sequence[Sequence[Any]]) -> pa.RecordBatch:
    """One record batch of one or more rows. Raises pa.ArrowInvalid where one does not fit."""
    try:
        columns = zip(zip(*rows, strict=True), schema, strict=True)
        arrays = [pa.array(column, field.type) for column, field in columns]
    except (ValueError, TypeError, OverflowError) as error:
        raise pa.ArrowInvalid(str(error)) from error
    return pa.RecordBatch.from_arrays(arrays, schema=schema)
