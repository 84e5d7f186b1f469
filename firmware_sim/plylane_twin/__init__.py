"""The twin: the head's own C core with a simulated press head behind it.

``Twin(Scenario.demo(), seed=7)`` makes one; it is driven in process, through the pyserial URL
``twin://demo`` (see protocol_twin.py) or through a pseudo-terminal (see pty.py).
``Board(elf, scenario, seed=7)`` takes its place with the board's own program in a simulator.
"""

from plylane_twin.board import BUILT as BUILT_BOARD
from plylane_twin.board import Board, BoardError, BoardUnavailable
from plylane_twin.core import TwinUnavailable, mark
from plylane_twin.direct import DirectPort
from plylane_twin.motion import Cell
from plylane_twin.path_file import PathError, RobotPath
from plylane_twin.pty import PtyError, serve_pty
from plylane_twin.scenario import DEMO as DEMO_SCENARIO
from plylane_twin.scenario import Scenario, ScenarioError
from plylane_twin.twin import Twin

__all__ = [
    "BUILT_BOARD",
    "DEMO_SCENARIO",
    "Board",
    "BoardError",
    "BoardUnavailable",
    "Cell",
    "DirectPort",
    "PathError",
    "PtyError",
    "RobotPath",
    "Scenario",
    "ScenarioError",
    "Twin",
    "TwinUnavailable",
    "mark",
    "serve_pty",
]
