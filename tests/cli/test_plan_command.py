"""`plylane plan` as a user gives it, and the run that comes of it."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from plylane.plan_command import DEMO_PLAN
from plylane.run_plan import departure_lines, departures_of, given
from plylane.run_setup import RunSetup, SetupError
from plylane.runlog import Run

DEMO = DEMO_PLAN.read_text(encoding="utf-8")


def plan(*arguments: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "plylane.cli", "plan", *map(str, arguments)]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=120)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The demo's plan with everything that can be written; it is decided without going on."""
    folder = tmp_path_factory.mktemp("plan")
    files = ("--run-out", "rib.toml", "--path-out", "rib.csv")
    done = plan("--json", "--until-decided", *files, cwd=folder)
    assert done.returncode == 0, done.stderr
    (line,) = done.stdout.strip().splitlines()
    return folder, json.loads(line)


def test_json_has_every_part(planned: tuple[Path, dict[str, Any]]) -> None:
    _, form = planned
    assert form["ready"] and form["problems"] == []
    assert form["speed_mm_s"] == 14.0
    assert form["heat"]["safe"]
    assert [motor["name"] for motor in form["motors"]] == ["infeed", "press", "outfeed"]
    schedule = form["schedule"]
    assert [len(lane) for lane in schedule["lanes"]] == [2] * 5
    assert schedule["closest_joints_mm"] >= 100.0 - 1e-6
    assert [joint["lane"] for joint in schedule["joints"]] == [5, 4, 3, 2, 1]


def test_the_run_file_is_one_that_the_monitor_takes(planned: tuple[Path, dict[str, Any]]) -> None:
    folder, form = planned
    setup = RunSetup.load(folder / "rib.toml")
    assert setup.speed_mm_s == form["speed_mm_s"]
    assert setup.setpoints_degC == form["setpoints_degC"]
    assert setup.length_mm == 3000.0 and setup.shear_at_mm == 2940.0
    assert setup.settings["zone_settings.ti_s"] == [31.0, 27.0]
    kept = given(folder / "rib.toml", None).kept
    assert [one["strip"] for one in kept["cord"]["lanes"][0]] == ["ash 1", "ash 10"]


def test_the_twin_s_robot_reads_the_path(planned: tuple[Path, dict[str, Any]]) -> None:
    folder, _ = planned
    head, *rows = (folder / "rib.csv").read_text().splitlines()
    assert head == "from_mm,to_mm,speed_mm_s,curvature_per_mm"
    assert len(rows) == 9  # four curves, straight between them and at either end
    assert rows[3] == f"900.000,994.248,14.00,{1 / 45:.8f}"


def test_a_table_a_person_can_read(tmp_path: Path) -> None:
    done = plan(cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    for piece in ("113.6 / 95.0 °C", "● planned", "lane 5", "┃", "Ready to run", "128 s"):
        assert piece in done.stdout
    assert "thermocouple" in done.stdout


def test_what_cannot_be_run_says_what_to_change_and_ends_with_1(tmp_path: Path) -> None:
    (tmp_path / "fast.toml").write_text(DEMO.replace("wanted_mm_s = 14.0", "wanted_mm_s = 30.0"))
    done = plan("fast.toml", cwd=tmp_path)
    assert done.returncode == 1
    shown = " ".join(done.stdout.split())
    assert "cannot be run as it is" in shown and "go slower" in shown
    form = json.loads(plan("fast.toml", "--json", cwd=tmp_path).stdout)
    assert not form["ready"] and form["changes"]


def test_a_run_file_is_not_written_of_a_plan_that_cannot_be_run(tmp_path: Path) -> None:
    """Status 1 and every problem with its remedy, on the screen or beside the JSON object."""
    spoilt = DEMO.replace("wanted_mm_s = 14.0", "wanted_mm_s = 30.0").replace(
        "count = 12", "count = 9"
    )
    (tmp_path / "fast.toml").write_text(spoilt)
    done = plan("fast.toml", "--run-out", "run.toml", cwd=tmp_path)
    shown = " ".join(done.stdout.split())
    assert done.returncode == 1 and not (tmp_path / "run.toml").exists()
    assert "go slower" in shown and "one more strip" in shown
    assert "run.toml: not written" in done.stderr
    done = plan("fast.toml", "--run-out", "run.toml", "--json", cwd=tmp_path)
    _, *problems = done.stderr.strip().splitlines()
    assert done.returncode == 1
    assert problems == [f"◆ {one}" for one in json.loads(done.stdout)["problems"]]
    assert len(problems) >= 2


@pytest.mark.parametrize(
    ("option", "target", "there"),
    [
        ("--run-out", "rib.toml", "rib.toml"),
        ("--path-out", "rib.csv", "rib.csv"),
        ("--report", "page", "page/plan.html"),
        ("--report", "page", "page/window.png"),
    ],
)
def test_what_is_there_is_kept_unless_told(
    tmp_path: Path, option: str, target: str, there: str
) -> None:
    kept = tmp_path / there
    kept.parent.mkdir(exist_ok=True)
    kept.write_text("mine")
    refused = plan(option, target, cwd=tmp_path)
    assert refused.returncode == 2 and kept.read_text() == "mine"
    (line,) = refused.stderr.strip().splitlines()
    assert f"is there already; give --overwrite or another {option}" in line
    done = plan(option, target, "--overwrite", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert kept.read_bytes() != b"mine"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (None, "no such file"),
        (DEMO.replace('"white ash"', '"white asch"'), "did you mean white ash"),
        (DEMO.replace("ti_s", "tea_s"), "zone_settings.tea_s: no such setting"),
    ],
)
def test_bad_files_in_one_line(tmp_path: Path, text: str | None, expected: str) -> None:
    if text is not None:
        (tmp_path / "rib.toml").write_text(text)
    done = plan("rib.toml", "--run-out", "run.toml", cwd=tmp_path)
    assert done.returncode == 2
    (line,) = done.stderr.strip().splitlines()
    assert line.startswith("plylane: ") and expected in line


