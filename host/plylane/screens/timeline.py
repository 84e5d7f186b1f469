"""Time on the screens: windows on a run, bands of states and marks in cells.

Plain functions and values; none needs a screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from plylane.curves import Band
from plylane.head.registers import State
from plylane.jam.finding import Finding
from plylane.screens.decide import state_word
from plylane.words import clock

SHORTEST_S = 1.0  # the closest a timeline zooms in


@dataclass(frozen=True, slots=True)
class View:
    """What part of a run is shown: `start_s` to `end_s` of `first_s` to `last_s`."""

    first_s: float
    last_s: float
    start_s: float
    end_s: float

    @classmethod
    def whole(cls, first_s: float, last_s: float) -> View:
        """All of a run; a second where there is nothing."""
        last_s = max(last_s, first_s + SHORTEST_S)
        return cls(first_s, last_s, first_s, last_s)

    @property
    def span_s(self) -> float:
        """How much time is shown."""
        return self.end_s - self.start_s

    def zoomed(self, factor: float, about_s: float) -> View:
        """Shows `factor` times the time, what is at `about_s` staying where it is."""
        span = min(self.last_s - self.first_s, max(SHORTEST_S, self.span_s * factor))
        share = (about_s - self.start_s) / self.span_s
        return self._from(about_s - share * span, span)

    def holding(self, time_s: float) -> View:
        """Moved as little as needed for `time_s` to be in it."""
        if time_s < self.start_s:
            return self._from(time_s, self.span_s)
        if time_s > self.end_s:
            return self._from(time_s - self.span_s, self.span_s)
        return self

    def around(self, time_s: float) -> View:
        """Moved to have `time_s` in its middle, as far as the run allows."""
        return self._from(time_s - self.span_s / 2, self.span_s)

    def opened(self) -> View:
        """The whole run again."""
        return replace(self, start_s=self.first_s, end_s=self.last_s)

    def _from(self, start_s: float, span_s: float) -> View:
        start = min(max(start_s, self.first_s), self.last_s - span_s)
        return replace(self, start_s=start, end_s=start + span_s)

    def cell(self, time_s: float, width: int) -> int | None:
        """Which of `width` cells a time falls into; None outside the view."""
        if width < 1 or not self.start_s <= time_s <= self.end_s:
            return None
        return min(width - 1, int((time_s - self.start_s) / self.span_s * width))

    def clamped(self, time_s: float) -> float:
        """The time, or the end of the run that is nearest to it."""
        return min(max(time_s, self.first_s), self.last_s)


def band_cells(bands: Sequence[Band], view: View, width: int) -> list[tuple[str, State]]:
    """The view's bands as pieces of text that fill `width`, each with its state's name if it fits.

    Held and Aborted are never squeezed out by their longer neighbours.
    """
    states: list[State | None] = [None] * width
    for band in sorted(bands, key=lambda b: b.state in (State.HELD, State.ABORTED)):
        first, last = _cells(band, view, width)
        for k in range(first, last + 1):
            states[k] = band.state
    pieces: list[tuple[str, State]] = []
    start = 0
    for k in range(1, width + 1):
        if k == width or states[k] is not states[start]:
            state = states[start]
            if state is not None:
                pieces.append((_fitted(state_word(state), k - start), state))
            else:
                pieces.append((" " * (k - start), State.STOPPED))
            start = k
    return pieces


def _cells(band: Band, view: View, width: int) -> tuple[int, int]:
    if band.end_s < view.start_s or band.start_s > view.end_s:
        return 0, -1
    first = view.cell(max(band.start_s, view.start_s), width)
    last = view.cell(min(band.end_s, view.end_s), width)
    assert first is not None and last is not None  # both were brought into the view
    return first, last


def _fitted(word: str, width: int) -> str:
    """The word in the middle of `width` cells, or its first letters."""
    return word.center(width) if len(word) <= width else word[: min(3, width)].ljust(width)


def finding_marks(
    findings: Sequence[Finding], view: View, width: int, gone: Sequence[Finding] = ()
) -> str:
    """A line of `width` with the findings' numbers, e.g. "◆1"; two in one place become "◆+".

    Those that are `gone` with other settings become "◇" where there is room.
    """
    cells = [" "] * (width + 1)
    for finding in gone:
        if (at := view.cell(finding.time_s, width)) is not None:
            cells[at] = "◇"
    for number, finding in enumerate(findings, start=1):
        at = view.cell(finding.time_s, width)
        if at is None:
            continue
        taken = cells[at] == "◆"
        cells[at] = "◆"
        if at + 1 < width:
            cells[at + 1] = "+" if taken or number > 9 else str(number)
    return "".join(cells[:width])


def next_finding(findings: Sequence[Finding], time_s: float, step: int) -> int | None:
    """Index of the finding after (`step` 1) or before (-1) a time; None when there is none."""
    after = [k for k, f in enumerate(findings) if f.time_s > time_s + 1e-6]
    before = [k for k, f in enumerate(findings) if f.time_s < time_s - 1e-6]
    if step > 0:
        return after[0] if after else None
    return before[-1] if before else None


def finding_title(number: int, finding: Finding) -> str:
    """A finding in a line, e.g. "◆1  2:08  strip stuck, lane 3, 12.4 mm lost"."""
    where = f", lane {finding.lane}" if finding.lane is not None else ""
    what = finding.kind.replace("_", " ")
    return f"◆{number}  {clock(finding.time_s)}  {what}{where}, {finding.lost_mm:.1f} mm lost"
