"""Serve the twin, paced, to any Modbus client through a pseudo-terminal (Linux, macOS).

A pseudo-terminal has no parity and no speed. Clients that insist on parity, as pyserial does each
time a time-out is set, must be told to use none; the twin does not mind.
"""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from plylane_twin.beside import Beside
from plylane_twin.clock import Clock, Timed, clock_of
from plylane_twin.make import make
from plylane_twin.motion import Cell
from plylane_twin.path_file import RobotPath
from plylane_twin.scenario import Scenario
from plylane_twin.stand import Stand
from plylane_twin.twin import Twin

LOOK_S = 0.001  # wall time between two looks; a character takes 0.095 ms, an adapter 1 ms
CHUNK = 512


class PtyError(RuntimeError):
    """No pseudo-terminal can be had, or the link cannot be made; the message says what to do."""


class PseudoTerminal:
    """A raw pseudo-terminal: our end, and the client's, which we hold open between two clients.

    Raises PtyError on Windows.
    """

    def __init__(self) -> None:
        if sys.platform == "win32":
            raise PtyError(
                "Windows has no pseudo-terminals: connect with --port twin://demo instead, or "
                "serve the twin from Linux or macOS"
            )
        import termios
        import tty

        self.ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self.ours, False)
        self.name = os.ttyname(self._theirs)
        self._as_new = termios.tcgetattr(self._theirs)

    def make_as_new(self) -> None:
        """Undo what clients have set.

        A pseudo-terminal has no parity. A client may ask for it, but glibc's tcsetattr refuses
        when nothing else changes by the same call, as for the second client with equal settings.
        """
        import termios

        if termios.tcgetattr(self._theirs)[2] != self._as_new[2]:
            termios.tcsetattr(self._theirs, termios.TCSANOW, self._as_new)

    def close(self) -> None:
        """Give both ends back."""
        os.close(self.ours)
        os.close(self._theirs)


@contextmanager
def symlink(link: Path, target: str) -> Iterator[None]:
    """`link` points to `target` meanwhile. Raises PtyError when it cannot, or would lose a file."""
    if link.exists() and not link.is_symlink():
        raise PtyError(f"{link}: there is a file of that name; choose another name for the link")
    try:
        link.unlink(missing_ok=True)
        link.symlink_to(target)
    except OSError as error:
        raise PtyError(
            f"{link}: the link cannot be made ({error.strerror}); choose a folder you can write to"
        ) from error
    try:
        yield
    finally:
        if link.is_symlink() and str(link.readlink()) == target:
            link.unlink()


def serve_pty(
    link: str | Path,
    scenario: Scenario,
    seed: int = 7,
    pace: str | float = 1.0,
    stop_event: threading.Event | None = None,
    board: str | Path | None = None,
    robot: tuple[RobotPath, Cell] | None = None,
) -> None:
    """Serve a twin at `link` until `stop_event` is set (or for ever).

    `pace` is "wall" or a number of times real time. With `board`, the ELF file of the board's
    program, that program runs in a simulator in the twin's place. With `robot` a path is played
    beside a twin. Raises PtyError, ValueError for a bad pace, PathError, TwinUnavailable,
    BoardUnavailable and BoardError.
    """
    if pace == "virtual":
        raise ValueError("a pty needs a paced clock: give wall or a number as pace, not virtual")
    stop = stop_event or threading.Event()
    twin = make(scenario, seed, board)
    with closing(PseudoTerminal()) as terminal, symlink(Path(link), terminal.name):
        clock = clock_of(_beside(twin, robot), pace)
        while not stop.is_set():
            terminal.make_as_new()
            _turn(terminal.ours, twin, clock)


def _beside(twin: Stand, robot: tuple[RobotPath, Cell] | None) -> Timed:
    if robot is None:
        return twin
    if not isinstance(twin, Twin):
        raise PtyError("A path is played beside the twin only: serve it without a board")
    return Beside(twin, *robot)


def _turn(ours: int, twin: Stand, clock: Clock) -> None:
    """One look: take what the client wrote, let time pass, hand over what the head answered."""
    # a client that writes faster than the line carries has to wait, as at a real port
    room = [ours] if twin.line.out_waiting < CHUNK else []
    ready, _, _ = select.select(room, [], [], LOOK_S)
    clock.follow()
    if ready:
        twin.line.write(os.read(ours, CHUNK))
    if waiting := twin.line.in_waiting:
        _hand_over(ours, twin.line.read(waiting))


def _hand_over(ours: int, data: bytes) -> None:
    with suppress(BlockingIOError):  # nobody reads: a serial port loses such characters too
        os.write(ours, data)
