"""The one door to the twin: nothing else in the host knows `plylane_twin`, and this only on demand.

Opening a ``twin://`` port is in `plylane.head.port`; here is what the commands need besides.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import quote

from plylane.head.port import Port


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


class QuickPort(Port, Protocol):
    """A port without a line: requests take no time, and many polls are made at once."""

    def record(self, frame: bytes, into: bytearray, row_bytes: int, period_ms: int) -> int:
        """Poll with `frame`, a read of registers, every `period_ms` of the twin's time.

        Polls fall on multiples of `period_ms` since the twin was made. `into` takes the register
        bytes of the answers, `row_bytes` each. Returns how many it took: all that have room, or
        up to one behind which events wait in the head, or up to one not answered that way.
        """


def quick_port(scenario: str, seed: int) -> QuickPort:
    """A port to a twin of its own. `scenario` is the text of a scenario file. Raises TwinError."""
    twin = _twin()
    try:
        port: QuickPort = twin.DirectPort(twin.Twin(twin.Scenario.parse(scenario), seed))
    except (twin.ScenarioError, twin.TwinUnavailable) as error:
        raise TwinError(str(error)) from error
    return port


def twin_mark() -> str:
    """Changes with the twin: its compiled core, its plant's values. Raises TwinError."""
    twin = _twin()
    try:
        return str(twin.mark())
    except twin.TwinUnavailable as error:
        raise TwinError(str(error)) from error


def robot_beside(path: Path, told: Mapping[str, float]) -> tuple[Any, Any]:
    """The robot of a path file, and of how its references come (`plylane_twin.Cell`), for `serve`.

    Raises TwinError naming file, place and remedy.
    """
    twin = _twin()
    try:
        return twin.RobotPath.load(path), twin.Cell(**told)
    except twin.PathError as error:
        raise TwinError(str(error)) from error


def serve(
    link: Path,
    scenario: Path,
    seed: int,
    pace: float,
    stop: threading.Event,
    board: Path | None = None,
    robot: tuple[Any, Any] | None = None,
) -> None:
    """Serve a twin, or that board's program, on a pseudo terminal named `link` until `stop` is set.

    `robot` (see `robot_beside`) plays its path beside a twin. Raises TwinError.
    """
    twin = _twin()
    absent = (twin.TwinUnavailable, twin.BoardUnavailable)
    bad = (twin.ScenarioError, twin.BoardError, OSError)
    try:
        twin.serve_pty(link, twin.Scenario.load(scenario), seed, pace, stop, board, robot)
    except twin.PathError as error:
        raise TwinError(f"--path: {error}") from error
    except (twin.PtyError, *absent, *bad) as error:
        raise TwinError(str(error)) from error
