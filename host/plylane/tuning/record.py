"""Records of experiments, and what is refused before anything is fitted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

SAMPLES_MIN = 20
PV_LOWEST_DEGC, PV_HIGHEST_DEGC = -60.0, 500.0
SPIKE_K = 15.0
OP_MOVE_MIN_PERCENT = 1.0
PV_STEPS_MIN = 8.0
"""How many of its own resolution steps the PV has to move, so that a shape can be seen at all."""


class RecordError(ValueError):
    """A record that cannot be used. One line: what is wrong, and how to record a better one."""

    def __init__(self, wrong: str, remedy: str) -> None:
        self.wrong, self.remedy = wrong, remedy
        super().__init__(" ".join(f"{wrong}; {remedy}".split()))


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """One experiment; arrays of the same length, times rising but not necessarily even.

    `time_s`; `op_percent` (0..100): the output commanded from that row until the next; `pv_degC`;
    `feed_mm_s` where strips moved, else None; `others_degC` PVs of the neighbouring zones,
    where they were recorded. Make one with `Record.of`, which checks.
    """

    time_s: Floats
    op_percent: Floats
    pv_degC: Floats
    feed_mm_s: Floats | None = None
    others_degC: tuple[Floats, ...] = ()

    @classmethod
    def of(
        cls,
        time_s: ArrayLike,
        op_percent: ArrayLike,
        pv_degC: ArrayLike,
        feed_mm_s: ArrayLike | None = None,
        others_degC: Sequence[ArrayLike] = (),
    ) -> Record:
        """A sound record of sequences of one length.

        Raises RecordError: lengths differ, too few samples, a value missing or impossible (sensor
        dropout), time standing or running backwards.
        """
        feed = None if feed_mm_s is None else _column(feed_mm_s, "feed_mm_s")
        record = cls(
            _column(time_s, "time_s"),
            _column(op_percent, "op_percent"),
            _column(pv_degC, "pv_degC"),
            feed,
            tuple(_column(other, "PV of another zone") for other in others_degC),
        )
        _check_lengths(record)
        _check_time(record.time_s)
        _check_op(record)
        _check_pv(record)
        _check_feed(record)
        return record

    @property
    def span_s(self) -> float:
        """Length of the record in seconds."""
        return float(self.time_s[-1] - self.time_s[0])

    def part(self, from_s: float, to_s: float) -> Record:
        """The rows with from_s <= time_s <= to_s. Raises RecordError where too few are left."""
        rows = (self.time_s >= from_s) & (self.time_s <= to_s)
        feed = None if self.feed_mm_s is None else self.feed_mm_s[rows]
        others = [other[rows] for other in self.others_degC]
        return Record.of(self.time_s[rows], self.op_percent[rows], self.pv_degC[rows], feed, others)


def _column(values: ArrayLike, name: str) -> Floats:
    try:
        column = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise RecordError(
            f"{name} holds something that is no number", "give numbers only"
        ) from error
    if column.ndim != 1:
        raise RecordError(f"{name} is not a single column", "give one number a sample")
    return column


def _check_lengths(record: Record) -> None:
    columns = [record.time_s, record.op_percent, record.pv_degC, *record.others_degC]
    columns += [] if record.feed_mm_s is None else [record.feed_mm_s]
    lengths = [len(column) for column in columns]
    if len(set(lengths)) > 1:
        raise RecordError(
            f"the columns differ in length ({', '.join(map(str, lengths))})",
            "give one row a sample with every column filled",
        )
    if lengths[0] < SAMPLES_MIN:
        raise RecordError(
            f"the record is too short: {lengths[0]} samples",
            f"record at least {SAMPLES_MIN} samples, over three time constants of the block",
        )


def _check_time(time_s: Floats) -> None:
    if not np.isfinite(time_s).all():
        row = int(np.argmin(np.isfinite(time_s)))
        raise RecordError(
            f"time_s is no number in sample {row + 1}", "record the time of every sample"
        )
    rises = np.diff(time_s)
    if (rises > 0.0).all():
        return
    row = int(np.argmax(rises <= 0.0))
    how = "stands still" if rises[row] == 0.0 else "runs backwards"
    raise RecordError(
        f"time {how} in sample {row + 2}: {time_s[row]:g} s, then {time_s[row + 1]:g} s",
        "record with one clock that only goes forward, each sample once",
    )


def _check_op(record: Record) -> None:
    bad = ~((record.op_percent >= 0.0) & (record.op_percent <= 100.0))
    if bad.any():
        row = int(np.argmax(bad))
        raise RecordError(
            f"op_percent is {record.op_percent[row]:g} at {record.time_s[row]:g} s",
            "record the output in percent, 0 to 100, in every sample",
        )


def _check_pv(record: Record) -> None:
    pv = record.pv_degC
    bad = ~((pv >= PV_LOWEST_DEGC) & (pv <= PV_HIGHEST_DEGC))
    middle = np.median(np.stack([pv[:-2], pv[1:-1], pv[2:]]), axis=0)
    bad[1:-1] |= np.abs(pv[1:-1] - middle) > SPIKE_K
    if bad.any():
        row = int(np.argmax(bad))
        raise RecordError(
            f"the sensor dropped out at {record.time_s[row]:g} s (pv_degC {pv[row]:g})",
            "check the sensor and its cable, then record again",
        )


def _check_feed(record: Record) -> None:
    if record.feed_mm_s is not None and not np.isfinite(record.feed_mm_s).all():
        row = int(np.argmin(np.isfinite(record.feed_mm_s)))
        raise RecordError(
            f"feed_mm_s is no number at {record.time_s[row]:g} s", "record the feed in every sample"
        )


# -------------------------------------------------------------------------- fit for identification


def pv_resolution(pv_degC: Floats) -> float:
    """Smallest step the PV takes (degC): the converter's, or tiny where the values are smooth.

    The lower decile of the distances between neighbouring levels, as a thermistor's are not even.
    """
    levels = np.unique(pv_degC)
    return float(np.quantile(np.diff(levels), 0.1)) if len(levels) > 1 else 0.0


def require_excitation(record: Record) -> None:
    """Raise RecordError unless output and PV both move enough for a model to be seen in them."""
    _check_op_moves(record.op_percent)
    _check_pv_moves(record.pv_degC)
    _check_not_clipped(record)


def _check_op_moves(op_percent: Floats) -> None:
    low, high = float(op_percent.min()), float(op_percent.max())
    if high - low >= OP_MOVE_MIN_PERCENT:
        return
    if low >= 99.0 or high <= 1.0:
        raise RecordError(
            f"the output is saturated: it stays at {high:.0f} % from end to end",
            "start recording before the output changes and let it change within its limits",
        )
    raise RecordError(
        f"no excitation: the output stays within {low:.1f} and {high:.1f} %",
        "record the PV at rest first, then change the output by 10 % or more",
    )


def _check_pv_moves(pv_degC: Floats) -> None:
    low, high = float(pv_degC.min()), float(pv_degC.max())
    if high == low:
        raise RecordError(
            f"the PV is constant at {low:g} degC while the output moves",
            "check that the sensor sits in its block and the heater works, then record again",
        )
    least_degC = max(PV_STEPS_MIN * pv_resolution(pv_degC), 0.5)
    if high - low < least_degC:
        raise RecordError(
            f"the PV moves by {high - low:.2f} degC only, {least_degC:.2f} degC are needed",
            "change the output further or for longer",
        )


def _flat_run(pv_degC: Floats, value: float) -> tuple[int, int]:
    """First and one past the last row of the longest stretch at exactly that value."""
    at = np.concatenate(([0], (pv_degC == value).astype(np.int8), [0]))
    edges = np.flatnonzero(np.diff(at))
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest])


def _slope_into(
    record: Record, start: int, value: float, levels_degC: float
) -> tuple[float, float]:
    """How fast (degC/s) the PV covered its way to `value` in row `start`, and the fastest it ever
    covered so much time: both over the time of its last `levels_degC`, five samples or more.
    """
    pv, time_s = record.pv_degC, record.time_s
    far = np.flatnonzero(np.abs(pv[:start] - value) >= levels_degC)
    rows = max(5, start - int(far[-1])) if len(far) else start
    moves = np.abs(pv[rows:] - pv[:-rows]) / (time_s[rows:] - time_s[:-rows])
    return float(moves[start - rows]), float(moves.max())


def _check_not_clipped(record: Record) -> None:
    """A PV that runs into its highest or lowest value at speed and stays there has been cut off.

    A block that settles has slowed down by then to a small share of its fastest. One that turns, in
    a parabola, rests within one resolution step for as long as its way in would have taken over
    about seven; fifteen are asked for.
    """
    pv, time_s, step_degC = record.pv_degC, record.time_s, pv_resolution(record.pv_degC)
    share_most = max(0.2, 6.0 * step_degC / float(np.ptp(pv)))
    for value in (float(pv.max()), float(pv.min())):
        start, end = _flat_run(pv, value)
        if end - start < max(10, len(pv) // 20) or start < 5:
            continue
        slope, fastest = _slope_into(record, start, value, 5.0 * step_degC)
        stays = slope * (time_s[end - 1] - time_s[start]) > 15.0 * step_degC
        if stays and slope > share_most * fastest:
            raise RecordError(
                f"the PV is saturated: it runs into {value:g} degC at {time_s[start]:g} s",
                "stay within the sensor's range, with a smaller output",
            )
