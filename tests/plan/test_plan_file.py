"""Plan files: what the demo's says, and what is refused by line and field."""

from __future__ import annotations

from pathlib import Path

import pytest

from plylane.plan.conduction import passage
from plylane.plan.contact import with_contact
from plylane.plan.plan import work_out
from plylane.plan_command import DEMO_PLAN
from plylane.plan_errors import PlanError
from plylane.plan_file import read_plan

DEMO = DEMO_PLAN.read_text(encoding="utf-8")


def written(folder: Path, text: str) -> Path:
    file = folder / "rib.toml"
    file.write_text(text, encoding="utf-8")
    return file


def changed(*pairs: tuple[str, str]) -> str:
    text = DEMO
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def line_of(text: str, piece: str) -> int:
    return next(k for k, line in enumerate(text.splitlines(), 1) if piece in line)


def problem(folder: Path, *pairs: tuple[str, str]) -> str:
    with pytest.raises(PlanError) as found:
        read_plan(written(folder, changed(*pairs)))
    text = str(found.value)
    assert text.startswith(str(folder / "rib.toml"))
    assert "\n" not in text
    return text


def test_the_demo_is_the_design_s_scenario() -> None:
    _, job = read_plan(DEMO_PLAN)
    stack = job.case.stack
    assert (stack.strip_mm, stack.width_mm, stack.wood.moisture_percent) == ((0.5,) * 5, 6.0, 9.0)
    assert job.case.limits.glue_degC == 72.0
    assert job.speed_mm_s == 14.0
    assert {strip.length_mm for strip in job.strips} == {2400.0}
    assert job.path.smallest_radius_mm == pytest.approx(45.0)
    assert len(job.drives) == 3


@pytest.mark.parametrize(
    ("old", "new", "field", "what"),
    [
        ("strip_mm = 0.5", "strip_mm = -0.5", "stack.strip_mm", "greater than 0"),
        ("strip_mm = 0.5", "strip_mm = [0.5, 0.5]", "stack", "2 values for 5 lanes"),
        ('"white ash"', '"wite ash"', "stack.species", "did you mean white ash"),
        ('"white ash"', '"oak"', "stack.species", "did you mean northern red oak or white oak"),
        ("moisture_percent = 9.0", "moisture_percent = 35", "stack.moisture_percent", "35"),
        ("lanes = 5", "lanes = 9", "stack.lanes", "8"),
        ("lanes = 5", "lames = 5", "stack.lames", "is not known"),
        ("glue_degC = 72.0", "# glue", "adhesive.glue_degC", "is missing"),
        ("glue_degC = 72.0", "glue_degC = nan", "adhesive.glue_degC", "finite"),
        ("heater_W = 60.0", "heater_W = 0", "head.zone 1.heater_W", "greater than 0"),
        ("heater_W = 40.0", 'heater_W = "much"', "head.zone 2.heater_W", "number"),
        ("zone = 2", "zone = 3", "head", "stretch 3, zone: 3 of 2 zones"),
        ("pressed = true", "pressed = false", "head", "no stretch of the way is pressed"),
        ("half_rev_s = 2.0", "", "drive 1", "pull_out_Nm with half_rev_s"),
        ("wanted_mm_s = 14.0", "wanted_mm_s = 0", "speed.wanted_mm_s", "greater than 0"),
        ("wanted_mm_s = 14.0", 'wanted_mm_s = "soon"', "speed.wanted_mm_s", "soon"),
        ("radius_mm = 45.0", "radius_mm = -45.0", "path.curve 2.radius_mm", "greater than 0"),
        ("start_mm = 900.0", "start_mm = 500.0", "path", "curve 2, start_mm: it begins at 500"),
        ("joints_mm = 100.0", "joints_mm = -1", "stagger.joints_mm", "greater than or equal to 0"),
        ("count = 12", "count = 0", "strips 1.count", "greater than or equal to 1"),
        ("length_mm = 2400.0", "", "strips 1", "give count and length_mm"),
        ("plan 1", "plan 9", "format", "this version reads 'plylane plan 1'"),
    ],
)
def test_what_is_wrong_is_named_by_line_and_field(
    tmp_path: Path, old: str, new: str, field: str, what: str
) -> None:
    text = problem(tmp_path, (old, new))
    assert f", {field}" in text and what in text
    if new in changed((old, new)) and new and "is missing" not in what:
        named = int(text.split(", line ")[1].split(",")[0].split(":")[0])
        lines = changed((old, new)).splitlines()
        # the line itself, or the head of the table that does not hold together
        assert new.split("=")[0].strip() in lines[named - 1] or lines[named - 1].startswith("[")


