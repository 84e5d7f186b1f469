"""An Arrow IPC stream on disk that always ends in a whole batch, or says where it is torn."""

from __future__ import annotations

import contextlib
import os
from bisect import bisect_right
from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa

from plylane.runlog.errors import RunError
from plylane.runlog.schema import batch

# End of a stream: continuation mark and a length of zero (Arrow Columnar Format 1.x, "IPC
# Streaming Format").
END_MARK = b"\xff\xff\xff\xff\x00\x00\x00\x00"
_CONTINUATION = END_MARK[:4]

Opener = Callable[[Path], BinaryIO]


def open_new(path: Path) -> BinaryIO:
    """A new unbuffered file; one that is there already is not touched. Raises OSError."""
    return path.open("xb", buffering=0)


class StreamWriter:
    """Appends batches to a new stream.

    A batch goes out in one write, straight to the operating system, so that killing the program
    costs at most the batch under way. After a failed write the file is cut back to the last whole
    batch and may be tried again.
    """

    def __init__(self, path: Path, schema: pa.Schema, opener: Opener = open_new) -> None:
        """Raises OSError when the file cannot be made."""
        self.schema = schema
        self.rows = 0
        self._end = 0
        self._header = schema.serialize().to_pybytes()
        self._file = opener(path)

    def append(self, rows: Sequence[Sequence[Any]]) -> None:
        """Append rows as one batch. Raises OSError (nothing appended) or pa.ArrowInvalid."""
        self._put(batch(self.schema, rows).serialize())
        self.rows += len(rows)

    def begin(self) -> None:
        """Write the header, unless it stands already. Raises OSError."""
        if self._end == 0:
            self._write_whole(self._header)

    def close(self, *, whole: bool) -> None:
        """Close the file; a whole stream gets its end mark. Raises OSError."""
        with self._file:
            if whole:
                self._put(END_MARK)
            os.fsync(self._file.fileno())

    def _put(self, data: Any) -> None:
        self.begin()
        self._write_whole(data)

    def _write_whole(self, data: Any) -> None:
        rest = memoryview(data).cast("B")
        end = self._end + len(rest)
        try:
            self._file.seek(self._end)  # where a failed write before this one began
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError:
            with contextlib.suppress(OSError):
                self._file.truncate(self._end)
            raise
        self._end = end


