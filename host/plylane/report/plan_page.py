"""A plan as a page: facts, figures, strips to load. One HTML file, each figure as SVG and PNG."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from plylane.plan.plan import CordPlan
from plylane.plan_kept import LaneBars
from plylane.plan_text import CAUTION, facts
from plylane.report.figure_style import STYLE, to_svg
from plylane.report.heat_figures import course_figure, motor_figure, window_figure
from plylane.report.lane_chart import lane_chart
from plylane.report.page import inline, render

PAGE = "plan.html"
PNG_DPI = 150
WINDOW, COURSE, LANES = (
    "Speed against block temperature",
    "Temperature along the guide",
    "Joints in the lanes",
)
FIGURES = ("window", "course", "motors", "lanes")
FILES = (PAGE, *(f"{name}.{kind}" for name in FIGURES for kind in ("svg", "png")))
"""What a page's folder may come to hold."""


@dataclass(frozen=True, slots=True)
class PageFigure:
    """A figure of the page: name of its files, title, and the drawn figure."""

    name: str
    title: str
    figure: Figure


def plan_figures(plan: CordPlan) -> list[PageFigure]:
    """Every figure that there is something to draw for."""
    window = window_figure(plan.map, plan.point)
    found = [PageFigure("window", WINDOW, window)]
    if plan.point is not None:
        course = course_figure(plan.point.course, plan.job.case.limits)
        found.append(PageFigure("course", COURSE, course))
    if plan.motors:
        names = (drive.name for drive in plan.job.drives)
        motors = motor_figure(dict(zip(names, plan.motors, strict=True)))
        found.append(PageFigure("motors", "Torque of the drives", motors))
    if plan.schedule is not None:
        bars = LaneBars.of(plan, plan.schedule)
        found.append(PageFigure("lanes", LANES, lane_chart(bars)))
    elif plan.offers:
        offer = plan.offers[0]
        bars = LaneBars.of(plan, offer.schedule)
        found.append(PageFigure("lanes", f"{LANES}, with {offer.what}", lane_chart(bars)))
    return found


def write_page(plan: CordPlan, folder: Path) -> Path:
    """Write page and figures into a folder, made where it is not there. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    shown = [{"title": one.title, "svg": _saved(one, folder)} for one in plan_figures(plan)]
    page = folder / PAGE
    page.write_text(_page(plan, shown), encoding="utf-8", newline="\n")
    return page


def _saved(one: PageFigure, folder: Path) -> str:
    """The figure beside the page as SVG and PNG; the SVG element for the page itself."""
    with mpl.rc_context(STYLE):
        one.figure.savefig(folder / f"{one.name}.png", dpi=PNG_DPI)
    text = to_svg(one.figure)
    (folder / f"{one.name}.svg").write_text(text, encoding="utf-8", newline="\n")
    return inline(text, one.name)


def _page(plan: CordPlan, figures: list[dict[str, str]]) -> str:
    return render(
        "plan_page.html.j2",
        name=plan.job.name,
        ready=plan.ready,
        problems=plan.problems,
        facts=facts(plan),
        figures=figures,
        loadings=plan.loadings,
        caution=CAUTION,
    )
