"""Many logged runs, each judged again: all findings in one table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from plylane.findings_compared import compare
from plylane.jam import Finding, WatchSettings
from plylane.parallel import HERE, Done, Spread, spread_map
from plylane.recording import Recording
from plylane.runlog import RunError
from plylane.runlog.info import FILE
from plylane.runlog.recorder import TELEMETRY
from plylane.watch_fields import WatchSettingsError, with_changes


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
    changes: Mapping[str, str] | None = None,
) -> RunTable:
    """Judge the run in `folder`, or every run in a folder right below it.

    With `changes` (settings of the detectors as text) each finding says under `change` whether it
    is the same, gone or new. Raises WatchSettingsError, RunError where there is no run,
    ParallelError.
    """
    chunks = {path.name: path for path in _runs(folder.resolve())}
    with_changes(WatchSettings(), changes or {})  # what cannot be is told before any run is read
    work = partial(_judged, changes=dict(changes or {}))
    forms = spread_map(work, chunks, None, spread, done)
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


def _judged(folder: Path, changes: dict[str, str]) -> dict[str, Any]:
    """In a worker: findings of one run, or why there are none."""
    try:
        recording = Recording.open(folder)
        findings = _changed(recording, changes) if changes else map(_form, recording.findings)
        notes = [note for note in (*recording.remarks, recording.otherwise) if note]
        return {"findings": list(findings), "notes": notes}
    except (RunError, WatchSettingsError) as error:
        return {"notes": [str(error)]}


def _changed(recording: Recording, changes: dict[str, str]) -> Iterator[dict[str, Any]]:
    """Findings before and after, each once."""
    before = recording.findings
    after = recording.judge(with_changes(recording.settings, changes))
    for row in compare(before, after):
        told = after[row.after] if row.after is not None else before[row.before or 0]
        yield {"change": row.change, **_form(told)}


def _form(finding: Finding) -> dict[str, Any]:
    return {**finding.to_json(), "text": finding.text}
