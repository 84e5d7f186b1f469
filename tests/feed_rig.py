"""A bare head whose feed alone is worked, with a record of every tick and every pulse period."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from bare_head import Bare
from plylane_twin._core import ffi, lib

PERIODS = 16
PERIOD_S = 1 / 16000
FAST_UM_S = 100_000
NOTHING = [0, 0, 0]


@dataclass
class Trace:
    """What happened: a row a tick, and for the pulses a row a period (after that period)."""

    speed: NDArray[np.int64]  # nm in this tick
    position_nm: NDArray[np.int64]  # after this tick
    periods: NDArray[np.int64]  # pulse periods that followed the tick
    pulses: NDArray[np.int64]  # (period, drive), net since reset

    def at_periods(self, start_nm: int) -> NDArray[np.float64]:
        """Where an ideal master is after each period: even speed within a tick of sixteen."""
        before = np.concatenate(([start_nm], self.position_nm[:-1]))
        share = np.arange(1, PERIODS + 1) / PERIODS
        return (
            before[:, None] + np.diff(self.position_nm, prepend=start_nm)[:, None] * share
        ).ravel()


class Rig:
    """`pulses_per_m` and `ratio_ppm`: one for each drive. Speeds in um/s, acceleration mm/s2."""

    def __init__(
        self,
        acceleration: int = 2000,
        pulses_per_m: Iterable[float] = (50929.58, 50929.58, 50929.58),
        ratio_ppm: Iterable[int] = NOTHING,
        speed_max_um_s: int = FAST_UM_S,
        drives: int = 3,
        reversed_drives: Iterable[int] = NOTHING,
    ) -> None:
        self.bare = Bare()
        self.head = self.bare.head
        self.port = self.bare.port
        self.feed = self.head.feed
        self.live = self.head.live.feed
        machine = self.head.settings.machine
        machine.acceleration_mm_s2 = acceleration
        machine.speed_max_mm_s = speed_max_um_s // 10
        machine.drives_fitted = drives
        for k, (per_m, ppm, rev) in enumerate(
            zip(pulses_per_m, ratio_ppm, reversed_drives, strict=True)
        ):
            set_ = self.head.settings.drive_settings[k]
            set_.pulses_per_m, set_.ratio_ppm, set_.reversed = round(per_m * 100), ppm, rev
        lib.feed_apply(self.head)
        lib.feed_enable(self.head, True)

    # ------------------------------------------------------------------------------- sources

    def set_speed(self, um_s: int) -> None:
        self.live.source = lib.FEED_SOURCE_SET_SPEED
        self.live.speed_mm_s = um_s // 10

    def length(self, length_um: int, um_s: int) -> None:
        self.live.source = lib.FEED_SOURCE_LENGTH
        self.live.length_mm, self.live.speed_mm_s = length_um, um_s // 10
        lib.feed_zero(self.head)

    def path(self, um_s: int) -> None:
        self.live.source = lib.FEED_SOURCE_PATH
        self.live.path_speed_mm_s = um_s // 10
        lib.feed_path_written(self.head)

    def jog(self, length_um: int, um_s: int, drives: int = 7) -> None:
        self.live.jog_drives, self.live.jog_speed_mm_s = drives, um_s // 10
        self.live.jog_length_mm = length_um
        lib.feed_jog(self.head)

    def start(self) -> None:
        lib.feed_run(self.head)

    def rest(self) -> None:
        lib.feed_rest(self.head)

    # ---------------------------------------------------------------------------------- time

    def position_nm(self) -> int:
        return int(self.feed.position_um) * 1000 + int(self.feed.position_rest_nm)

    def to_go_nm(self) -> int:
        return int(self.feed.to_go_um) * 1000 + int(self.feed.to_go_rest_nm)

    def pulses(self, drive: int = 0) -> int:
        """Net pulses up to now: as of the last tick, and those since."""
        place = self.feed.drive[drive]
        return int(place.pulses) + int(place.fresh)

    def run(
        self,
        ms: int,
        periods: Iterable[int] | None = None,
        until: Callable[[], bool] = lambda: False,
    ) -> Trace:
        """Ticks, each followed by `periods` pulse periods (16 unless told); ends after `until`."""
        head, feed = self.head, ffi.addressof(self.feed)
        tick, pulse = lib.feed_tick, lib.feed_pulse
        speed, position, counted, masks, signs = [], [], [], [], []
        start = [self.pulses(k) for k in range(3)]
        for _, count in zip(range(ms), periods or repeat(PERIODS), strict=False):
            tick(head)
            speed.append(self.feed.speed_um_s)
            position.append(self.position_nm())
            counted.append(count)
            masks += [pulse(feed) for _ in range(count)]
            signs += [self.port.backwards] * count
            if until():
                break
        return Trace(
            np.array(speed, np.int64),
            np.array(position, np.int64),
            np.array(counted, np.int64),
            self._net(masks, signs, start),
        )

    def _net(self, masks: list[int], signs: list[int], start: list[int]) -> NDArray[np.int64]:
        """Pulses as the motors see them: step mask and direction pins, `reversed` taken back."""
        mask, pins = np.array(masks, np.int64), np.array(signs, np.int64)
        net = []
        for k in range(3):
            turned = self.head.settings.drive_settings[k].reversed
            sign = np.where((pins >> k & 1) ^ turned, -1, 1)
            net.append(start[k] + np.cumsum((mask >> k & 1) * sign))
        return np.stack(net, axis=1)

    def until_rest(self, at_most_ms: int = 60_000) -> Trace:
        return self.run(at_most_ms, until=lambda: bool(lib.feed_at_rest(self.head)))

    def pulses_per_m(self, drive: int) -> Fraction:
        """The ratio that the registers ask for, exact."""
        set_ = self.head.settings.drive_settings[drive]
        return Fraction(set_.pulses_per_m, 100) * (1 + Fraction(set_.ratio_ppm, 1_000_000))

    def events(self) -> list[tuple[int, int]]:
        """(code, argument) of all events in the queue, oldest first."""
        queue = self.head.events
        kept = [queue.queue[(queue.first + k) % lib.EVENTS_KEPT] for k in range(queue.count)]
        return [(event.code, event.argument) for event in kept]
