"""The binary that all board tests run, and the heads that one suite goes through."""

from __future__ import annotations

import fcntl
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from heads import Make, scenario
from plylane_twin import BUILT_BOARD, Board, Twin
from plylane_twin.stand import Stand

# what the twin's tests use is used here too: one suite, two heads
sys.path[:0] = [str(Path(__file__).parents[1] / folder) for folder in ("twin", "tuning")]
pytest.register_assert_rewrite("test_doors", "twin_client", "doors", "tune_rig")

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def elf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The board's program, made anew where its sources changed. A missing toolchain fails.

    A copy of the build folder, so that somebody's next make does not pull it away.
    """
    copy = tmp_path_factory.mktemp("board") / "build"
    with Path(tempfile.gettempdir(), "plylane_uno_make.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # several workers must not make at once
        made = subprocess.run(
            ["make", "-C", "firmware_sim/uno"], cwd=ROOT, capture_output=True, text=True
        )
        assert made.returncode == 0, made.stdout + made.stderr
        shutil.copytree(BUILT_BOARD.parent, copy)
    return copy / BUILT_BOARD.name


@pytest.fixture(params=["twin", "board"])
def make(request: pytest.FixtureRequest, elf: Path) -> Make:
    """Makes a head: the twin's or the board's. Arguments as for `scenario`, and `seed`."""

    def made(*tables: str, plant: str = "", seed: int = 11) -> Stand:
        chosen = scenario(*tables, plant=plant)
        return Board(elf, chosen, seed) if request.param == "board" else Twin(chosen, seed)

    return made


@pytest.fixture
def make_board(elf: Path) -> Callable[..., Board]:
    """Makes a board. Arguments as for `scenario`, and `seed`."""

    def made(*tables: str, plant: str = "", seed: int = 11) -> Board:
        return Board(elf, scenario(*tables, plant=plant), seed)

    return made
