"""A head that follows a robot along a path: what is laid against what was wanted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import cycle

import numpy as np
from numpy.typing import NDArray

from plylane.head.client import HeadClient
from plylane.head.registers import ALARMS, Command, FeedSource, State, TrimMode, ZoneMode
from plylane_twin import Scenario
from plylane_twin.direct import DirectPort
from plylane_twin.motion import Cell, HeadDoor, MotionSource
from plylane_twin.path_file import Piece, RobotPath
from plylane_twin.stand import Stand

HEALTHY = "output_burst_slip_percent = 0.0\noutput_dirt_percent_per_m = 0.0\n"
"""The output wheel keeps its run-out; everything else of the plant stays as it is."""
PATTERN = (  # length mm, radius mm (0 straight, negative to the right), pause s
    (400.0, 0.0, 0.0),
    (94.25, 45.0, 0.0),
    (300.0, 0.0, 1.5),
    (188.5, 120.0, 0.0),
    (250.0, -60.0, 3.0),
    (200.0, 0.0, 0.0),
    (94.25, -45.0, 0.0),
    (150.0, 45.0, 0.5),
)


def lamp_path(length_mm: float, speed_mm_s: float = 14.0) -> RobotPath:
    """Straights, bends down to the smallest radius (slower) and stops, over and over."""
    pieces, at_mm = [], 0.0
    for length, radius, pause_s in cycle(PATTERN):
        to_mm = min(length_mm, at_mm + length)
        bend = 1.0 / radius if radius else 0.0
        pieces.append(Piece(at_mm, to_mm, speed_mm_s * (0.8 if radius else 1.0), bend, pause_s))
        at_mm = to_mm
        if at_mm >= length_mm:
            return RobotPath(tuple(pieces))
    raise AssertionError


def scenario(plant: str = HEALTHY, *faults: str) -> Scenario:
    lines = "".join(f"[[fault]]\n{fault}\n" for fault in faults)
    return Scenario.parse(
        'format = "plylane scenario 1"\nname = "follow"\n[line]\nbit_error_rate = 0.0\n'
        f"[plant]\n{plant}\n{lines}"
    )


def growing_slip(percent: float, over_mm: float) -> str:
    return f'kind = "film"\nslip_percent = {percent}\nover_mm = {over_mm}\nat_s = 0.5'


@dataclass(frozen=True)
class Laid:
    """A row a look, mm: where the robot was, cord laid in the plant."""

    path_mm: NDArray[np.float64]
    cord_mm: NDArray[np.float64]

    def error_mm(self, after_mm: float = 200.0) -> NDArray[np.float64]:
        """Cord less path, once so much has been laid."""
        return (self.cord_mm - self.path_mm)[self.path_mm > after_mm]


class Follower:
    """A stand brought to Execute with source path_position; the blocks stay cold."""

    def __init__(
        self,
        stand: Stand,
        trim: TrimMode = TrimMode.AUTOMATIC,
        settings: Mapping[str, float] | None = None,
        source: FeedSource = FeedSource.PATH_POSITION,
        **feed: float,
    ) -> None:
        self.stand = stand
        stand.advance(300)
        self.client = HeadClient.open("stand", opener=lambda _: DirectPort(stand))
        given = {"guards.settle_time_s": 0.0, "machine.acceleration_mm_s2": 60.0}
        for name, value in (given | dict(settings or {})).items():
            self.client.write(name, value)
        self.client.command(Command.RESET)
        stand.advance(300)
        for zone in range(2):
            self.client.write("zone_settings.band_degC", 10.0, zone)
            self.client.write("zone.setpoint_degC", 24.0, zone)
            self.client.write("zone.mode", ZoneMode.AUTOMATIC, zone)
        self.client.write("feed.source", source)
        self.client.write("feed.trim_mode", trim)
        for name, value in feed.items():
            self.client.write(f"feed.{name}", value)
        self.client.command(Command.START)
        self.until(lambda: self.state == State.EXECUTE, 5_000)
        self.from_mm = stand.plant.cord_mm

    @property
    def state(self) -> State:
        return self.client.snapshot().telemetry.state

    @property
    def alarms(self) -> set[str]:
        active = self.client.snapshot().telemetry.alarms_active
        return {alarm.name for alarm in ALARMS if active >> alarm.number & 1}

    @property
    def cord_mm(self) -> float:
        return float(self.stand.plant.cord_mm - self.from_mm)

    def until(self, done: Callable[[], bool], most_ms: int) -> None:
        end = self.stand.time_ms + most_ms
        while not done():
            assert self.stand.time_ms < end, (self.state, self.alarms)
            self.stand.advance(20)

    def robot(self, path: RobotPath, **cell: float) -> MotionSource:
        return MotionSource(self.stand, path, HeadDoor(self.client), Cell(**cell))  # type: ignore[arg-type]

    def follow(
        self, robot: MotionSource, to_mm: float = 1e9, look_ms: int = 20, tail_ms: int = 2000
    ) -> Laid:
        """Play until the robot is that far, or at its end and the head has come to rest."""
        path, cord = [], []
        if not robot.travelling:
            robot.go()
        end_ms = self.stand.time_ms + 4_000_000
        while tail_ms > 0 and robot.position_mm < to_mm:
            assert self.stand.time_ms < end_ms
            robot.advance(look_ms)
            path.append(robot.position_mm)
            cord.append(self.cord_mm)
            if robot.done:
                tail_ms -= look_ms
        return Laid(np.array(path), np.array(cord))
