"""What a recorded run says at a time, in words. Needs no screen."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import State
from plylane.screens.decide import Kind, Said, state_word, zone_name
from plylane.screens.source import Recording
from plylane.screens.timeline import row_at
from plylane.trends import ZONE_COLUMNS
from plylane.words import clock

Line = list[Said | str]


def readings(recording: Recording, at_s: float) -> list[Line]:
    """Four lines: time and length, zones, feed, lanes."""
    if not len(recording.time_s):
        return [["The log has no rows."]]
    row = row_at(recording.time_s, at_s)
    return [
        _time_line(recording, row, at_s),
        _zone_line(recording, row),
        _feed_line(recording, row),
        _lane_line(recording, row),
    ]


def value(recording: Recording, name: str, row: int) -> float:
    """A value of the log; not a number where the log has no such column."""
    try:
        return float(recording.column(name)[row])
    except KeyError:
        return float("nan")


def states_in(recording: Recording) -> NDArray[Any]:
    """The column of states; Stopped throughout where the log has none."""
    try:
        return np.asarray(recording.column("state"))
    except KeyError:
        return np.full(len(recording.time_s), int(State.STOPPED))


def zones_in(recording: Recording) -> int:
    """How many zones the log has."""
    return _count(recording, "zone{}_pv_degC")


def lanes_in(recording: Recording) -> int:
    """How many lanes the log has."""
    return _count(recording, "lane{}_position_mm")


def _count(recording: Recording, pattern: str) -> int:
    for k in range(1, 9):
        try:
            recording.column(pattern.format(k))
        except KeyError:
            return k - 1
    return 8


def _quiet(text: str) -> Said:
    return Said(text, Kind.QUIET)


def _time_line(recording: Recording, row: int, at_s: float) -> Line:
    word = _state_word(int(states_in(recording)[row]))
    laid = value(recording, "output_position_mm", row)
    to_go = value(recording, "length_to_go_mm", row)
    return [
        *(_quiet("cursor   "), f"{clock(at_s)} ({at_s:.2f} s)  {word}"),
        *(_quiet("   laid "), f"{laid:.1f}"),
        *(_quiet(" mm, to go "), f"{to_go:.1f}", _quiet(" mm")),
    ]


def _state_word(number: int) -> str:
    return state_word(State(number)) if number in State.__members__.values() else "?"


def _zone_line(recording: Recording, row: int) -> Line:
    parts: Line = [_quiet("PV SP OP ")]
    for k in range(zones_in(recording)):
        pv, sp, op = (value(recording, f"zone{k + 1}_{what}", row) for what in ZONE_COLUMNS)
        parts += [_quiet(f"{zone_name(k)} "), f"{pv:.1f} {sp:.1f} {op:.0f}", _quiet(" %   ")]
    return parts


def _feed_line(recording: Recording, row: int) -> Line:
    feed = value(recording, "feed_speed_mm_s", row)
    output = value(recording, "output_speed_mm_s", row)
    mismatch = value(recording, "mismatch_mm", row)
    return [
        *(_quiet("feed     "), f"{feed:.2f}", _quiet("  output "), f"{output:.2f}"),
        *(_quiet("  apart "), f"{feed - output:+.2f}", _quiet(" mm/s   mismatch ")),
        *(f"{mismatch:+.2f}", _quiet(" mm")),
    ]


def _lane_line(recording: Recording, row: int) -> Line:
    lanes = range(1, lanes_in(recording) + 1)
    positions = [value(recording, f"lane{k}_position_mm", row) for k in lanes]
    middle = median(positions) if positions else 0.0
    parts: Line = [_quiet("lanes    ")]
    for k, position in zip(lanes, positions, strict=True):
        parts += [_quiet(f"{k} "), f"{position - middle:+.1f}  "]
    return parts


def count_text(findings: int) -> str:
    """How many findings."""
    return f"{findings} finding{'' if findings == 1 else 's'}"


def remarks_text(remarks: Sequence[str]) -> str:
    """What is not as it should be with the log, in one line; one or more remarks."""
    more = f"  (and {len(remarks) - 1} more)" if len(remarks) > 1 else ""
    return f"◆ {remarks[0]}{more}"


def run_detail(recording: Recording) -> str:
    """What stands behind the name: length of the log, and what run.toml says of the run."""
    info, time_s = recording.info, recording.time_s
    length = float(time_s[-1] - time_s[0]) if len(time_s) else 0.0
    end = info.get("end") or {}
    told = [info.get("name"), end.get("state"), info.get("started")]
    return ", ".join([clock(length), *(str(one) for one in told if one)])
