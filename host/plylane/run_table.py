"""Many logged runs, each judged again: all findings in one table."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from plylane.parallel import HERE, Done, Spread, spread_map
from plylane.recording import Recording
from plylane.runlog import RunError
from plylane.runlog.info import FILE
from plylane.runlog.recorder import TELEMETRY


@dataclass(frozen=True)
class RunTable:
    """What many runs have to say.

    `findings`: forms of findings with the run's folder and the sentence added, in the order of
    folders and time. `notes`: a line for each thing that is not as it should be with a run: torn,
    with a break in it, or not to be read. `runs`: how many were read.
    """

    runs: int
    findings: list[dict[str, Any]]
    notes: list[str]

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes."""
        return {"runs": self.runs, "findings": self.findings, "notes": self.notes}


def run_table(
    folder: Path,
    spread: Spread = HERE,
    done: Done = lambda _number, _all: None,
) -> RunTable:
    """Judge the run in `folder`, or every run in a folder right below it.

    Raises RunError where there is none, ParallelError.
    """
    chunks = {path.name: path for path in _runs(folder.resolve())}
    forms = spread_map(_judged, chunks, None, spread, done)
    findings = [
        {"run": name, **finding}
        for name, form in zip(chunks, forms, strict=True)
        for finding in form.get("findings", ())
    ]
    notes = [
        f"{name}: {note}"
        for name, form in zip(chunks, forms, strict=True)
        for note in form["notes"]
    ]
    return RunTable(sum("findings" in form for form in forms), findings, notes)


def _runs(folder: Path) -> list[Path]:
    if _is_run(folder):
        return [folder]
    try:
        found = sorted(path for path in folder.iterdir() if _is_run(path))
    except OSError as error:
        raise RunError(folder, error.strerror or "unreadable", "give a folder of runs") from error
    if not found:
        raise RunError(folder, "holds no run", "give a run's folder or the folder that runs are in")
    return found


def _is_run(path: Path) -> bool:
    return any((path / name).exists() for name in (FILE, TELEMETRY))


def _judged(folder: Path) -> dict[str, Any]:
    """In a worker: findings of one run, or why there are none."""
    try:
        recording = Recording.open(folder)
    except RunError as error:
        return {"notes": [str(error)]}
    findings = [{**finding.to_json(), "text": finding.text} for finding in recording.findings]
    return {"findings": findings, "notes": recording.remarks}