@pytest.fixture(scope="module")
def run_folder(
    planned: tuple[Path, dict[str, Any]], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """The demo played from the plan's run file, in virtual time, its log keeping the plan."""
    from plylane.demo import Demo

    folder = tmp_path_factory.mktemp("planned")
    run_file = planned[0] / "rib.toml"
    run = tomllib.loads(run_file.read_text())["run"]
    scenario = folder / "rib.toml"
    short = {**run, "length_mm": 700.0, "shear_at_mm": 640.0, "strips": None}
    short = {key: value for key, value in short.items() if value is not None}
    short["settings"]["guards.link_timeout_ms"] = 20000.0
    scenario.write_text(_scenario(short))
    demo = Demo(scenario, 7, "virtual", folder)
    kept = given(run_file, None).kept
    demo.run.record(folder / "run", live=False, plan=kept)
    outcome = demo.play(1200.0, lambda *_: None)
    assert outcome.state == "Complete", outcome
    return folder / "run"


def _scenario(run: dict[str, Any]) -> str:
    import tomli_w

    return tomli_w.dumps({"format": "plylane scenario 1", "name": "planned rib", "run": run})


def test_a_run_is_held_against_its_plan(run_folder: Path, tmp_path: Path) -> None:
    """Stopped at 700 of 3000 mm, and otherwise as planned."""
    told = departures_of(Run.open(run_folder))
    assert told is not None and told.logged
    found = told.found
    assert [one.what for one in found] == ["length"]
    assert found[0].planned == 3000.0 and 650.0 < found[0].found < 710.0
    command = [sys.executable, "-m", "plylane.cli", "replay", str(run_folder), "--json"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    form = json.loads(done.stdout)
    assert [one["what"] for one in form["departures"]] == ["length"]
    assert form["departures_logged"] is True
    assert departure_lines(run_folder)[0] == "Other than planned:"


def test_a_plan_file_gives_the_same_run(planned: tuple[Path, dict[str, Any]]) -> None:
    from_plan, from_run = given(None, DEMO_PLAN), given(planned[0] / "rib.toml", None)
    assert from_plan.setup == from_run.setup
    assert from_plan.kept == from_run.kept
    assert from_plan.plan is not None and from_plan.plan.ready


def test_a_plan_table_spoilt_by_hand_is_refused(
    planned: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    text = (planned[0] / "rib.toml").read_text()
    (tmp_path / "rib.toml").write_text(text.replace("tolerance_K = 2.0", 'tolerance_K = "wide"'))
    with pytest.raises(SetupError, match=r"plan\.tolerance_K"):
        given(tmp_path / "rib.toml", None)
    with pytest.raises(SetupError, match="one too many"):
        given(tmp_path / "rib.toml", DEMO_PLAN)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--plan", "none.toml"), "none.toml: no such file"),
        (("--plan", "fast.toml"), "fast.toml: the plan cannot be run: the heat window is empty"),
        (("--plan", "none.toml", "--run", "rib.toml"), "one too many"),
    ],
)
def test_the_monitor_refuses_a_bad_plan_before_it_connects(
    tmp_path: Path, arguments: tuple[str, ...], expected: str
) -> None:
    (tmp_path / "fast.toml").write_text(DEMO.replace("wanted_mm_s = 14.0", "wanted_mm_s = 30.0"))
    command = [sys.executable, "-m", "plylane.cli", "monitor", "--port", "nowhere", *arguments]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2
    (line,) = done.stderr.strip().splitlines()
    assert line.startswith("plylane: ") and expected in line
