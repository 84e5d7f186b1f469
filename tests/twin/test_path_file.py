"""Path files: what is read, what is refused and where; how a robot travels them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from follow_rig import Follower, lamp_path, scenario
from plylane.head.registers import Command, FeedSource, State, TrimMode
from plylane_twin import Twin
from plylane_twin.motion import Travel
from plylane_twin.path_file import PathError, Piece, RobotPath

HEAD = "from_mm,to_mm,speed_mm_s,curvature_per_mm,pause_s\n"
GOOD = HEAD + "0,400,14,0,0\n400,494.2,11,0.0222,2.5\n"
TOML = 'format = "plylane path 1"\nacceleration_mm_s2 = 30.0\n[[piece]]\nfrom_mm = 0\nto_mm = {}\nspeed_mm_s = 14\ncurvature_per_mm = {}\n'  # noqa: E501


def test_both_forms_are_read() -> None:
    path = RobotPath.from_csv(GOOD)
    assert path.length_mm == 494.2
    assert path.pieces[1] == Piece(400.0, 494.2, 11.0, 0.0222, 2.5)
    assert RobotPath.from_toml(TOML.format(100, 0)).acceleration_mm_s2 == 30.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (HEAD + "0,400,nan,0,0\n", "line 2, speed_mm_s: nan"),
        (HEAD + "0,inf,14,0,0\n", "line 2, to_mm: inf"),
        (HEAD + "0,400,14,0,0\n401,500,14,0,0\n", "line 3, from_mm: a gap"),
        (HEAD + "0,400,14,0,0\n399,500,14,0,0\n", "line 3, from_mm: arc length goes back"),
        (HEAD + "0,400,14,0,0\n400,390,14,0,0\n", "line 3, to_mm: arc length goes back"),
        (HEAD + "0,400,14,0.0223,0\n", "line 2, curvature_per_mm: a radius of 44.8 mm"),
        (HEAD + "0,400,,0,0\n", "line 2, speed_mm_s: is missing"),
        (HEAD + "0,400,101,0,0\n", "line 2, speed_mm_s: 101"),
        (HEAD, "has no piece"),
        ("from_mm,to_mm\n", "line 1: column speed_mm_s is missing"),
    ],
)
def test_a_bad_line_is_named_with_its_field(text: str, words: str) -> None:
    with pytest.raises(PathError, match=r"^rib\.csv") as error:
        RobotPath.from_csv(text, "rib.csv")
    assert words in str(error.value)


def test_toml_names_the_line_too() -> None:
    with pytest.raises(PathError, match=r"rib\.toml, line 5, to_mm: nan"):
        RobotPath.from_toml(TOML.format("nan", 0), "rib.toml")
    with pytest.raises(PathError, match=r"line 7, curvature_per_mm: a radius of 20\.0 mm"):
        RobotPath.from_toml(TOML.format(100, 0.05), "rib.toml")


@given(length_mm=st.floats(10.0, 5000.0), start=st.floats(0.0, 0.9))
def test_a_robot_keeps_speed_and_acceleration_and_arrives(length_mm: float, start: float) -> None:
    path = lamp_path(length_mm)
    travel = Travel(path, start * length_mm)
    times = np.linspace(0.0, travel.length_s, 400)
    states = np.array([travel.at(float(t)) for t in times])
    assert states[0, 0] == pytest.approx(start * length_mm)
    assert states[-1, 0] == pytest.approx(length_mm)
    assert np.all(np.diff(states[:, 0]) >= -1e-9)
    assert states[:, 1].max() <= 14.0 + 1e-9
    step_s = times[1] if len(times) > 1 else 1.0
    assert np.abs(np.diff(states[:, 1])).max() <= path.acceleration_mm_s2 * step_s + 1e-6


def test_over_ten_million_pulses_each_drive_keeps_its_ratio() -> None:
    """In the core's own loop; three drives at three ratios, the fastest near full rate."""
    plant = "pulses_per_turn = 4700\npull_out_torque_Nm = 90.0\n"
    follows = Follower(
        Twin(scenario(plant)),
        TrimMode.OFF,
        {
            "machine.speed_max_mm_s": 100.0,
            "machine.trim_max_percent": 2.0,  # more would be kept free of the full rate
            "guards.mismatch_limit_mm": 300.0,
            "guards.mismatch_window_mm": 600.0,
        },
        FeedSource.SET_SPEED,
    )
    ratios = (0, -1234, 371)
    follows.client.command(Command.STOP)
    follows.until(lambda: follows.state == State.STOPPED, 1000)
    for drive, ppm in enumerate(ratios):
        follows.client.write("drive_settings.pulses_per_m", 74_802.82, drive)
        follows.client.write("drive_settings.ratio_ppm", ppm, drive)
    head = follows.stand.head
    before = [head.feed.drive[k].pulses for k in range(3)]
    follows.client.command(Command.RESET)
    follows.stand.advance(300)
    for zone in range(2):
        follows.client.write("zone.mode", 2, zone)
    follows.client.write("feed.speed_mm_s", 100.0)
    follows.client.command(Command.START)
    while head.feed.drive[0].pulses - before[0] < 10_000_000:
        follows.stand.advance(1000)
        assert follows.state in (State.EXECUTE, State.STARTING), follows.alarms
    follows.client.write("feed.speed_mm_s", 0.0)
    follows.stand.advance(4000)
    moved_nm = head.feed.position_um * 1000 + head.feed.position_rest_nm
    for drive, ppm in enumerate(ratios):
        exact = moved_nm * 74_802.82e-9 * (1.0 + ppm * 1e-6)
        assert abs(head.feed.drive[drive].pulses - before[drive] - exact) <= 1.0
