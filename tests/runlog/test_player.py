"""Replay in time, on a clock the test turns."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.runlog import Player


class Turned:
    """A clock that only moves when told, or when slept on."""

    def __init__(self) -> None:
        self.time_s = 1000.0

    def now(self) -> float:
        return self.time_s

    def sleep(self, seconds: float) -> None:
        assert seconds > 0.0
        self.time_s += seconds


TIMES = np.array([5.0, 5.5, 6.0, 66.0, 66.5])


def player(**options: float) -> tuple[Player, Turned]:
    clock = Turned()
    return Player(TIMES, clock, **options), clock


def test_rows_fall_due_as_the_clock_moves() -> None:
    replay, clock = player()
    due = []
    for step_s in (0.0, 0.4, 0.2, 0.5, 50.0, 20.0):
        clock.sleep(step_s) if step_s else None
        due.append(replay.row_due())
    assert due == [0, 0, 1, 2, 2, 4]
    assert replay.ended


def test_pace_and_long_gaps() -> None:
    replay, clock = player(pace=2.0, longest_gap_s=1.0)
    clock.sleep(0.5)
    assert replay.row_due() == 2
    clock.sleep(0.5)  # the minute's gap has become one second
    assert replay.row_due() == 3
    replay.set_pace(0.5)
    assert replay.row_due() == 3
    clock.sleep(0.9)
    assert replay.row_due() == 3
    clock.sleep(0.2)
    assert replay.row_due() == 4 and replay.ended


def test_jump_and_hold() -> None:
    replay, clock = player()
    assert replay.jump(66.0) == 3 and replay.row_due() == 3
    replay.hold()
    clock.sleep(10.0)
    assert replay.row_due() == 3
    replay.hold(False)
    clock.sleep(0.5)
    assert replay.row_due() == 4
    assert replay.jump(-1.0) == 0 and replay.row_due() == 0
    assert replay.jump(1e9) == 4


@given(
    st.lists(st.floats(-1.0, 30.0), min_size=1, max_size=30),
    st.sampled_from([0.25, 1.0, 8.0]),
    st.sampled_from([0.5, 5.0, float("inf")]),
)
def test_iterating_gives_every_row_once_at_its_moment(
    gaps: list[float], pace: float, longest_gap_s: float
) -> None:
    times, clock = np.cumsum(gaps), Turned()
    started_s = clock.now()
    rows, due_s = [], 0.0
    for row in Player(times, clock, pace=pace, longest_gap_s=longest_gap_s):
        due_s += min(max(gaps[row], 0.0), longest_gap_s) if row else 0.0
        assert (clock.now() - started_s) * pace == pytest.approx(due_s, abs=1e-6)
        rows.append(row)
    assert rows == list(range(len(gaps)))


def test_a_jump_while_iterating_is_followed() -> None:
    replay, _ = player()
    rows = []
    for row in replay:
        rows.append(row)
        if rows == [0, 1]:
            replay.jump(66.0)
        elif rows == [0, 1, 3]:
            replay.jump(0.0)
    assert rows == [0, 1, 3, 0, 1, 2, 3, 4]


def test_an_empty_run_has_nothing_to_replay() -> None:
    replay = Player(np.empty(0), Turned())
    assert replay.row_due() == -1 and replay.ended and list(replay) == []
    assert replay.jump(3.0) == -1


@pytest.mark.parametrize("wrong", [{"pace": 0.0}, {"pace": -1.0}, {"longest_gap_s": 0.0}])
def test_a_pace_or_gap_that_makes_no_sense_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        player(**wrong)
