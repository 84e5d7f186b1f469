"""Made-up runs with every nuisance of the design's plant table, in plain kinematics.

Written for these tests alone and independent of the twin's plant, which has forces. Nothing here is
kinder than the table; where the table leaves a figure open a harsh one is taken and said so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Columns = dict[str, NDArray]

EXECUTE, HELD = 6, 11
ROWS_PER_S = 50
OFFSETS_MM = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])  # five strips of 0.5 mm on top of each other


@dataclass(frozen=True)
class Jam:
    """From `at_mm` of feed, over `over_mm` of feed, lanes come to stand (lane None: all).

    A strip that sticks holds up the cord it is glued to, and the other strips with it, by about a
    half: rollers slip. One that ran out (`held_up` False) does not.
    """

    lane: int | None
    at_mm: float
    over_mm: float = 0.0
    held_up: bool = True


def noise(rng: np.random.Generator, fed: Floats, length_mm: float, rms: float) -> Floats:
    """Correlated Gaussian noise along the feed (Ornstein-Uhlenbeck on a 1 mm grid)."""
    grid = np.arange(0.0, fed[-1] + 2.0)
    rho = np.exp(-1.0 / length_mm)
    white = rng.normal(0.0, rms * np.sqrt(1.0 - rho**2), len(grid))
    white[0] = rng.normal(0.0, rms)
    values = np.empty(len(grid))
    last = 0.0
    for number, shock in enumerate(white):
        last = rho * last + shock
        values[number] = last
    return np.interp(fed, grid, values)


def curvature(rng: np.random.Generator, fed: Floats) -> Floats:
    """Straights and arcs of either sense, down to 45 mm radius, up to half a turn."""
    at, edges, values = 0.0, [0.0], [0.0]
    while at < fed[-1]:
        radius = rng.uniform(45.0, 120.0)
        for length, value in (
            (rng.uniform(20.0, 150.0), 0.0),
            (radius * rng.uniform(0.3, np.pi), rng.choice([-1.0, 1.0]) / radius),
        ):
            at += length
            edges.append(at)
            values.append(value)
    return np.array(values)[np.clip(np.searchsorted(edges, fed), 0, len(values) - 1)]


def pulses(rng: np.random.Generator, travel: Floats) -> Floats:
    """A lane wheel: 0.5 mm a pulse, 40 a turn, spacing scatter 10 %; head counts 0.5 mm each."""
    spacing = np.clip(rng.normal(0.5, 0.05, 40), 0.2, None)
    edges = np.cumsum(spacing * 20.0 / spacing.sum())
    turns, rest = np.divmod(travel + rng.uniform(0.0, 20.0), 20.0)
    count = turns * 40 + np.searchsorted(edges, rest, side="right")
    return (count - count[0]) * 0.5


def output_wheel(rng: np.random.Generator, travel: Floats) -> tuple[Floats, Floats]:
    """0.05 mm a count, run-out 1 % once in 62.8 mm, dirt, and bursts of slip.

    Open in the table, harsh choice: a burst every 1.5 m on average, 4 mm long on average, 30 % of
    the travel lost in it. Returns what the head sees, and the length the wheel lost by slipping.
    """
    phase = rng.uniform(0.0, 2.0 * np.pi)
    rate = 1.0 + 0.01 * np.sin(2.0 * np.pi * travel / 62.8 + phase)
    rate -= 0.005 * travel / 10000.0  # dirt
    slips = np.zeros(len(travel))
    at = 0.0
    while (at := at + rng.exponential(1500.0)) < travel[-1]:
        slips[(travel >= at) & (travel < at + rng.exponential(4.0))] = 0.3
    moved = np.diff(travel, prepend=travel[:1])
    return np.floor(np.cumsum(moved * (rate - slips)) / 0.05) * 0.05, np.cumsum(moved * slips)


def stretch_feed(length_mm: float, speed_mm_s: float) -> Floats:
    """Feed of one stretch, row by row: 40 mm/s2 up, then steady (the head's micrometres)."""
    ramp_s = speed_mm_s / 40.0
    time = np.arange(0.0, length_mm / speed_mm_s + ramp_s, 1.0 / ROWS_PER_S)
    fed = np.where(time < ramp_s, 20.0 * time**2, speed_mm_s * (time - ramp_s / 2.0))
    return np.round(fed, 3)


def _slack(rng: np.random.Generator, fed: Floats, starts: Floats) -> Floats:
    """Length not passed on because slack is taken up anew after each start (0.3 to 0.8 mm)."""
    taken = np.zeros(len(fed))
    for start in starts:
        taken += rng.uniform(0.3, 0.8) * np.clip((fed - start) / rng.uniform(1.0, 6.0), 0.0, 1.0)
    return taken


def _gaps(rng: np.random.Generator, fed: Floats, first_mm: float) -> Floats:
    """Share of the feed that a lane wheel does not see: 0 to 2 mm at a joint, every 2.4 m."""
    gone = np.zeros(len(fed))
    for at in np.arange(first_mm, fed[-1], 2400.0):
        gone[(fed >= at) & (fed < at + rng.uniform(0.0, 2.0))] = 1.0
    return gone


def _stopping(fed: Floats, jam: Jam) -> Floats:
    grown = (fed - jam.at_mm) / jam.over_mm if jam.over_mm else fed >= jam.at_mm
    return np.clip(grown, 0.0, 1.0).astype(np.float64)


def run(
    seed: int,
    length_mm: float = 3000.0,
    *,
    speed_mm_s: float = 14.0,
    hold_every_mm: float = 900.0,
    jam: Jam | None = None,
    lanes: int = 5,
) -> Columns:
    """Columns of a run. A jammed head goes on feeding here: no guard stops it.

    One column is not the head's: `wheel_slipped_mm`, what the output wheel has lost by slipping.
    """
    rng = np.random.default_rng(seed)
    starts = np.arange(0.0, length_mm, hold_every_mm)
    parts, states = [], []
    for start in starts:
        fed = start + stretch_feed(min(hold_every_mm, length_mm - start), speed_mm_s)
        parts += [fed, np.full(2 * ROWS_PER_S, fed[-1])]
        states += [np.full(len(fed), EXECUTE), np.full(2 * ROWS_PER_S, HELD)]
    fed = np.maximum.accumulate(np.concatenate(parts))
    d_fed = np.diff(fed, prepend=fed[:1])
    bend = curvature(rng, fed)
    # slip 1.5 %, +-0.5 % over metres, film raises it slowly
    slip = 0.015 + np.clip(noise(rng, fed, 1500.0, 0.003), -0.005, 0.005) + 0.003 * fed / 10000.0
    columns: Columns = {
        "time_s": np.arange(len(fed)) / ROWS_PER_S,
        "state": np.concatenate(states).astype(np.uint16),
        "feed_position_mm": fed,
    }
    standing = np.zeros((lanes, len(fed)))
    if jam:
        for lane in range(1, lanes + 1) if jam.lane is None else (jam.lane,):
            standing[lane - 1] = _stopping(fed, jam)
    held = 0.5 * standing.max(axis=0) if jam and jam.held_up else np.zeros(len(fed))
    stopped = np.maximum(held, standing.min(axis=0))  # the cord stands when all lanes do
    for lane in range(lanes):
        # drag: own mean +-15 %, 20 % along the strip; slip follows it
        drag = rng.uniform(-0.15, 0.15) + noise(rng, fed, 150.0, 0.2)
        rate = 1.0 - slip * (1.0 + drag) - bend * OFFSETS_MM[lane % 5]
        rate = rate * (1.0 - np.maximum(standing[lane], held)) - _gaps(
            rng, fed, rng.uniform(200.0, 2400.0)
        )
        travel = np.cumsum(np.clip(rate, 0.0, None) * d_fed) - _slack(rng, fed, starts)
        columns[f"lane{lane + 1}_position_mm"] = pulses(rng, np.maximum.accumulate(travel))
    travel = np.cumsum((1.0 - slip) * (1.0 - stopped) * d_fed) - _slack(rng, fed, starts)
    seen, slipped = output_wheel(rng, np.maximum.accumulate(travel))
    columns["output_position_mm"], columns["wheel_slipped_mm"] = seen, slipped
    return columns


def rows(columns: Mapping[str, NDArray]) -> list[tuple]:
    """Arguments of `FeedWatch.push`, row by row."""
    lanes = [c for name, c in columns.items() if name.startswith("lane")]
    picked = (columns["time_s"], columns["state"], columns["feed_position_mm"])
    plain = [c.tolist() for c in (*picked, columns["output_position_mm"])]
    lane_rows = zip(*(lane.tolist() for lane in lanes), strict=True)
    return list(zip(*plain, lane_rows, strict=True))
