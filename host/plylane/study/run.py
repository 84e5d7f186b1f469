"""The study as a whole: what is computed, what is kept of it, and the figures."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import plylane.jam
import plylane.reaction
import plylane.study
import plylane.twin_run
from plylane.head.registers import MAP_HASH
from plylane.jam import WatchSettings
from plylane.parallel import HERE, Done, Spread, chunked, spread_map
from plylane.study.chunks import FaultChunk, NormalChunk
from plylane.study.tally import tally
from plylane.study_errors import StudyError
from plylane.twin_door import twin_mark

FAULTS_A_CHUNK = 20
KEPT = "chunks.jsonl"


@dataclass(frozen=True)
class StudyPlan:
    """So many hours of normal running (the last may be a part) and so many faults, of one seed."""

    hours: float
    faults: int
    seed: int


@dataclass(frozen=True)
class Study:
    """What was run and what came out."""

    plan: StudyPlan
    mark: str
    figures: dict[str, Any]

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes: hours, faults, seed, mark, and the figures."""
        plan = {"hours": self.plan.hours, "faults": self.plan.faults, "seed": self.plan.seed}
        return {**plan, "mark": self.mark, **self.figures}


def run_study(
    plan: StudyPlan,
    kept: Path | None,
    spread: Spread = HERE,
    done: Done = lambda _number, _all: None,
) -> Study:
    """Run what is not kept yet in the folder `kept`, and put all together.

    The same plan gives the same figures to the bit, wherever and in however many goes it is run.
    Raises TwinError, ParallelError, or StudyError when a case does not go as it should.
    """
    mark = code_mark()
    normal, faults = _normal_chunks(plan), _fault_chunks(plan)
    chunks = {
        f"{mark} {what}": _Chunk(source_mark(), chunk) for what, chunk in (normal | faults).items()
    }
    path = None if kept is None else kept / KEPT
    forms = spread_map(_work, chunks, path, spread, done)
    return Study(plan, mark, tally(forms[: len(normal)], forms[len(normal) :]))


@dataclass(frozen=True)
class _Chunk:
    """Work for a worker, and by which version of the study it is to be done."""

    mark: str
    work: NormalChunk | FaultChunk


def _normal_chunks(plan: StudyPlan) -> dict[str, NormalChunk | FaultChunk]:
    hours = (min(1.0, plan.hours - number) for number in range(math.ceil(plan.hours)))
    chunks = (NormalChunk(plan.seed, number, part) for number, part in enumerate(hours))
    return {repr(chunk): chunk for chunk in chunks}


def _fault_chunks(plan: StudyPlan) -> dict[str, NormalChunk | FaultChunk]:
    numbers = chunked(range(plan.faults), FAULTS_A_CHUNK)
    chunks = (FaultChunk(plan.seed, part[0], len(part)) for part in numbers)
    return {repr(chunk): chunk for chunk in chunks}


def _work(chunk: _Chunk) -> dict[str, Any]:
    if chunk.mark != source_mark():
        raise StudyError("A worker has another version of plylane: install the same everywhere.")
    return chunk.work.run()


def code_mark() -> str:
    """Names detectors and their settings, the host's hold, the study's cases and the twin: with
    another one of these, nothing that was kept is used."""
    parts = (source_mark(), WatchSettings().model_dump_json(), twin_mark())
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


@cache
def source_mark() -> str:
    """Names the sources of detectors, hold, study and twin runs, and the register map."""
    parts = [path.read_bytes() for path in _sources()]
    return hashlib.sha256(b"".join([f"{MAP_HASH}".encode(), *parts])).hexdigest()


def _sources() -> Iterable[Path]:
    for source in (plylane.reaction.__file__, plylane.twin_run.__file__):
        yield Path(source)
    for package in (plylane.jam, plylane.study):
        for folder in package.__path__:
            yield from sorted(Path(folder).glob("*.py"))