def test_not_toml_not_there_not_text(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="no such file"):
        read_plan(tmp_path / "none.toml")
    with pytest.raises(PlanError, match="line 1"):
        read_plan(written(tmp_path, "format = \n"))
    (tmp_path / "rib.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(PlanError, match="byte 0"):
        read_plan(tmp_path / "rib.toml")


CURVES = DEMO[DEMO.index("[path]") : DEMO.index("[stagger]")]
STRIPS = DEMO[DEMO.index("[[strips]]") : DEMO.index("# Gains")]


def test_path_and_strips_from_files(tmp_path: Path) -> None:
    (tmp_path / "rib.csv").write_text("arc_mm,curvature_per_mm\n0,0\n500,0.01\n1500,0\n")
    (tmp_path / "ash.csv").write_text("name,length_mm,thickness_mm\n" + "a,1600,0.51\n" * 5)
    text = changed(
        (CURVES, '[path]\nfile = "rib.csv"\n\n'), (STRIPS, '[[strips]]\nfile = "ash.csv"\n')
    )
    _, job = read_plan(written(tmp_path, text))
    assert job.path.length_mm == 1500.0
    assert job.path.turning_rad[-1] == pytest.approx(7.5)
    assert [s.thickness_mm for s in job.strips] == [0.51] * 5


@pytest.mark.parametrize(
    ("name", "content", "what"),
    [
        ("rib.csv", "arc_mm,curvature_per_mm\n0,0\n9,0\n5,0\n", "rib.csv, line 4, arc_mm"),
        ("rib.csv", "x_mm,y_mm\n0,0\n5,nan\n5,0\n", "rib.csv, line 3, y_mm"),
        ("ash.csv", "name\na\n", "ash.csv, line 1: column length_mm"),
        ("ash.csv", "length_mm\n900\nlong\n", "ash.csv, line 3, length_mm: 'long'"),
        ("ash.csv", "length_mm,thickness_mm\n900,-0.5\n", "ash.csv, line 2, thickness_mm: -0.5"),
        ("ash.csv", "length_mm\n", "ash.csv: 0 strips"),
    ],
)
def test_files_beside_the_plan_are_named_too(
    tmp_path: Path, name: str, content: str, what: str
) -> None:
    (tmp_path / "rib.csv").write_text("arc_mm,curvature_per_mm\n0,0\n500,0.01\n1500,0\n")
    (tmp_path / "ash.csv").write_text("name,length_mm\n" + "a,1600\n" * 5)
    (tmp_path / name).write_text(content)
    text = changed(
        (CURVES, '[path]\nfile = "rib.csv"\n\n'), (STRIPS, '[[strips]]\nfile = "ash.csv"\n')
    )
    with pytest.raises(PlanError) as found:
        read_plan(written(tmp_path, text))
    assert what in str(found.value)


# ------------------------------------------------------------------------------ what it comes to


def problems(folder: Path, *pairs: tuple[str, str]) -> tuple[str, ...]:
    return work_out(read_plan(written(folder, changed(*pairs)))[1]).problems


def test_the_demo_is_ready() -> None:
    plan = work_out(read_plan(DEMO_PLAN)[1])
    assert plan.ready
    assert plan.point is not None and plan.point.safe
    assert plan.point.glue_degC > 72.0 and plan.point.face_degC < 105.0
    assert plan.shear_at_mm == 3000.0 - 60.0
    assert plan.schedule is not None and plan.schedule.optimal


def test_fastest_is_safe_and_nothing_faster_is(tmp_path: Path) -> None:
    job = read_plan(written(tmp_path, changed(("wanted_mm_s = 14.0", 'wanted_mm_s = "fastest"'))))[
        1
    ]
    plan = work_out(job)
    assert plan.ready and plan.speed_mm_s is not None and plan.speed_mm_s > 14.0
    faster = f"wanted_mm_s = {plan.speed_mm_s * 1.02:.3f}"
    assert problems(tmp_path, ("wanted_mm_s = 14.0", faster))


def test_an_empty_window_says_what_to_change_and_that_helps(tmp_path: Path) -> None:
    (told,) = problems(tmp_path, ("wanted_mm_s = 14.0", "wanted_mm_s = 25.0"))
    assert "window is empty" in told and "go slower" in told
    slower = told.split("go slower: ")[1].split()[0]
    assert problems(tmp_path, ("wanted_mm_s = 14.0", f"wanted_mm_s = {slower}")) == ()


def test_bends_too_sharp_are_named_with_where_and_by_how_much(tmp_path: Path) -> None:
    (told,) = problems(tmp_path, ("radius_mm = 60.0", "radius_mm = 30.0"))
    assert "path from 1500.0 to 1547.1 mm" in told
    assert "radius 30.0 mm" in told and "12.7 mm below the smallest of 42.7 mm" in told


def test_layers_that_lean_are_named(tmp_path: Path) -> None:
    rows = []
    for layer in range(2):
        xs = range(0, 200, 2) if layer == 0 else range(198, -2, -2)
        rows += [f"{x},{4 * layer},{6 * layer}" for x in xs]
    (tmp_path / "wall.csv").write_text("x_mm,y_mm,z_mm\n" + "\n".join(rows) + "\n")
    told = problems(tmp_path, (CURVES, '[path]\nfile = "wall.csv"\n\n'))
    leaning = [line for line in told if "leans" in line]
    assert leaning and "beyond the 12.3 allowed" in leaning[0]


def test_a_weak_motor_and_strips_that_lack_are_named(tmp_path: Path) -> None:
    told = problems(tmp_path, ("force_N = 18.0", "force_N = 40.0"), ("count = 12", "count = 5"))
    assert any("press drive: torque margin" in line and "no faster than" in line for line in told)
    assert any("3000.0 mm short" in line for line in told)


MEASURED = """
[[measured]]
speed_mm_s = {speed}
zone_degC = [110.0, 95.0]
glue_line = 2
degC = {degC}
sigma_K = 0.5
"""


def with_measured(folder: Path, *rows: tuple[float, float]) -> Path:
    tables = "".join(MEASURED.format(speed=speed, degC=degC) for speed, degC in rows)
    return written(folder, DEMO + tables)


def test_measured_glue_lines_give_the_contact(tmp_path: Path) -> None:
    """Told what the demo's own contact times 0.8 would give, the plan finds 0.8."""
    job = read_plan(DEMO_PLAN)[1]
    worse = with_contact(job.case.way, 0.8)
    rows = []
    for speed in (6.0, 10.0, 14.0):
        course = passage(job.case.stack, worse, [speed]).course((110.0, 95.0))
        rows.append((speed, round(float(course.glue_degC[:, 1].max()), 2)))
    found = read_plan(with_measured(tmp_path, *rows))[1]
    assert found.contact is not None
    assert found.contact.factor == pytest.approx(0.8, rel=0.01)
    assert found.case.way.stretches[0].contact_W_m2K == pytest.approx(520.0, rel=0.01)
    assert work_out(found).setpoints_degC[0] > work_out(job).setpoints_degC[0] + 3.0


def test_a_measurement_that_cannot_be_is_named_by_line(tmp_path: Path) -> None:
    file = with_measured(tmp_path, (14.0, 70.0), (14.0, 200.0))
    with pytest.raises(PlanError) as found:
        read_plan(file)
    line = [k for k, t in enumerate(file.read_text().splitlines(), 1) if t == "[[measured]]"][1]
    assert f"line {line}, measured: measurement 2: 200 degC cannot be" in str(found.value)
    text = file.read_text().replace("zone_degC = [110.0, 95.0]", "zone_degC = [110.0]", 1)
    with pytest.raises(PlanError, match="measured 1, zone_degC: 1 temperatures for 2 zones"):
        read_plan(written(tmp_path, text))
