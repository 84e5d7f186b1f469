"""`plylane study`, and the table of `plylane replay`: long work with its progress shown."""

from __future__ import annotations

import json as json_text
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter
from cyclopts.validators import Number
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from plylane.study_errors import ParallelError

OUT = Path("study")
Hours = Annotated[float, Parameter(validator=Number(gt=0, lte=1e6))]
Count = Annotated[int, Parameter(validator=Number(gte=0, lte=10_000_000))]
Jobs = Annotated[int, Parameter(validator=Number(gte=1, lte=4096))]
Seed = Annotated[int, Parameter(validator=Number(gte=0, lt=2**64))]
errors = Console(stderr=True)
FILE_WIDTH = 200


def study(
    *,
    hours: Hours = 10.0,
    faults: Count = 190,
    seed: Seed = 1,
    out: Path = OUT,
    jobs: Jobs | None = None,
    cluster: str | None = None,
    as_json: Annotated[bool, Parameter(name="--json")] = False,
) -> None:
    """How often the detectors are wrong, and how soon right: many twin hours, judged.

    Can be ended at any time, with Ctrl-C too: the same command goes on where it was.

    Parameters
    ----------
    hours
        Hours of normal running to look for false alarms in.
    faults
        Faults to find, of every kind in turn.
    seed
        Seed of everything random; the same seed gives the same figures.
    out
        Folder in which results are kept as they come.
    jobs
        Processes on this computer; as many as it has cores when left out.
    cluster
        Address of a Dask scheduler: its workers do the work.
    as_json
        Print the figures as one JSON object.
    """
    from plylane.parallel import Spread
    from plylane.study import StudyPlan, run_study
    from plylane.study.run import KEPT

    if jobs is not None and cluster is not None:
        raise ParallelError("--jobs is for this computer, the workers are the cluster's: drop it")
    spread = Spread(jobs or -1, cluster)
    count = 0

    try:
        with progress("Studying") as show:

            def done(number: int, all_: int) -> None:
                nonlocal count
                count = number
                show(number, all_)

            result = run_study(StudyPlan(hours, faults, seed), out, spread, done)
    except KeyboardInterrupt:
        raise ParallelError(
            f"interrupted: {count} chunks are kept in {out / KEPT}; the same command goes on"
        ) from None
    if as_json:
        print(json_text.dumps(result.to_json()))
    else:
        print_study(result.figures, _output())


def replay_table(
    folder: Path, cluster: str | None, as_json: bool, changes: Mapping[str, str] | None = None
) -> None:
    """Print the findings of all runs in a folder, judged again with `changes` where there are any.

    Raises RunError, WatchSettingsError, ParallelError.
    """
    from plylane.parallel import Spread
    from plylane.run_table import run_table

    with progress("Judging") as show:
        table = run_table(folder, Spread(-1, cluster), show, changes)
    if as_json:
        print(json_text.dumps(table.to_json()))
        return
    console = _output()
    heads = (*_HEADS[:1], "change", *_HEADS[1:]) if changes else _HEADS
    console.print(_table("", heads, [_cells(form) for form in table.findings]))
    console.print(f"{len(table.findings)} findings in {table.runs} runs.")
    for note in table.notes:
        console.print(f"Note: {note}", markup=False)


_HEADS = ("run", "time, s", "kind", "lane", "lost, mm", "finding")


def _cells(form: dict[str, Any]) -> tuple[str, ...]:
    lane = "-" if form["lane"] is None else str(form["lane"])
    numbers = _number(form["time_s"]), form["kind"], lane, _number(form["lost_mm"])
    change = (form["change"],) if "change" in form else ()
    return form["run"], *change, *numbers, form["text"]


def _output() -> Console:
    """The terminal; a file or a pipe gets lines as long as they need be."""
    console = Console()
    return console if console.is_terminal else Console(width=FILE_WIDTH)


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on the terminal's error output, nothing where that is none."""
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=errors, transient=True, disable=not errors.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda number, all_: bar.update(task, completed=number, total=all_)


# ------------------------------------------------------------------------------------- printing


