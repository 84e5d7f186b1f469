"""What a log keeps of a plan is enough to draw its figures from."""

from __future__ import annotations

import copy
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from plylane.plan.plan import CordPlan, work_out
from plylane.plan_command import DEMO_PLAN
from plylane.plan_errors import PlanError
from plylane.plan_file import read_plan
from plylane.plan_forms import to_run
from plylane.plan_kept import LaneBars, heat_of, lanes_of

DEMO = DEMO_PLAN.read_text(encoding="utf-8")
MEASURED = """
[[measured]]
speed_mm_s = 14.0
zone_degC = [113.0, 95.0]
glue_line = 2
degC = 73.0
"""


@cache
def planned(text: str, folder: Path) -> CordPlan:
    (folder / "rib.toml").write_text(text, encoding="utf-8")
    return work_out(read_plan(folder / "rib.toml")[1])


def kept(plan: CordPlan) -> dict[str, Any]:
    cord: dict[str, Any] = tomllib.loads(to_run(plan, {}))["plan"]
    return cord


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> CordPlan:
    return planned(DEMO, tmp_path_factory.mktemp("demo"))


@pytest.mark.parametrize(
    "text",
    [
        DEMO,
        DEMO.replace("strip_mm = 0.5", "strip_mm = [0.5, 0.45, 0.5, 0.4, 0.5]"),
        DEMO.replace("glue_degC = 72.0", "glue_degC = 70.0\nglue_top_degC = 120.0\nhold_s = 0.5"),
        DEMO + MEASURED,
    ],
    ids=["demo", "thicknesses", "more limits", "measured contact"],
)
def test_the_heat_comes_back_as_it_was(text: str, tmp_path: Path) -> None:
    plan = planned(text, tmp_path)
    heat = heat_of(kept(plan))
    assert heat is not None
    assert heat.case == plan.job.case
    assert heat.speeds_mm_s == plan.job.speeds_mm_s


def test_the_strips_come_back_in_their_places(demo: CordPlan) -> None:
    assert demo.schedule is not None
    told = lanes_of(kept(demo), demo.job.lanes)
    assert told == LaneBars.of(demo, demo.schedule)
    assert sorted((at, lane - 1) for at, lane in told.joints_mm) == demo.schedule.joints_mm


def test_what_an_earlier_version_kept_gives_the_lanes(demo: CordPlan) -> None:
    cord = {k: v for k, v in kept(demo).items() if k not in ("heat", "lanes", "shear_at_mm")}
    assert heat_of(cord) is None
    told = lanes_of(cord, 6)
    assert [len(row) for row in told.lanes] == [2, 2, 2, 2, 2, 1]
    assert told.shear_at_mm is None and told.lanes[0][0].name == ""


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda cord: cord["heat"]["stack"].update(species="plastic"), r"heat\.stack\.species"),
        (lambda cord: cord["heat"].pop("head"), r"heat\.head: Field required"),
        (lambda cord: cord["heat"]["head"]["zone"].pop(), r"heat\.head: .*zone: 2 of 1 zones"),
        (lambda cord: cord.update(heat=3), r"plan\.cord\.heat"),
    ],
)
def test_spoilt_by_hand_it_is_told_where(demo: CordPlan, spoil: Any, words: str) -> None:
    cord = copy.deepcopy(kept(demo))
    spoil(cord)
    with pytest.raises(PlanError, match=words):
        heat_of(cord)
