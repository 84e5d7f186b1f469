"""`plylane plan`: what a cord takes, before wood is wasted on it."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter
from rich.console import Console

from plylane.plan_errors import PlanError

if TYPE_CHECKING:
    from plylane.plan.plan import CordPlan
    from plylane.plan_file import PlanFile

DEMO_PLAN = Path(__file__).with_name("plans") / "lamp_rib.toml"
CANNOT_BE_RUN = 1

Flag = Annotated[bool, Parameter(negative="")]
errors = Console(stderr=True)


def plan(
    file: Annotated[Path, Parameter(show_default=False)] = DEMO_PLAN,
    /,
    *,
    run: Path | None = None,
    path_out: Path | None = None,
    report: Path | None = None,
    screen: Flag = False,
    as_json: Annotated[bool, Parameter(name="--json", negative="")] = False,
) -> None:
    """Plan a cord: speed and temperatures, bends, motors, which strip goes where.

    Ends with status 1 where the plan cannot be run, and says what to change.

    Parameters
    ----------
    file
        Plan file (docs/plan.md); the demo's lamp rib when left out.
    run
        Write a run file for plylane monitor --run.
    path_out
        Write the path as a CSV file, piece by piece, as the twin's robot travels it.
    report
        Write a page with figures into this folder.
    screen
        Show the plan on the Plan screen.
    as_json
        Print the plan as one JSON object.
    """
    # brings scipy along: not needed by the other commands
    from plylane.plan.plan import work_out
    from plylane.plan_file import read_plan
    from plylane.plan_forms import to_json
    from plylane.plan_print import print_plan

    told, job = read_plan(file)
    done = work_out(job)
    if path_out is not None:
        _write(path_out, path_csv(done))
    if report is not None:
        from plylane.report.plan_page import write_page

        page = _saved(report, lambda: write_page(done, report))
        errors.print(f"Page: {page}", style="dim")
    if run is not None:
        _write(run, _run_text(done, told, file))
    if screen:
        from plylane.screens import PlanApp

        PlanApp(done).run()
    elif as_json:
        _print_json(to_json(done))
    else:
        print_plan(done, Console())
    if not done.ready:
        sys.exit(CANNOT_BE_RUN)


def _print_json(form: dict[str, Any]) -> None:
    print(json.dumps(form))


def _run_text(done: CordPlan, told: PlanFile, file: Path) -> str:
    from plylane.plan_forms import to_run

    try:
        return to_run(done, dict(told.run.settings))
    except ValueError as error:
        raise PlanError(f"{file}: {error}") from error


def path_csv(done: CordPlan) -> str:
    """The path in pieces of constant curvature, at the planned speed."""
    from plylane.plan.path import pieces

    if done.speed_mm_s is None:
        raise PlanError(f"the plan has no speed to travel at: {done.problems[0]}")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["from_mm", "to_mm", "speed_mm_s", "curvature_per_mm"])
    for start, stop, curvature in pieces(done.job.path):
        writer.writerow(
            [f"{start:.3f}", f"{stop:.3f}", f"{done.speed_mm_s:.2f}", f"{curvature:.8f}"]
        )
    return text.getvalue()


def _write(path: Path, text: str) -> None:
    _saved(path, lambda: path.write_text(text, encoding="utf-8", newline="\n"))


def _saved(path: Path, write: Any) -> Any:
    try:
        return write()
    except OSError as error:
        raise PlanError(f"{path}: cannot be written ({error.strerror}); choose another") from error
