"""Figures of the heat plan say what the results say, in text that can be read and searched."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from matplotlib.figure import Figure
from matplotlib.text import Text

from plan.heat_cases import demo_case
from plylane.plan.heat_case import Limits
from plylane.plan.motor import Load, PullOutFall, check_motor
from plylane.plan.window import HeatMap, heat_map, point
from plylane.report.figure_style import to_svg
from plylane.report.heat_figures import course_figure, motor_figure, window_figure


@cache
def demo_map(face_degC: float) -> HeatMap:
    case = replace(demo_case(), limits=Limits(72.0, face_degC, hold_s=1.0))
    return heat_map(case, np.linspace(3.0, 25.0, 30), np.linspace(75.0, 150.0, 30))


def words(figure: Figure) -> str:
    """Every text of a figure: titles, labels, annotations, legend."""
    figure.draw_without_rendering()
    return "\n".join(text.get_text() for text in figure.findobj(Text))  # type: ignore[attr-defined]


def test_window_names_the_fastest_point_and_what_bounds_it() -> None:
    found = demo_map(110.0)
    assert found.fastest is not None
    said = words(window_figure(found))
    assert f"{found.fastest.speed_mm_s:.1f} mm/s with the block at" in said
    for label in (
        "strip speed (mm/s)",
        "block temperature of zone 1 (°C)",
        "every limit kept",
        str(found.fastest.lower_by),
        str(found.fastest.upper_by),
    ):
        assert label in said


def test_a_map_without_a_window_says_so() -> None:
    said = words(window_figure(demo_map(85.0)))
    assert "No speed and block temperature keep every limit" in said
    assert "every limit kept" not in said


def test_regions_are_named_where_they_cover_no_contour() -> None:
    """On the map stand the contours' labels only: words beside them lay over one."""
    figure = window_figure(demo_map(110.0))
    figure.draw_without_rendering()
    ((axes,), (legend,)) = figure.axes, figure.legends
    on_the_map = [text.get_text() for text in axes.texts]
    assert "80 °C" in on_the_map and all(said.endswith(" °C") for said in on_the_map)
    named = [text.get_text() for text in legend.get_texts()]
    assert {"too cold", "too hot, or more than the heater gives"} <= set(named)


def test_course_names_every_glue_line_stretch_and_limit() -> None:
    case = demo_case()
    said = words(course_figure(point(case, 14.0, 110.0).course, case.limits))
    for label in (
        *("guide", "gap", "nip", "surface", "block 110 °C", "block 95 °C"),
        *("glue lines 1 and 4", "glue lines 2 and 3", "glue limit 72 °C", "surface limit 120 °C"),
        *("place along the way (mm)", "temperature (°C)", "Along the way at 14 mm/s"),
    ):
        assert label in said


def test_motors_say_whether_they_do() -> None:
    weak, strong = (
        check_motor(Load(20.0, force), PullOutFall(0.5, 2.0), 14.0) for force in (40, 10)
    )
    said = words(motor_figure({"infeed": strong, "press": weak}))
    assert f"infeed: {strong.margin:.2f} times, enough" in said
    assert f"press: {weak.margin:.2f} times, too little" in said
    assert "torque (Nm)" in said and "strip speed (mm/s)" in said


def test_the_same_figure_is_the_same_file() -> None:
    one, other = (to_svg(window_figure(demo_map(110.0))) for _ in range(2))
    assert one == other and one.startswith("<?xml")
