"""One map for long work in independent chunks: on the local cores, or on a Dask cluster.

Both go through joblib. Each chunk's result is kept in a file of JSON lines as it comes, under a key
that says all it depends on; what is there already is not computed again. So a run that was cut off
goes on where it was, and its outcome is that of a run in one go.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import pickle
import signal
import threading
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, CancelledError
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import joblib

from plylane.study_errors import ParallelError

Argument = TypeVar("Argument")
Form = dict[str, Any]
"""What `json.dumps` takes: a chunk's result."""
Done = Callable[[int, int], None]  # chunks done, of how many

CLUSTER_S = 10.0
"""How long to look for a cluster."""
SILENCE_S = 1800.0
"""A chunk takes seconds or minutes: after so long without a result the workers are lost. It is how
a worker that dies on every try is met on Dask, of which joblib (1.6) tells nothing."""


@dataclass(frozen=True)
class Spread:
    """Where the work is done: on so many local cores (-1: all), or on the cluster at an address."""

    jobs: int = -1
    cluster: str | None = None


HERE = Spread()


def spread_map(
    work: Callable[[Argument], Form],
    chunks: Mapping[str, Argument],
    kept: Path | None,
    spread: Spread = HERE,
    done: Done = lambda _number, _all: None,
) -> list[Form]:
    """Results of `work` for every chunk, in the order of `chunks`.

    `work` and its arguments must be picklable; a result goes through JSON on its way, so it is the
    same whether it was computed now or read from `kept`, the file in which results are appended
    under their keys. Whatever `work` raises ends the map; what was finished stays kept. Raises
    ParallelError.
    """
    store = _Store(kept)
    missing = {key: chunk for key, chunk in chunks.items() if key not in store.results}
    ready = len(chunks) - len(missing)
    done(ready, len(chunks))
    with _backend(spread), store, _results(work, missing, spread) as results:
        for number, (key, text) in enumerate(results, ready + 1):
            if isinstance(text, Exception):
                raise text
            store.keep(key, text)
            done(number, len(chunks))
    return [store.results[key] for key in chunks]


@contextlib.contextmanager
def _results(
    work: Callable[[Any], Form], chunks: Mapping[str, Any], spread: Spread
) -> Iterator[Iterator[tuple[str, str | Exception]]]:
    """Results as they come, as JSON; what still runs is dropped when the caller is through."""
    if not chunks:
        yield iter(())
        return
    parallel = joblib.Parallel(
        spread.jobs if spread.cluster is None else -1,
        return_as="generator_unordered",
        pre_dispatch="2*n_jobs",
        timeout=None if spread.cluster is None else SILENCE_S,
    )
    results = parallel(joblib.delayed(_chunk)(work, key, chunk) for key, chunk in chunks.items())
    try:
        yield results
    finally:
        with warnings.catch_warnings(action="ignore"):  # of what was not waited for
            results.close()


def _chunk(work: Callable[[Any], Form], key: str, argument: Any) -> tuple[str, str | Exception]:
    """In a worker. Ctrl-C is the parent's to act on; it ends its workers itself.

    What `work` raises is handed back: joblib (1.6) waits for ever where a task of Dask raises.
    """
    in_worker = multiprocessing.parent_process() is not None
    if in_worker and threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        return key, json.dumps(work(argument))
    except Exception as error:
        return key, _portable(error)


def _portable(error: Exception) -> Exception:
    """The error, or its text where it would not survive the way to the parent."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return ParallelError(f"A worker failed with {type(error).__name__}: {error}")
    return error


@contextlib.contextmanager
def _backend(spread: Spread) -> Iterator[None]:
    """joblib's backend for a while."""
    try:
        if spread.cluster is None:
            with joblib.parallel_config("loky", inner_max_num_threads=1):
                yield
        else:
            with _client(spread.cluster), joblib.parallel_config("dask"):
                yield
    except (BrokenExecutor, CancelledError, multiprocessing.TimeoutError) as error:
        raise ParallelError(
            "The workers were lost: for want of memory, or by their computers' end. "
            "Give the same command again; what was finished is kept."
        ) from error


def _client(address: str) -> Any:
    try:
        from dask.distributed import Client as AnyClient
    except ImportError as error:
        raise ParallelError(
            "Work on a cluster needs Dask: install plylane[cluster], here and on the workers."
        ) from error
    connect: Any = AnyClient  # it has no types
    try:
        client = connect(address, timeout=CLUSTER_S, set_as_default=True)
    except (OSError, ValueError) as error:
        raise ParallelError(
            f"No Dask scheduler answers at {address}: give the address that it shows at its start."
        ) from error
    if not client.scheduler_info()["workers"]:
        client.close()
        raise ParallelError(f"The Dask scheduler at {address} has no workers: start some.")
    return client


class _Store:
    """Results by key, and the file they are appended to; without one they are only remembered."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._file: Any = None
        self.results: dict[str, Form] = {}
        if path is not None:
            self._load(path)

    def _load(self, path: Path) -> None:
        try:
            whole = path.read_bytes() if path.exists() else b""
        except OSError as error:
            raise _unusable(path, error) from error
        good = 0
        for line in whole.splitlines(keepends=True):
            entry = _entry(line)
            if entry is None:
                break  # cut off while it was written, and nothing whole comes after it
            self.results[entry[0]] = entry[1]
            good += len(line)
        self._good = good

    def __enter__(self) -> None:
        if self._path is None:
            return
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._file = self._path.open("ab")
            self._file.truncate(self._good)
        except OSError as error:
            raise _unusable(self._path, error) from error

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def keep(self, key: str, text: str) -> None:
        self.results[key] = json.loads(text)
        if self._file is None:
            return
        try:
            self._file.write(f'{{"key": {json.dumps(key)}, "result": {text}}}\n'.encode())
            self._file.flush()
        except OSError as error:
            assert self._path is not None
            raise _unusable(self._path, error) from error


def _entry(line: bytes) -> tuple[str, Form] | None:
    try:
        form = json.loads(line)
        return (form["key"], form["result"]) if line.endswith(b"\n") else None
    except (ValueError, KeyError, TypeError):
        return None


def _unusable(path: Path, error: OSError) -> ParallelError:
    return ParallelError(f"{path}: {error.strerror}; free it or give another folder.")


def chunked(items: Sequence[Argument], size: int) -> list[Sequence[Argument]]:
    """The items in runs of `size`; the last may be shorter."""
    return [items[at : at + size] for at in range(0, len(items), size)]
