"""Plan: heat window, temperatures along the guide, strips in their lanes, what is in the way."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.content import Content
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

from plylane.plan.plan import CordPlan
from plylane.plan_text import COLD, HERE, HOT, JOINT, MAP_LEGEND, WITHIN, facts, lane_rows, map_rows
from plylane.screens.decide import Kind, Said
from plylane.screens.help import PLAN_KEYS, Help
from plylane.screens.pictures import Curve, Mark, Pattern, Picture, spread_labels
from plylane.screens.widgets.heading import Heading
from plylane.screens.widgets.plot import Plot
from plylane.screens.widgets.text import left, line, lines, quiet, right, strong

KEYS_LINE = "v figures, values or strips   ? keys   d dark or light   q back"
PROBLEM_KEYS_LINE = "v figures, values, strips or problems   ? keys   d dark or light   q back"
PLAN_CAUTION = "Assumptions stand behind every figure: try a sacrificial stack first."
LIMIT_FACTS = ("block may have", "not colder, for", "not hotter, for")
VIEWS = ("", "-values", "-strips")
PROBLEM_VIEWS = (*VIEWS, "-problems")
FRAME_ROWS, FRAME_COLUMNS = 4, 14
PLAIN_COLUMNS = 60  # any number: how many rows there are does not depend on it
MARKS = {
    HERE: Kind.STRONG,
    JOINT: Kind.STRONG,
    WITHIN: Kind.NORMAL,
    COLD: Kind.QUIET,
    HOT: Kind.QUIET,
}


class PlanFigure(Widget):
    """Rows of characters, drawn to its size."""

    def __init__(self, plan: CordPlan, *, id: str) -> None:
        super().__init__(id=id)
        self.plan = plan

    def rows(self) -> list[str]:
        """What to draw, for the size it has."""
        raise NotImplementedError

    def render(self) -> Content:
        """The rows, marks that matter standing out."""
        return lines([marked(row) for row in self.rows()])


def marked(row: str) -> Content:
    """A row with its marks set off."""
    parts, start = [], 0
    for at in range(1, len(row) + 1):
        if at == len(row) or MARKS.get(row[at]) != MARKS.get(row[start]):
            parts.append(Said(row[start:at], MARKS.get(row[start], Kind.QUIET)))
            start = at
    return line(*parts)


class PlanMap(PlanFigure):
    """Speed against block temperature."""

    def rows(self) -> list[str]:
        """The map with its legend."""
        size = self.size
        room = max(2, size.height - FRAME_ROWS), max(10, size.width - FRAME_COLUMNS)
        return [*map_rows(self.plan, room[1], room[0]), MAP_LEGEND]


class PlanLanes(PlanFigure):
    """The lanes along the cord."""

    def rows(self) -> list[str]:
        """A row a lane, and the scale."""
        return lane_rows(self.plan, max(10, self.size.width - 9))


class Plan(Screen[None]):
    """Shows a plan; nothing on it moves."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "view", "Figures, values or strips", id="plan.view"),
        Binding("question_mark", "help", "Help", id="plan.help"),
        Binding("escape", "app.step_back", "Back", id="plan.back"),
    ]

    def __init__(self, plan: CordPlan) -> None:
        super().__init__()
        self.plan = plan
        self._view = 0

    def compose(self) -> ComposeResult:
        """From the top: what, figures, tables, lanes, what is in the way, keys, caution."""
        yield Heading()
        with Horizontal(id="plan-figures"):
            yield PlanMap(self.plan, id="plan-map")
            yield Plot(id="plan-course")
        yield Static(id="plan-limits", markup=False)
        with Horizontal(id="plan-tables"):
            with VerticalScroll(id="plan-values"):
                yield Static(id="plan-facts")
            with VerticalScroll(id="plan-loading"):
                yield Static(id="plan-strips")
        yield PlanLanes(self.plan, id="plan-lanes")
        with VerticalScroll(id="plan-problems"):
            yield Static(id="plan-problem")
        keys = PROBLEM_KEYS_LINE if self.plan.problems else KEYS_LINE
        yield Static(keys, id="keys", markup=False)
        yield Static(PLAN_CAUTION, id="caution", markup=False)

    def on_mount(self) -> None:
        """Fill in what does not depend on the size."""
        plan, heading = self.plan, self.query_one(Heading)
        heading.title = f"Plan  {plan.job.name}"
        heading.detail = f"{plan.job.lanes} lanes, {plan.job.path.length_mm:.0f} mm"
        heading.status = verdict(plan)
        self.query_one("#plan-lanes").styles.height = len(lane_rows(plan, PLAIN_COLUMNS))
        self.query_one("#plan-limits", Static).update(limit_lines(plan))
        self.query_one("#plan-facts", Static).update(fact_lines(plan))
        self.query_one("#plan-strips", Static).update(strip_lines(plan))
        self.query_one("#plan-problem", Static).update(problem_lines(plan))
        self.query_one("#plan-problems").display = bool(plan.problems)
        self.set_class(bool(plan.problems), "-unready")
        self.set_class(bool(plan.offers), "-offered")

    def on_resize(self) -> None:
        """The course is drawn to its size."""
        self.call_after_refresh(self.draw_course)

    def draw_course(self) -> None:
        """Temperatures along the guide, where there is room."""
        plot = self.query_one("#plan-course", Plot)
        if plot.curves.size and self.plan.point is not None:
            plot.show(course_picture(self.plan, plot.curves.columns, plot.curves.rows))

    def action_view(self) -> None:
        """Something else in the place of the figures, where there is no room for all."""
        views = PROBLEM_VIEWS if self.plan.problems else VIEWS
        self._view = (self._view + 1) % len(views)
        for number, name in enumerate(views[1:], 1):
            self.set_class(number == self._view, name)
        self.call_after_refresh(self.draw_course)

    def action_help(self) -> None:
        """The keys."""
        self.app.push_screen(Help(PLAN_KEYS))


