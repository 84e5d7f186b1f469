"""`plylane plan`: what a cord takes, before wood is wasted on it."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from cyclopts import Parameter
from rich.console import Console

from plylane.plan_errors import PlanError

if TYPE_CHECKING:
    from plylane.plan.plan import CordPlan
    from plylane.plan_file import PlanFile

DEMO_PLAN = Path(__file__).with_name("plans") / "lamp_rib.toml"
CANNOT_BE_RUN = 1

T = TypeVar("T")
errors = Console(stderr=True)


def plan(
    file: Annotated[Path, Parameter(show_default=False)] = DEMO_PLAN,
    /,
    *,
    run_out: Path | None = None,
    path_out: Path | None = None,
    report: Path | None = None,
    overwrite: bool = False,
    until_decided: bool = False,
    screen: bool = False,
    as_json: Annotated[bool, Parameter(name="--json")] = False,
) -> None:
    """Plan a cord: speed and temperatures, bends, motors, which strip goes where.

    Ends with status 1 where the plan cannot be run, and says what to change; a run file is not
    written then.

    Parameters
    ----------
    file
        Plan file (docs/plan.md); the demo's lamp rib when left out.
    run_out
        Write a run file, which plylane monitor --run reads.
    path_out
        Write the path as a CSV file, piece by piece, as the twin's robot travels it.
    report
        Write a page with figures into this folder.
    overwrite
        Replace files that are there already.
    until_decided
        Where it is open whether a strip schedule keeps the stagger: go on until there is one or
        a proof that there is none. May take hours; Ctrl-C ends it with what is known.
    screen
        Show the plan on the Plan screen.
    as_json
        Print the plan as one JSON object.
    """
    # brings scipy along: not needed by the other commands
    from plylane.plan.plan import work_out
    from plylane.plan.schedule import UNTIL_DECIDED, USUAL
    from plylane.plan_file import read_plan
    from plylane.plan_forms import to_json
    from plylane.plan_print import print_plan

    if not overwrite:
        _refuse_existing(run_out, path_out, report)
    told, job = read_plan(file)
    if until_decided:
        text = "Goes on while it is open whether there is a schedule; Ctrl-C ends that."
        errors.print(text, style="dim", markup=False, soft_wrap=True)
    done = work_out(job, UNTIL_DECIDED if until_decided else USUAL)
    unwritten = _write_files(done, told, file, run_out, path_out)
    if report is not None:
        from plylane.report.plan_page import write_page

        page = _saved(report, lambda: write_page(done, report))
        errors.print(f"Page: {page}", style="dim", markup=False, soft_wrap=True)
    if screen:
        from plylane.screens import PlanApp

        PlanApp(done).run()
    elif as_json:
        _print_json(to_json(done))
    else:
        print_plan(done, Console())
    _tell_unwritten(unwritten, () if not (screen or as_json) else done.problems)
    if not done.ready:
        sys.exit(CANNOT_BE_RUN)


def _refuse_existing(run_out: Path | None, path_out: Path | None, report: Path | None) -> None:
    """Raise PlanError for a file that is there: before the work, so that nothing is half done."""
    named = {"--run-out": [run_out], "--path-out": [path_out], "--report": []}
    if report is not None:
        from plylane.report.plan_page import FILES

        named["--report"] = [report / name for name in FILES]
    for option, files in named.items():
        for file in files:
            if file is not None and file.exists():
                raise PlanError(f"{file}: is there already; give --overwrite or another {option}")


def _write_files(
    done: CordPlan, told: PlanFile, file: Path, run_out: Path | None, path_out: Path | None
) -> list[Path]:
    """Write the run file and the path; returns those that this plan does not give."""
    texts = [
        (run_out, _run_text(done, told, file) if run_out is not None and done.ready else None),
        (path_out, None if path_out is None or done.speed_mm_s is None else path_csv(done)),
    ]
    for path, text in texts:
        if path is not None and text is not None:
            _write(path, text)
    return [path for path, text in texts if path is not None and text is None]


def _tell_unwritten(unwritten: Sequence[Path], problems: Sequence[str]) -> None:
    for path in unwritten:
        text = f"{path}: not written, since the plan cannot be run as it is"
        errors.print(text, markup=False, highlight=False, soft_wrap=True)
    for problem in problems if unwritten else ():
        errors.print(f"◆ {problem}", markup=False, highlight=False, soft_wrap=True)


def _print_json(form: dict[str, Any]) -> None:
    print(json.dumps(form))


def _run_text(done: CordPlan, told: PlanFile, file: Path) -> str:
    from plylane.plan_forms import to_run

    try:
        return to_run(done, dict(told.run.settings))
    except ValueError as error:
        raise PlanError(f"{file}: {error}") from error


def path_csv(done: CordPlan) -> str:
    """The path in pieces of constant curvature, at the planned speed, of a plan that has one."""
    from plylane.plan.path import pieces

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["from_mm", "to_mm", "speed_mm_s", "curvature_per_mm"])
    for start, stop, curvature in pieces(done.job.path):
        writer.writerow(
            [f"{start:.3f}", f"{stop:.3f}", f"{done.speed_mm_s:.2f}", f"{curvature:.8f}"]
        )
    return text.getvalue()


def _write(path: Path, text: str) -> None:
    """Put a file in place at once. Raises PlanError."""
    beside = path.with_name(path.name + ".new")

    def put() -> None:
        beside.write_text(text, encoding="utf-8", newline="\n")
        beside.replace(path)

    _saved(path, put)


def _saved(path: Path, write: Callable[[], T]) -> T:
    try:
        return write()
    except OSError as error:
        raise PlanError(f"{path}: cannot be written ({error.strerror}); choose another") from error
