"""The result of a calibration in the terminal: tables, budget, JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table

if TYPE_CHECKING:
    from plylane.calibrate_run import CalibrateRun, Found
    from plylane.feed.calibration import Budget, Scale


def result_json(found: Found, changes: list[str], record: str) -> dict[str, Any]:
    """What `--json` prints."""
    from plylane.calibrate_run import found_json

    return {"found": found_json(found), "changes": changes, "record": record}


def show_found(found: Found, run: CalibrateRun) -> None:
    """Whatever was found."""
    from plylane.feed.calibration import SlipFound

    if isinstance(found, tuple):
        numbers = [number for number, _ in run.sitting.used] if run.sitting else []
        for lane, scale in enumerate(found, 1):
            if len(found) > 1:
                print(f"Lane {lane}")
            show_scale(scale, numbers)
        return
    print(run.status.text)
    if isinstance(found, SlipFound):
        _show_budget(found.budget)
        _show_remarks(found.remarks)


def show_scale(scale: Scale, numbers: list[int]) -> None:
    """Value, lengths, budget, repeat test; `numbers` of the lengths from 0."""
    percent = 100.0 * scale.budget.expanded
    what = scale.counter.name.split(" of ")[0]
    print(
        f"{scale.mm_per_count:.7g} mm a {what} ({scale.counts_per_m:.2f} a metre) ± {percent:.3f} %"
        f" (95 %, k = {scale.budget.k:.2f})"
    )
    table = Table("length", "counts", "measured mm", "less fit mm", box=None)
    for k, number in enumerate(numbers):
        mark = " misread?" if scale.misread is not None and scale.misread.number == k else ""
        residual = f"{scale.fit.residuals[k]:+.2f}{mark}"
        counts, length = f"{scale.fit.x[k]:.0f}", f"{scale.fit.y[k]:g}"
        table.add_row(str(number + 1), counts, length, residual)
    Console().print(table)
    _show_budget(scale.budget)
    if scale.repeat_mm is not None:
        word = "agrees with" if scale.repeats else "is more than"
        print(
            f"Lengths fed alike scatter by {scale.repeat_mm:.2f} mm; that {word} what was stated."
        )
    _show_remarks(scale.remarks)


def _show_budget(budget: Budget) -> None:
    table = Table("uncertainty", "type", "u %", "", box=None)
    for part in budget.parts:
        contained = "in the scatter already" if part.kind == "B" else "no more than stated"
        seen = "" if part.counted else contained
        table.add_row(part.name, part.kind, f"{100.0 * part.u:.4f}", seen)
    Console().print(table)


def _show_remarks(remarks: tuple[str, ...]) -> None:
    for remark in remarks:
        print(f"Note: {remark}.")
