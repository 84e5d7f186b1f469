"""What a recorded run says at a time, in words. Needs no screen."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from plylane.head.registers import State
from plylane.overview import Overview
from plylane.screens.decide import Kind, Said, state_word
from plylane.screens.source import Recording
from plylane.trends import ZONE_COLUMNS
from plylane.words import clock, zone_name

Line = list[Said | str]


def readings(overview: Overview, at_s: float) -> list[Line]:
    """Four lines: time and length, zones, feed, lanes."""
    values = _Values(overview.values_at(at_s))
    if not values:
        return [["The log has no rows."]]
    return [
        _time_line(values, at_s),
        _zone_line(values, overview.zones),
        _feed_line(values),
        _lane_line(values, overview.lanes),
    ]


class _Values(dict[str, float]):
    """A row of the log; not a number where the log has no such column."""

    def __missing__(self, name: str) -> float:
        return float("nan")


def _quiet(text: str) -> Said:
    return Said(text, Kind.QUIET)


def _time_line(values: _Values, at_s: float) -> Line:
    return [
        *(_quiet("cursor   "), f"{clock(at_s)} ({at_s:.2f} s)  {_state_word(values['state'])}"),
        *(_quiet("   laid "), f"{values['output_position_mm']:.1f}"),
        *(_quiet(" mm, to go "), f"{values['length_to_go_mm']:.1f}", _quiet(" mm")),
    ]


def _state_word(number: float) -> str:
    return state_word(State(int(number))) if number in State.__members__.values() else "?"


def _zone_line(values: _Values, zones: int) -> Line:
    parts: Line = [_quiet("PV SP OP ")]
    for k in range(zones):
        pv, sp, op = (values[f"zone{k + 1}_{what}"] for what in ZONE_COLUMNS)
        parts += [_quiet(f"{zone_name(k)} "), f"{pv:.1f} {sp:.1f} {op:.0f}", _quiet(" %   ")]
    return parts


def _feed_line(values: _Values) -> Line:
    feed, output = values["feed_speed_mm_s"], values["output_speed_mm_s"]
    return [
        *(_quiet("feed     "), f"{feed:.2f}", _quiet("  output "), f"{output:.2f}"),
        *(_quiet("  apart "), f"{feed - output:+.2f}", _quiet(" mm/s   mismatch ")),
        *(f"{values['mismatch_mm']:+.2f}", _quiet(" mm")),
    ]


def _lane_line(values: _Values, lanes: int) -> Line:
    positions = [values[f"lane{k}_position_mm"] for k in range(1, lanes + 1)]
    middle = median(positions) if positions else 0.0
    parts: Line = [_quiet("lanes    ")]
    for k, position in enumerate(positions, start=1):
        parts += [_quiet(f"{k} "), f"{position - middle:+.1f}  "]
    return [*parts, _quiet("mm from median")]


@dataclass(frozen=True, slots=True)
class Told:
    """Something the head or the host told."""

    time_s: float
    text: str


def told_in(recording: Recording) -> tuple[Told, ...]:
    """Events and the host's journal, oldest first."""
    events = [Told(event.time_s, event.text) for event in recording.events]
    journal = [Told(entry.time_s, entry.sentence) for entry in recording.journal]
    return tuple(sorted([*events, *journal], key=lambda one: one.time_s))


def told_near(told: Sequence[Told], at_s: float, count: int) -> list[Line]:
    """`count` lines around a time; an arrow stands at the newest that is not after it."""
    if not told:
        return [[_quiet("The log has no events.")]]
    newest = bisect_right(told, at_s + 1e-6, key=lambda one: one.time_s) - 1
    first = max(0, min(newest - count // 2, len(told) - count))
    return [
        [
            _quiet("▸" if first + k == newest else " "),
            _quiet(f"{clock(one.time_s):>7}  "),
            one.text if first + k <= newest else _quiet(one.text),
        ]
        for k, one in enumerate(told[first : first + count])
    ]


def remarks_text(remarks: Sequence[str]) -> str:
    """What is not as it should be with the log, in one line; one or more remarks."""
    more = f"  (and {len(remarks) - 1} more)" if len(remarks) > 1 else ""
    return f"◆ {remarks[0]}{more}"


def run_detail(recording: Recording) -> str:
    """What stands behind the name: length of the log, and what run.toml says of the run."""
    info, length = recording.info, recording.overview.last_s - recording.overview.first_s
    end = info.get("end") or {}
    state = "still going on" if recording.going_on else end.get("state")
    told = [info.get("name"), state, info.get("started")]
    return ", ".join([clock(length), *(str(one) for one in told if one)])
