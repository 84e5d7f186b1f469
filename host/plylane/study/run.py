"""The study as a whole: what is computed, what is kept of it, and the figures."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import plylane.jam
import plylane.study
from plylane.head.registers import MAP_HASH
from plylane.jam import WatchSettings
from plylane.parallel import HERE, Done, Spread, chunked, spread_map
from plylane.study.chunks import fault_chunk, normal_chunk
from plylane.study.tally import tally
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
    chunks: dict[str, tuple[str, Any]] = {}
    for number in range(math.ceil(plan.hours)):
        hours = min(1.0, plan.hours - number)
        what = f"{mark} seed {plan.seed} normal {number} {hours!r} h"
        chunks[what] = ("normal", (plan.seed, number, hours))
    for numbers in chunked(range(plan.faults), FAULTS_A_CHUNK):
        what = f"{mark} seed {plan.seed} faults {numbers[0]} to {numbers[-1]}"
        chunks[what] = ("faults", (plan.seed, numbers))
    path = None if kept is None else kept / KEPT
    forms = spread_map(_work, chunks, path, spread, done)
    kinds = [kind for kind, _ in chunks.values()]
    parts = {
        wanted: [form for kind, form in zip(kinds, forms, strict=True) if kind == wanted]
        for wanted in ("normal", "faults")
    }
    return Study(plan, mark, tally(parts["normal"], parts["faults"]))


def _work(what: tuple[str, Any]) -> dict[str, Any]:
    kind, argument = what
    return normal_chunk(argument) if kind == "normal" else fault_chunk(argument)


def code_mark() -> str:
    """Names detectors, their settings, the study's cases and the twin: with another one of these,
    nothing that was kept is used."""
    parts = [f"{MAP_HASH}", WatchSettings().model_dump_json(), twin_mark()]
    parts += [hashlib.sha256(path.read_bytes()).hexdigest() for path in _sources()]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


def _sources() -> Iterable[Path]:
    for package in (plylane.jam, plylane.study):
        for folder in package.__path__:
            yield from sorted(Path(folder).glob("*.py"))
