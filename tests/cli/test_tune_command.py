"""`plylane tune` as a user gives it, in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

PLAIN = 'format = "plylane scenario 1"\nname = "tuning"\n'
RULE_FIELDS = {"kp", "ti_s", "td_s", "ms", "gain_margin", "phase_margin_deg"}


def tune(*arguments: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "plylane.cli", "tune", *map(str, arguments)]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=300)


def form_of(done: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    assert done.returncode == 0, done.stderr
    (line,) = done.stdout.strip().splitlines()
    return json.loads(line)


@pytest.fixture(scope="module")
def sitting(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """Zone 2 of a twin tuned, applied and verified."""
    folder = tmp_path_factory.mktemp("tune")
    (folder / "plain.toml").write_text(PLAIN)
    done = tune(
        "--port", "twin://plain.toml?pace=virtual&seed=7", "--zone", 2, "--rule", "simc",
        "--setpoint", 95, "--apply", "--verify", "--guide-empty", "--json", cwd=folder,
    )  # fmt: skip
    assert "keep hands off" in done.stderr
    return folder, form_of(done)


def test_model_and_rules_as_json(sitting: tuple[Path, dict[str, Any]]) -> None:
    _, form = sitting
    model = form["model"]
    assert model["kind"] in ("fopdt", "sopdt")
    for name in ("gain_degC_per_percent", "time_constant_s", "dead_time_s"):
        assert model["standard_errors"][name] > 0.0
    # heat capacity of the nip, design: 40 W +-10 % on 90 g of aluminium, the guide warming along
    slope = model["gain_degC_per_percent"] / model["time_constant_s"]
    assert slope == pytest.approx(0.40 / (90.0 * 0.897), rel=0.20)
    for rule in form["rules"].values():
        assert set(rule) >= RULE_FIELDS
    assert {"simc", "amigo", "ziegler_nichols", "tyreus_luyben", "optimum"} <= set(form["rules"])
    assert form["suggested"] == "simc"
    assert [check["passed"] for check in form["checks"]] == [True]


def test_what_was_kept_is_shown(sitting: tuple[Path, dict[str, Any]]) -> None:
    folder, form = sitting
    shown = form_of(tune("--show", form["run"], "--json", cwd=folder))
    (entry,) = shown["zones"]
    assert entry["model"] == form["model"] and entry["rules"] == form["rules"]
    assert entry["chosen"] == "simc" and [c["passed"] for c in entry["checks"]] == [True]
    assert "samples" not in entry
    said = tune("--show", Path(form["run"]) / "tuning.json", cwd=folder)
    assert said.returncode == 0, said.stderr
    for word in ("Zone 2: first order", "In the head by simc", "Setpoint step passed"):
        assert word in said.stdout


def test_interaction_and_a_feed_start_in_one_sitting(tmp_path: Path) -> None:
    """Bristol's array of the plant's own conductances, W/K: see tests/tuning/test_tune_run.py."""
    (tmp_path / "plain.toml").write_text(PLAIN)
    done = tune(
        "--port", "twin://plain.toml?pace=virtual&seed=7", "--zone", 2, "--rule", "simc",
        "--setpoint", 95, "--apply", "--interaction", "--feed-start", 14, "--guide-empty",
        "--json", cwd=tmp_path,
    )  # fmt: skip
    form = form_of(done)
    found = form["interaction"]
    assert found["relative"][0][0] == pytest.approx(1.127, abs=0.1)
    assert found["order"] == [2, 1]
    assert [(check["kind"], check["passed"]) for check in form["checks"]] == [("feed step", True)]


def test_from_the_run_folder_it_is_the_same(sitting: tuple[Path, dict[str, Any]]) -> None:
    folder, form = sitting
    again = form_of(tune("--from", form["run"], "--zone", 2, "--json", cwd=folder))
    assert again["model"]["gain_degC_per_percent"] == pytest.approx(
        form["model"]["gain_degC_per_percent"], rel=0.02
    )
    assert again["rules"]["simc"]["kp"] == pytest.approx(form["rules"]["simc"]["kp"], rel=0.05)


def test_from_a_log_without_tuning_record(sitting: tuple[Path, dict[str, Any]], tmp_path) -> None:
    """The whole log, with everything that came after the experiment in it."""
    folder, form = sitting
    copy = tmp_path / "run"
    copy.mkdir()
    for file in (folder / form["run"]).iterdir():
        if file.suffix != ".json":
            (copy / file.name).write_bytes(file.read_bytes())
    model = form_of(tune("--from", copy, "--zone", 2, "--json", cwd=folder))["model"]
    slope = model["gain_degC_per_percent"] / model["time_constant_s"]
    assert slope == pytest.approx(0.40 / (90.0 * 0.897), rel=0.25)


@pytest.fixture
def step_csv(tmp_path: Path) -> Path:
    """A step on gain 1.2, time constant 200 s, dead time 6 s: the closed form, no noise."""
    time_s = np.arange(0.0, 1200.0, 1.0)
    op = np.where(time_s < 60.0, 20.0, 45.0)
    after = np.clip(time_s - 66.0, 0.0, None)
    pv = 22.0 + 1.2 * 20.0 + 1.2 * 25.0 * (1.0 - np.exp(-after / 200.0))
    file = tmp_path / "step.csv"
    rows = "".join(f"{t:g},{o:g},{p:.4f}\n" for t, o, p in zip(time_s, op, pv, strict=True))
    file.write_text(f"time_s,op_percent,pv_degC\n{rows}")
    return file


def test_csv_to_json(step_csv: Path) -> None:
    model = form_of(tune("--from", step_csv, "--json", cwd=step_csv.parent))["model"]
    assert model["gain_degC_per_percent"] == pytest.approx(1.2, rel=0.01)
    assert model["time_constant_s"] == pytest.approx(200.0, rel=0.01)
    assert model["dead_time_s"] == pytest.approx(6.0, abs=0.6)


def test_csv_to_a_table_a_person_can_read(step_csv: Path) -> None:
    done = tune("--from", step_csv, "--rule", "amigo", cwd=step_csv.parent)
    assert done.returncode == 0, done.stderr
    assert "first order, gain 1.2" in done.stdout
    for word in ("simc", "ziegler_nichols_step_pi", "optimum", "Ms", "PM", "over", "settles"):
        assert word in done.stdout
    assert "Suggested: amigo was asked for" in done.stdout


def spoilt(text: str, how: str) -> str:
    """The CSV with one thing wrong."""
    head, *rows = text.splitlines()
    changed = {
        "short": rows[:10],
        "backwards": [*rows[:500], *rows[100:300]],
        "still": [row.replace(",45,", ",20,") for row in rows],
        "saturated": [",".join([row.split(",")[0], "100", row.split(",")[2]]) for row in rows],
        "dropout": [*rows[:300], "300,45,-300", *rows[301:]],
        "word": [*rows[:300], "300,45,warm", *rows[301:]],
        "column": rows,
        "sign": [f"{t},{o},{100 - float(p):.4f}" for t, o, p in (row.split(",") for row in rows)],
    }[how]
    head = head.replace("pv_degC", "temperature") if how == "column" else head
    return "\n".join([head, *changed]) + "\n"


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ("short", "too short"), ("backwards", "backwards"), ("still", "no excitation"),
        ("saturated", "saturated"), ("dropout", "dropped out"), ("word", "no number"),
        ("column", "pv_degC"), ("sign", "wrong sign"),
    ],
)  # fmt: skip
def test_bad_records_are_refused_in_one_line(step_csv: Path, how: str, expected: str) -> None:
    step_csv.write_text(spoilt(step_csv.read_text(), how))
    done = tune("--from", step_csv, "--json", cwd=step_csv.parent)
    assert done.returncode == 2
    assert done.stdout == ""
    (line,) = done.stderr.strip().splitlines()
    assert line.startswith("plylane: ") and "step.csv" in line
    assert expected in line
    assert ";" in line  # what is wrong; how to record a better one


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ((), "--port"),
        (("--from", "none.csv"), "none.csv"),
        (("--from", "none.csv", "--apply"), "--apply"),
        (("--port", "x", "--verify"), "--apply"),
        (("--port", "twin://plain.toml?pace=virtual", "--zone", 3, "--guide-empty"), "zone 3"),
        (("--from", "none.csv", "--rule", "mine"), "simc"),
        (("--show", "none.json"), "none.json"),
        (("--show", "none.json", "--interaction"), "--interaction"),
    ],
)
def test_what_makes_no_sense(tmp_path: Path, arguments: tuple[object, ...], expected: str) -> None:
    (tmp_path / "plain.toml").write_text(PLAIN)
    done = tune(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    last = done.stderr.strip().splitlines()[-1]
    assert last.startswith("plylane: ") and expected in last
    assert "Traceback" not in done.stderr
