"""An Arrow IPC stream on disk that always ends in a whole batch, or says where it is torn."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
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
    """Reads the whole batches of a stream; `torn` then says what is wrong with its end, or None."""

    def __init__(self, path: Path, schema: pa.Schema) -> None:
        """`schema` is what the stream must hold. Raises RunError."""
        self.path, self.schema = path, schema
        self.torn: str | None = None
        self._data = _contents(path)
        self._end = 0

    def table(self) -> pa.Table:
        """All whole batches. Raises RunError when the header is not that of this log."""
        return pa.Table.from_batches(list(self.batches()), schema=self.schema)

    def batches(self) -> Iterator[pa.RecordBatch]:
        """The whole batches in turn. Raises RunError as `table`."""
        if _header_cut(self._data):
            self.torn = "cut off within its header"
            return
        source = pa.BufferReader(self._data)
        reader = self._open(source)
        self._end = source.tell()
        try:
            for whole in reader:
                whole.validate(full=True)  # strings must not point outside
                self._end = source.tell()
                yield whole
        except (pa.ArrowException, OSError):
            pass  # what could not be read is the torn tail
        self._judge_tail()

    def _open(self, source: Any) -> Any:
        try:
            reader = pa.ipc.open_stream(source)
        except (pa.ArrowException, OSError) as error:
            place, remedy = "does not begin as an Arrow stream", "restore it from a copy"
            raise RunError(self.path, place, remedy) from error
        if not reader.schema.equals(self.schema):
            place = f"holds other columns than format 1 ({_difference(reader.schema, self.schema)})"
            raise RunError(self.path, place, "restore the file that belongs to this run")
        return reader

    def _judge_tail(self) -> None:
        tail = self._data[self._end :]
        if tail == b"":
            self.torn = "no end mark: the recording was cut off"
        elif tail != END_MARK:
            self.torn = f"cut off within a batch: the last {len(tail)} bytes were left out"


def _contents(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        remedy = "restore it from a copy of the run folder"
        raise RunError(path, "is missing", remedy) from error
    except OSError as error:
        raise RunError(path, f"cannot be read ({error.strerror})", "check its rights") from error


def _header_cut(data: bytes) -> bool:
    """Whether the data are the beginning of a header and no more (mark, length, metadata)."""
    if len(data) < 8:
        return data[:4] == _CONTINUATION[: len(data)]
    length = int.from_bytes(data[4:8], "little")
    return data[:4] == _CONTINUATION and 0 < length < 2**20 and len(data) < 8 + length


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
