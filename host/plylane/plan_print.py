"""A plan for a person at a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from plylane.plan.plan import CordPlan
from plylane.plan_text import (
    CAUTION,
    COURSE_LEGEND,
    MAP_LEGEND,
    course_rows,
    facts,
    lane_rows,
    map_rows,
)

FIGURE_COLUMNS, MAP_ROWS, COURSE_ROWS = 64, 14, 12
SHOWN_LOADINGS = 40


def print_plan(done: CordPlan, console: Console) -> None:
    """Facts, figures, strips and what stands in the way, for a person at a terminal."""
    console.print(Text(done.job.name, style="bold"))
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    for name, value in facts(done):
        table.add_row(Text(name, style="dim"), value)
    console.print(table)
    columns = max(20, min(FIGURE_COLUMNS, console.width - 14))
    figures = [
        ("Speed against block temperature", map_rows(done, columns, MAP_ROWS), MAP_LEGEND),
        ("Along the guide", course_rows(done, columns, COURSE_ROWS), COURSE_LEGEND),
        ("Joints in the lanes", lane_rows(done, columns), ""),
    ]
    for title, rows, legend in figures:
        console.print(Text(f"\n{title}", style="bold"))
        console.print(Text("\n".join(rows)), no_wrap=True, overflow="crop")
        if legend:
            console.print(Text(legend, style="dim"))
    _print_loadings(done, console)
    for problem in done.problems:
        console.print(Text(f"\n◆ {problem}", style="bold"))
    verdict = "Ready to run." if done.ready else "This plan cannot be run as it is."
    console.print(Text(f"\n{verdict}", style="bold"))
    console.print(Text(CAUTION, style="dim"))


def _print_loadings(done: CordPlan, console: Console) -> None:
    if not done.loadings:
        return
    console.print(Text("\nStrips to load", style="bold"))
    table = Table("by", "lane", "strip", "length", "cut off before", box=None, padding=(0, 2, 0, 0))
    for one in done.loadings[:SHOWN_LOADINGS]:
        by = f"{one.by_s:.0f} s" if one.by_s else "start"
        cut = f"{one.cut_mm:.0f} mm" if one.cut_mm >= 0.5 else ""
        table.add_row(by, str(one.lane + 1), one.strip, f"{one.length_mm:.0f} mm", cut)
    console.print(table)
    if len(done.loadings) > SHOWN_LOADINGS:
        more = len(done.loadings) - SHOWN_LOADINGS
        console.print(Text(f"and {more} more: --json has them all", style="dim"))