def verdict(plan: CordPlan) -> Said:
    """Whether it can be run."""
    if plan.ready:
        return Said("ready   ? keys", Kind.NORMAL)
    count = len(plan.problems)
    return Said(f"◆ cannot be run: {count} problem{'s' if count > 1 else ''}   ? keys", Kind.MEDIUM)


def limit_lines(plan: CordPlan) -> Content:
    """Speed, setpoints and what holds the block between its limits."""
    point = plan.point
    if point is None:
        return line(
            Said("No speed keeps all limits: see below what would change that.", Kind.MEDIUM)
        )
    setpoints = " / ".join(f"{t:.1f}" for t in plan.setpoints_degC)
    chosen = line(
        strong(f"{point.speed_mm_s:.2f} mm/s   {setpoints} °C"),
        quiet(f"   glue line {point.glue_degC:.1f} °C, face {point.face_degC:.1f} °C"),
    )
    kind = Kind.QUIET if point.safe else Kind.MEDIUM
    low = Said(f"block at least {point.lowest_degC:.1f} °C, else {point.lower_by.value}", kind)
    high = Said(f"block at most {point.highest_degC:.1f} °C, else {point.upper_by.value}", kind)
    return lines([chosen, line(low), line(high)])


def fact_lines(plan: CordPlan) -> Content:
    """Names and values; the block's limits stand elsewhere."""
    rows = [row for row in facts(plan) if row[0] not in LIMIT_FACTS]
    return lines([line(left(quiet(name), 16), value) for name, value in rows])


def strip_lines(plan: CordPlan) -> Content:
    """Strips in the order in which they are loaded."""
    if not plan.loadings:
        return line(quiet("No strips to load without a schedule and a speed."))
    head = line(quiet(f"{'by':>8}  lane  {'strip':<14} {'length':>8} {'cut off':>8}"))
    rows = [
        line(
            right(f"{one.by_s:.0f} s" if one.by_s else "start", 8),
            right(str(one.lane + 1), 6),
            "  ",
            left(one.strip, 14),
            right(f"{one.length_mm:.0f}", 9),
            right(f"{one.cut_mm:.0f}" if one.cut_mm >= 0.5 else "", 9),
        )
        for one in plan.loadings
    ]
    return lines([head, *rows])


def problem_lines(plan: CordPlan) -> Content:
    """What stands in the way, in the colour of the abnormal and with its mark."""
    return lines([line(Said(f"◆ {problem}", Kind.MEDIUM)) for problem in plan.problems])


def course_picture(plan: CordPlan, columns: int, rows: int) -> Picture:
    """Coldest glue line and hottest face along the way, their limits, where stretches end."""
    assert plan.point is not None
    course, limits = plan.point.course, plan.job.case.limits
    glue, face = course.glue_degC.min(axis=1), course.face_degC.max(axis=1)
    place = course.position_mm
    span = 0.0, float(place[-1])
    levels = (limits.glue_degC, limits.face_degC)
    curves = [_level(level, span) for level in levels]
    curves += [Curve(place, face, "trace-2", Pattern.DOTS), Curve(place, glue, "trace-1")]
    low, high = float(glue.min()) - 3.0, max(float(face.max()), *levels) + 5.0
    wanted = [(level, f"{level:.0f}") for level in (*levels, high, low)]
    ends = [float(end) for end in plan.job.case.way.ends_mm]
    names = {end: f"{end:.0f}" for end in (0.0, *ends)}
    marks = tuple(Mark(end, "rule") for end in ends[:-1])
    labels = _spaced(names, columns, span[1])
    return Picture(
        "°C ━ glue ┅ face ┄ limit",
        tuple(curves),
        span,
        (low, high),
        labels,
        spread_labels(wanted, (low, high), rows),
        marks,
    )


def _level(level: float, span: tuple[float, float]) -> Curve:
    return Curve(np.array(span), np.full(2, level), "reference", Pattern.SPARSE)


def _spaced(names: dict[float, str], columns: int, end: float) -> dict[float, str]:
    """The labels that keep five cells from each other."""
    kept: dict[float, str] = {}
    for at, name in names.items():
        if all(abs(at - other) * columns / end >= 5 for other in kept):
            kept[at] = name
    return kept
