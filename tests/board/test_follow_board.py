"""The board's own program follows a robot; a short way here, as the bench is slow."""

from __future__ import annotations

import numpy as np

from follow_rig import HEALTHY, Follower, growing_slip, lamp_path, scenario
from plylane_twin import BUILT_BOARD, Board


def test_laid_length_is_path_length_within_0_7_mm_on_the_board() -> None:
    stand = Board(BUILT_BOARD, scenario(HEALTHY, growing_slip(1.0, 1000.0)))
    follows = Follower(stand)
    laid = follows.follow(follows.robot(lamp_path(500.0)), tail_ms=500)
    assert np.abs(laid.error_mm()).max() <= 0.7