def print_study(figures: dict[str, Any], console: Console) -> None:
    """The figures as tables."""
    from plylane.study.tally import WORDS

    _print_false_alarms(figures["false_alarms"], console)
    console.print(_delay_table(figures))
    _print_abrupt(figures["abrupt"], console)
    _print_early(figures["early"], console)
    for word, name in WORDS.items():
        console.print(_confusion_table(name, figures["confusion"][word]))
        _print_diagnosis(name, figures["diagnosis"][word], console)
    if figures["slip"]:
        console.print(_optimum_table(figures["slip"]))


def _print_false_alarms(alarms: dict[str, Any], console: Console) -> None:
    console.print(
        f"False alarms: {alarms['count']} in {alarms['hours']:.1f} h of feeding"
        f" ({_number(alarms['per_1000_h'], 2)} in 1000 h; with 95 % certainty no more than"
        f" {_number(alarms['upper_95_per_1000_h'], 2)})."
    )
    for title, counts in (("Of kind", "kinds"), ("The head's own guards said", "held_by_guards")):
        if alarms[counts]:
            said = ", ".join(f"{name} ({count})" for name, count in alarms[counts].items())
            console.print(f"{title}: {said}.", markup=False)


def _print_abrupt(abrupt: dict[str, Any], console: Console) -> None:
    jams = abrupt["jams_at_nominal_speed"]
    lost = jams["lost_mm"] or {}
    console.print(
        f"Abrupt faults: {abrupt['trials']}, missed {abrupt['missed']}. Abrupt jams at nominal"
        f" speed: {jams['trials']}, lost feed {_number(lost.get('median'))} mm at the median,"
        f" {_number(lost.get('p99'))} mm at the 99th percentile."
    )


def _print_early(early: int, console: Console) -> None:
    if early:
        console.print(f"Told before the fault began: {early}.")


def _print_diagnosis(name: str, diagnosis: dict[str, Any], console: Console) -> None:
    warned = diagnosis["warned"]
    more = (
        f" ({warned} of {diagnosis['wrong']}: slip growing, then the right one)" if warned else ""
    )
    console.print(
        f"Diagnosis by the {name} of {diagnosis['told']}: right"
        f" {_percent(diagnosis['right_share'])}, undecided"
        f" {_percent(diagnosis['unknown_share'])}, decided and wrong"
        f" {_percent(diagnosis['wrong_share'])}{more}."
    )


def _delay_table(figures: dict[str, Any]) -> Table:
    rows = []
    for one in figures["delays"]:
        delay, lost = one["delay_s"] or {}, one["lost_mm"] or {}
        cells = [delay.get("median"), delay.get("p99"), lost.get("median"), lost.get("p99")]
        rows.append((one["fault"], str(one["trials"]), str(one["missed"]), *map(_number, cells)))
    heads = ("fault", "trials", "missed", "delay, s", "99 %", "lost feed, mm", "99 %")
    return _table("From onset to finding (median, 99th percentile)", heads, rows)


def _confusion_table(name: str, confusion: dict[str, dict[str, int]]) -> Table:
    kinds = sorted({kind for counts in confusion.values() for kind in counts})
    rows = [
        (fault, *(str(counts.get(kind, "")) for kind in kinds))
        for fault, counts in confusion.items()
    ]
    title = f"{name.capitalize()} (columns) of each fault (rows)"
    return _table(title, ("fault", *kinds), rows)


def _optimum_table(slip: dict[str, Any]) -> Table:
    heads = ("length", "faults", "detector", "matched CUSUM", "ratio", "on white noise")
    rows = []
    for length, one in slip.items():
        means = (one.get("detector_mm"), one.get("matched_mm"), one.get("ratio"))
        cells = [_number(x, digits) for x, digits in zip(means, (1, 1, 2), strict=True)]
        rows.append((length, str(one["compared"]), *cells, _number(one["white_delay_mm"])))
    return _table("Slip of 10 %: mean delay in mm of feed, beside the optimum", heads, rows)


def _table(title: str, heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> Table:
    table = Table(title=title or None, title_justify="left")
    for number, head in enumerate(heads):
        table.add_column(head, justify="left" if number == 0 else "right")
    for row in rows:
        table.add_row(*map(Text, row))  # no markup: a run's name may have brackets
    return table


def _number(value: float | None, digits: int = 1) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100.0 * share:.1f} %"
