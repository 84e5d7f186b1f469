"""Options that several commands share, and how a job of an engine is seen through in a terminal."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, TypeVar

from cyclopts import Parameter
from cyclopts.validators import Number
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from plylane.tune_errors import JobError

if TYPE_CHECKING:
    from plylane.calibrate_run import CalibrateRun
    from plylane.head.poller import Poller
    from plylane.tune_run import TuneRun

Unit = Annotated[int, Parameter(validator=Number(gte=1, lte=247))]
"""Addresses of units on a serial line: MODBUS over Serial Line V1.02, 2.2."""
Names = Annotated[list[str] | None, Parameter(consume_multiple=True)]
Logged = Annotated[bool, Parameter(negative="--no-log")]
errors = Console(stderr=True)
E = TypeVar("E", "CalibrateRun", "TuneRun")


def see_through(engine: E, poller: Poller, begin: Callable[[E], None]) -> str:
    """Begin a job, show how it goes, give its last words; Ctrl-C ends it.

    Raises JobError with its trouble.
    """
    begin(engine)
    columns = TextColumn("{task.description}"), BarColumn(bar_width=24), TimeElapsedColumn()
    with Progress(*columns, console=errors, transient=True) as bar:
        task = bar.add_task("", total=1.0)
        try:
            while engine.busy:
                poller.step()
                status = engine.status
                bar.update(task, description=status.text, completed=status.share or 0.0)
        except KeyboardInterrupt:
            engine.stop()
            while engine.busy:
                poller.step()
            raise
    if engine.status.trouble:
        raise JobError(engine.status.trouble)
    return engine.status.text
