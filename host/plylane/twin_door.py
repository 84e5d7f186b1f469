"""The one door to the twin: nothing else in the host knows `plylane_twin`, and this only on demand.

Opening a ``twin://`` port is in `plylane.head.port`; here is what the commands need besides.
"""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any
from urllib.parse import quote


class TwinError(Exception):
    """The twin cannot do what was asked: not built, a bad scenario, a bad link name. One line."""


def _twin() -> Any:
    try:
        import plylane_twin
    except ImportError as error:
        raise TwinError(
            f"The twin is not part of this install ({error}): "
            "install plylane from its source folder."
        ) from error
    return plylane_twin


def demo_scenario() -> Path:
    """The scenario file of the demo. Raises TwinError."""
    return Path(_twin().DEMO_SCENARIO)


def built_board() -> Path:
    """Where the board's program lies once it is built. Raises TwinError."""
    return Path(_twin().BUILT_BOARD)


def check_scenario(path: Path) -> str:
    """The scenario's name. Raises TwinError naming file, place and remedy."""
    twin = _twin()
    try:
        return str(twin.Scenario.load(path).name)
    except twin.ScenarioError as error:
        raise TwinError(str(error)) from error


def twin_url(scenario: Path, seed: int, pace: str, board: Path | None = None) -> str:
    """The port name under which pyserial opens a twin of that scenario, or that board's program."""
    url = f"twin://{quote(str(scenario.resolve()))}?seed={seed}&pace={pace}"
    return f"{url}&board={quote(str(board.resolve()))}" if board else url


def serve(
    link: Path,
    scenario: Path,
    seed: int,
    pace: float,
    stop: threading.Event,
    board: Path | None = None,
) -> None:
    """Serve a twin, or that board's program, on a pseudo terminal named `link` until `stop` is set.

    Raises TwinError.
    """
    twin = _twin()
    absent = (twin.TwinUnavailable, twin.BoardUnavailable)
    try:
        twin.serve_pty(link, twin.Scenario.load(scenario), seed, pace, stop, board)
    except (twin.ScenarioError, twin.BoardError, twin.PtyError, OSError, *absent) as error:
        raise TwinError(str(error)) from error