class StreamReader:
    """The whole batches of a stream, read part by part; nothing of it stays in memory.

    `rows` counts the rows of the whole batches, `torn` says what is wrong with the end of the
    stream, or None. `missing` names the columns of `schema` that the stream does not have; `schema`
    is then what it does have.
    """

    def __init__(self, path: Path, schema: pa.Schema, required: Collection[str] = ()) -> None:
        """`schema` is what the stream must hold; with `required`, at least those columns of it.

        A stream with other columns beside the required ones was written with another register map.
        Raises RunError.
        """
        self.path, self.schema = path, schema
        self.missing: tuple[str, ...] = ()
        self.torn: str | None = None
        self.rows = 0
        self._starts: list[int] = []  # byte at which a batch begins
        self._first_rows: list[int] = []
        with _opened(path) as source:
            self._scan(source, required)

    def table(self) -> pa.Table:
        """All whole batches in memory at once."""
        return pa.Table.from_batches(list(self.batches()), schema=self.schema)

    def batches(self, first: int = 0, stop: int | None = None) -> Iterator[pa.RecordBatch]:
        """The rows from `first` to before `stop`, in the batches they were written in.

        Raises RunError when the file has changed since it was opened.
        """
        stop = self.rows if stop is None else min(stop, self.rows)
        if first >= stop:
            return
        at = bisect_right(self._first_rows, first) - 1
        with _opened(self.path) as source:
            source.seek(self._starts[at])
            for begin in self._first_rows[at:]:
                if begin >= stop:
                    return
                whole = self._next(source)
                yield whole.slice(max(0, first - begin), stop - max(first, begin))

    def _next(self, source: Any) -> pa.RecordBatch:
        try:
            whole = pa.ipc.read_record_batch(pa.ipc.read_message(source), self._found)
        except (pa.ArrowException, OSError, EOFError) as error:
            place, remedy = "has changed while it was read", "open it again"
            raise RunError(self.path, place, remedy) from error
        return whole.select(self.schema.names)

    def _scan(self, source: Any, required: Collection[str]) -> None:
        """Find the whole batches."""
        size = source.size()
        if _header_cut(source.read(min(size, 8)), size):
            self.torn = "cut off within its header"
            return
        source.seek(0)
        reader = self._open(source, required)
        end = source.tell()
        try:
            for whole in reader:
                whole.validate(full=True)  # strings must not point outside
                self._starts.append(end)
                self._first_rows.append(self.rows)
                self.rows += whole.num_rows
                end = source.tell()
        except (pa.ArrowException, OSError):
            pass  # what could not be read is the torn tail
        source.seek(end)
        self._judge_tail(source.read(len(END_MARK)), size - end)

    def _open(self, source: Any, required: Collection[str]) -> Any:
        try:
            reader = pa.ipc.open_stream(source)
        except (pa.ArrowException, OSError) as error:
            place, remedy = "does not begin as an Arrow stream", "restore it from a copy"
            raise RunError(self.path, place, remedy) from error
        self._found = reader.schema
        if required or not self._found.equals(self.schema):
            self._reconcile(required)
        return reader

    def _reconcile(self, required: Collection[str]) -> None:
        """Take what the stream and the schema share, if that is enough."""
        found = {name: k for k, name in enumerate(_names(self._found))}
        shared = [field for field in self.schema if _holds(self._found, found, field)]
        names = {field.name for field in shared}
        lacking = [name for name in required if name not in names]
        if not required or lacking:
            what = f"{lacking[0]} is missing" if lacking else _difference(self._found, self.schema)
            place = f"holds other columns than format 1 ({what})"
            raise RunError(self.path, place, "restore the file that belongs to this run")
        self.missing = tuple(name for name in self.schema.names if name not in names)
        self.schema = pa.schema(shared)

    def _judge_tail(self, tail: bytes, length: int) -> None:
        if length == 0:
            self.torn = "no end mark: the recording was cut off"
        elif tail != END_MARK or length != len(END_MARK):
            self.torn = f"cut off within a batch: the last {length} bytes were left out"


def _opened(path: Path) -> Any:
    try:
        return pa.OSFile(str(path))
    except FileNotFoundError as error:
        remedy = "restore it from a copy of the run folder"
        raise RunError(path, "is missing", remedy) from error
    except OSError as error:
        why = error.strerror or "not a file"
        raise RunError(path, f"cannot be read ({why})", "check its rights") from error


def _header_cut(start: bytes, size: int) -> bool:
    """Whether a file that begins so holds part of a header and no more (mark, length, metadata)."""
    if len(start) < 8:
        return start[:4] == _CONTINUATION[: len(start)]
    length = int.from_bytes(start[4:8], "little")
    return start[:4] == _CONTINUATION and 0 < length < 2**20 and size < 8 + length


def _names(schema: pa.Schema) -> list[str]:
    """Names of the columns; of a damaged name, what can be said of it."""
    return [_name(schema, number).strip("'") for number in range(len(schema))]


def _holds(schema: pa.Schema, places: dict[str, int], wanted: pa.Field) -> bool:
    """Whether a schema has that column, in the same type and unit."""
    if wanted.name not in places:
        return False
    field = schema.field(places[wanted.name])
    return bool(field.equals(wanted)) and _unit(field) == _unit(wanted)


def _unit(field: pa.Field) -> bytes | None:
    unit: bytes | None = (field.metadata or {}).get(b"unit")
    return unit


def _difference(found: pa.Schema, wanted: pa.Schema) -> str:
    """The first column in which two schemas differ, in words."""
    for number, field in enumerate(wanted):
        if number >= len(found):
            return f"{field.name} is missing"
        if not found.field(number).equals(field):
            return f"{_name(found, number)} stands where {field.name} should"
    return f"{_name(found, len(wanted))} is too many"


def _name(schema: pa.Schema, number: int) -> str:
    try:
        return repr(schema.field(number).name)
    except UnicodeDecodeError:  # damaged
        return "a name that is not UTF-8"
