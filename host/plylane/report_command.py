"""`plylane report`: a logged run as one page to hand over."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from plylane.run_plan import WORKED_OUT, WORKED_OUT_OTHERWISE, against_plan, departures_of
from plylane.runlog import Run, RunError

if TYPE_CHECKING:
    from plylane.report.run_page import KeptPlan, KeptTuning

PAGE = "report.html"


def report(run: Path, /, *, out: Path | None = None, overwrite: bool = False) -> None:
    """Write a logged run as one HTML page: outcome, figures, findings, alarms, settings.

    Parameters
    ----------
    run
        Folder of the run.
    out
        Folder for the page, report.html, or a file of another name that ends in .html; the run's
        own folder when left out.
    overwrite
        Replace a file that is there already.
    """
    from plylane.recording import Recording
    from plylane.report.run_page import run_page  # brings the drawing library along

    page = out if out is not None and out.suffix == ".html" else (out or run) / PAGE
    recording = Recording.open(run)
    if page.exists() and not overwrite:
        raise RunError(page, "is there already", "give --overwrite or another --out")
    text = run_page(recording, _plan(recording.run), _tuning(run))
    _write(page, text)
    print(page)


def _plan(run: Run) -> KeptPlan | None:
    """The run held against its plan; None where it had none."""
    from plylane.plan.laid import LaidCord
    from plylane.report.plan_of_run import plan_picture
    from plylane.report.run_page import KeptPlan

    if "cord" not in run.info.plan:
        return None
    laid = LaidCord()
    try:
        anew = against_plan(run, laid)
        told = departures_of(run, anew)
    except RunError as error:  # the rest of the page is worth having
        return KeptPlan([f"The run cannot be held against its plan: {error}"])
    assert told is not None
    remark = "" if told.logged else WORKED_OUT
    if list(anew.departures) != told.found:
        remark = WORKED_OUT_OTHERWISE
    picture = plan_picture(run.info.plan["cord"], run.info.lanes, anew, laid.found())
    return KeptPlan([one.text for one in told.found], told.lines, remark, picture)


def _tuning(folder: Path) -> KeptTuning | None:
    """The tuning record of the run's folder; None where there is none."""
    from plylane.report.run_page import KeptTuning
    from plylane.tune_run.record_file import FILE, kept_lines, read_tuning
    from plylane.tuning import RecordError

    file = folder / FILE
    if not file.exists():
        return None
    try:
        return KeptTuning([kept_lines(entry) for entry in read_tuning(file).zones])
    except RecordError as error:
        return KeptTuning(trouble=str(error))


def _write(page: Path, text: str) -> None:
    """Put the page in place at once. Raises RunError."""
    beside = page.with_name(page.name + ".new")
    try:
        page.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(text, encoding="utf-8", newline="\n")
        beside.replace(page)
    except OSError as error:
        place = f"cannot be written ({error.strerror})"
        raise RunError(page, place, "choose another place with --out") from error
