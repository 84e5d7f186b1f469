"""The whole demo on the board's binary, and its log judged again."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from plylane.recording import Recording


def test_the_demo_is_played_on_the_board_to_complete(elf: Path, tmp_path: Path) -> None:
    """A minute: the whole demo scenario, jam in lane 3 included, through the serial line."""
    command = [sys.executable, "-m", "plylane.cli", "demo", "--headless", "--json"]
    options = ["--board", str(elf), "--seed", "7", "--out", str(tmp_path)]
    done = subprocess.run([*command, *options], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    outcome = json.loads(done.stdout)
    assert outcome["state"] == "Complete"
    assert outcome["cord_mm"] == pytest.approx(
        3000.0, rel=0.03
    )  # slip, dirt and bends of its wheel
    assert [(found["kind"], found["lane"]) for found in outcome["findings"]] == [("strip_stuck", 3)]
    again = Recording.open(Path(outcome["run"]))
    assert [found.to_json() for found in again.findings] == outcome["findings"]
    assert again.run.recorded_findings() == outcome["findings"]
