"""The page of a plan: what stands on it, figures as files, the same bytes each time."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from plylane.plan.plan import CordPlan, work_out
from plylane.plan.strips import Strip
from plylane.plan_command import DEMO_PLAN
from plylane.plan_file import read_plan
from plylane.plan_kept import LaneBars
from plylane.report.lane_chart import lane_chart
from plylane.report.plan_page import write_page


@cache
def demo(**changes: object) -> CordPlan:
    return work_out(replace(read_plan(DEMO_PLAN)[1], **changes))  # type: ignore[arg-type]


def test_facts_figures_and_strips(tmp_path: Path) -> None:
    page = write_page(demo(), tmp_path / "report")
    text = page.read_text(encoding="utf-8")
    for piece in ("pendant lamp rib", "Ready to run", "113.6 / 95.0 °C", "ash 10"):
        assert piece in text
    assert "Software is not a safety function" in text
    assert text.count("<svg") == 4
    for name in ("window", "course", "motors", "lanes"):
        ET.parse(tmp_path / "report" / f"{name}.svg")
        assert (tmp_path / "report" / f"{name}.png").read_bytes()[:4] == b"\x89PNG"
    again = write_page(demo(), tmp_path / "again")
    assert again.read_bytes() == page.read_bytes()


def test_what_cannot_be_run_says_so(tmp_path: Path) -> None:
    text = write_page(demo(speed_mm_s=30.0), tmp_path).read_text(encoding="utf-8")
    assert "cannot be run as it is" in text and "go slower" in text


def test_without_a_schedule_the_rest_is_there(tmp_path: Path) -> None:
    text = write_page(demo(strips=()), tmp_path).read_text(encoding="utf-8")
    assert text.count("<svg") == 3
    assert not (tmp_path / "lanes.svg").exists()


def test_what_would_make_a_schedule_is_drawn(tmp_path: Path) -> None:
    nine = tuple(Strip(f"ash {k}", 2400.0) for k in range(1, 10))
    text = write_page(demo(strips=nine), tmp_path).read_text(encoding="utf-8")
    assert "Joints in the lanes, with one more strip of" in text
    assert "added 1" in text and (tmp_path / "lanes.svg").exists()


def test_names_are_text_never_markup(tmp_path: Path) -> None:
    strips = tuple(Strip(f"<b>{k}</b>", 2400.0) for k in range(12))
    text = write_page(demo(strips=strips), tmp_path).read_text(encoding="utf-8")
    assert "<b>" not in text and "&lt;b&gt;0&lt;/b&gt;" in text


def test_the_lane_chart_has_a_bar_a_piece_and_a_stroke_a_joint() -> None:
    plan = demo()
    assert plan.schedule is not None
    (axes,) = lane_chart(LaneBars.of(plan, plan.schedule)).axes
    assert len(axes.patches) == len(plan.schedule.pieces)
    upright = [line for line in axes.lines if len(set(line.get_xdata())) == 1]
    at = sorted(float(line.get_xdata()[0]) for line in upright)
    joints = [joint for joint, _ in plan.schedule.joints_mm]
    assert at == pytest.approx(sorted([*joints, plan.shear_at_mm]))
