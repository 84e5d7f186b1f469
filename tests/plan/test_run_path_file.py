"""A run file that names a path's file in place of curves typed by hand."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from plylane.feed.lanes import LaneBook
from plylane.run_plan import given
from plylane.run_setup import SetupError

RUN = """
[run]
path_file = "{file}"
speed_mm_s = 14.0
setpoints_degC = [110.0, 95.0]
{more}
[run.strips]
loaded_mm = [500.0, 500.0, 500.0]
next_mm = 2400.0
wheel_to_nozzle_mm = 150.0
pitch_mm = 0.5
"""
RADIUS_MM = 80.0


def half_circle() -> str:
    """100 mm straight, half a circle to the left, 100 mm straight, a point every 2 mm or so."""
    turns = [k * math.pi / 120 for k in range(121)]
    points = [
        *((x, 0.0) for x in range(-100, 0, 2)),
        *((RADIUS_MM * math.sin(a), RADIUS_MM * (1.0 - math.cos(a))) for a in turns),
        *((-x, 2.0 * RADIUS_MM) for x in range(2, 101, 2)),
    ]
    return "x_mm,y_mm\n" + "".join(f"{x:.6f},{y:.6f}\n" for x, y in points)


def pieces() -> str:
    end = 100.0 + math.pi * RADIUS_MM
    return (
        "from_mm,to_mm,curvature_per_mm\n"
        f"0,100,0\n100,{end:.4f},{1.0 / RADIUS_MM}\n{end:.4f},{end + 100.0:.4f},0\n"
    )


@pytest.mark.parametrize(("path", "near_mm"), [(half_circle, 0.01), (pieces, 1e-4)])
def test_the_lanes_of_a_path_differ_by_the_angle_turned(
    tmp_path: Path, path: object, near_mm: float
) -> None:
    """Parallel curves: pi times the offset over half a circle, whatever the path came as."""
    (tmp_path / "arc.csv").write_text(path())  # type: ignore[operator]
    (tmp_path / "run.toml").write_text(RUN.format(file="arc.csv", more=""))
    told = given(tmp_path / "run.toml", None)
    assert told.setup is not None and told.setup.strips is not None
    length_mm = told.setup.length_mm
    assert length_mm == pytest.approx(200.0 + math.pi * RADIUS_MM, abs=0.01)
    book = LaneBook(told.setup.strips, length_mm)
    book.advance([length_mm] * 3, length_mm)
    offset = math.pi * 0.5
    assert book.expected_mm() == pytest.approx([offset, 0.0, -offset], abs=near_mm)
    assert told.kept["strips"]["curve"]  # the log tells it without the file


def test_a_length_in_the_run_file_goes_first(tmp_path: Path) -> None:
    (tmp_path / "arc.csv").write_text(pieces())
    (tmp_path / "run.toml").write_text(RUN.format(file="arc.csv", more="length_mm = 300.0"))
    told = given(tmp_path / "run.toml", None)
    assert told.setup is not None and told.setup.length_mm == 300.0


@pytest.mark.parametrize(
    ("file", "run", "words"),
    [
        ("none.csv", RUN, "none.csv: no such file"),
        ("arc.csv", RUN, "arc.csv, line 3"),
        ("arc.csv", RUN + "curve = []\n", "run.strips.curve: the path_file has the curves"),
        ("arc.csv", RUN.replace('"{file}"', "5"), "run.path_file: 5 is no file"),
    ],
)
def test_what_cannot_be_is_refused_in_a_line(
    tmp_path: Path, file: str, run: str, words: str
) -> None:
    (tmp_path / "arc.csv").write_text("arc_mm,curvature_per_mm\n0,0\nfar,0.01\n")
    (tmp_path / "run.toml").write_text(run.format(file=file, more=""))
    with pytest.raises(SetupError, match=words) as caught:
        given(tmp_path / "run.toml", None)
    assert "\n" not in str(caught.value)
