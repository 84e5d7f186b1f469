"""A robot that plays a path beside a served twin, as the one of a cell would.

It goes when the head comes to Execute, slows down with it, stands as long as the head does, goes on
from there and begins anew with the next run. Its references reach the head past the line, as those
of a cell do whose gateway has the port: between two frames of the host, late by what `Cell` says.
"""

from __future__ import annotations

from plylane.head import adu
from plylane.head.registers import PathReferenceRegs
from plylane_twin.motion import STAMP_WRAP, Cell, MotionSource
from plylane_twin.path_file import RobotPath
from plylane_twin.twin import Twin

UNIT = 1
LOOK_MS = 10
LATE_MS = 100  # a reference that found no gap between two frames for so long is not told


class GapDoor:
    """Into the head's registers as soon as no frame is under way; what it answers is not looked at:
    a robot sends its next reference anyway.
    """

    def __init__(self, twin: Twin) -> None:
        self._twin = twin

    def write_reference(self, stamp_ms: int, position_mm: float, speed_mm_s: float) -> None:
        """Lets time pass until there is a gap, 100 ms at most."""
        said = PathReferenceRegs(stamp_ms % STAMP_WRAP, position_mm, speed_mm_s)
        request = adu.write(UNIT, said.BLOCK.address, said.to_words())
        for _ in range(LATE_MS):
            if not self._twin.frame_under_way:
                self._twin.exchange(request.frame)
                return
            self._twin.advance(1)


class Beside:
    """A twin with its robot, for a clock: time passes for both.

    Raises PathError for a path with more bends than the plant holds.
    """

    def __init__(self, twin: Twin, path: RobotPath, cell: Cell) -> None:
        self._twin = twin
        self.robot = MotionSource(twin, path, GapDoor(twin), cell)
        self._state = ""

    @property
    def time_ms(self) -> int:
        """The twin's virtual milliseconds."""
        return self._twin.time_ms

    @property
    def time_s(self) -> float:
        """The twin's virtual seconds."""
        return self._twin.time_s

    def advance(self, ms: int) -> None:
        """Let time pass; it may go a little further where a reference waits for its gap."""
        end_ms = self.time_ms + ms
        while self.time_ms < end_ms:
            self._look()
            self.robot.advance(min(LOOK_MS, end_ms - self.time_ms))

    def _look(self) -> None:
        before, self._state = self._state, self._twin.state
        if self._state == before:
            return
        if self._state == "starting":
            self.robot.begin_anew()
        elif self._state == "execute":
            self.robot.go()
        elif self.robot.travelling:
            self.robot.stop(permit=True, after_mm=self._braking_mm())

    def _braking_mm(self) -> float:
        """How far the head still feeds when it slows down."""
        head = self._twin.head
        speed_mm_s = head.feed.speed_um_s / 1000.0
        return float(speed_mm_s**2 / (2.0 * head.settings.machine.acceleration_mm_s2))
