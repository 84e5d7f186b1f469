"""Replay: a whole run along its time, the findings, and the values at a cursor."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import Screen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from plylane.curves import state_bands
from plylane.screens.decide import Kind, Said
from plylane.screens.help import REPLAY_KEYS, Help
from plylane.screens.pictures import Mark, Picture, Topic, draw, fetch_recording, time_labels
from plylane.screens.readings import (
    count_text,
    readings,
    remarks_text,
    run_detail,
    states_in,
    zones_in,
)
from plylane.screens.source import Recording
from plylane.screens.timeline import (
    View,
    finding_evidence,
    finding_title,
    next_finding,
)
from plylane.screens.widgets.heading import Heading
from plylane.screens.widgets.plot import Plot
from plylane.screens.widgets.text import line, lines
from plylane.screens.widgets.timeline import Strip, Timeline
from plylane.trends import Limits

ZOOM = 0.5
NEAR_S = 60.0  # how much time a jump to a finding shows, at most
PAIRS = (
    (Topic.TEMPERATURE, Topic.MISMATCH),
    (Topic.OUTPUT, Topic.SPEED),
)
KEYS_LINE = "← → cursor   n p finding   + - zoom   0 all   v plots   ? keys   q back"


class Replay(Screen[None]):
    """Draws only when cursor or view change."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "Cursor back", id="replay.left"),
        Binding("right", "move(1)", "Cursor on", id="replay.right"),
        Binding("shift+left", "move(-10)", "Cursor far back", id="replay.far-left"),
        Binding("shift+right", "move(10)", "Cursor far on", id="replay.far-right"),
        Binding("home", "end(0)", "First row", id="replay.first", priority=True),
        Binding("end", "end(1)", "Last row", id="replay.last", priority=True),
        Binding("n", "finding(1)", "Next finding", id="replay.next"),
        Binding("p", "finding(-1)", "Previous finding", id="replay.previous"),
        Binding("plus,equals_sign", "zoom(-1)", "Zoom in", id="replay.in"),
        Binding("minus", "zoom(1)", "Zoom out", id="replay.out"),
        Binding("0", "whole", "Whole run", id="replay.whole"),
        Binding("v", "pair", "Next plots", id="replay.pair"),
        Binding("question_mark", "help", "Help", id="replay.help"),
        Binding("escape", "app.step_back", "Back", id="replay.back"),
    ]

    def __init__(self, recording: Recording, limits: Limits | None = None) -> None:
        super().__init__()
        self.recording = recording
        self.limits = limits or Limits()
        self.view = View.whole(recording.time_s)
        self.cursor_s = self.view.first_s
        self._findings = tuple(recording.findings)
        self._bands = tuple(state_bands(recording.time_s, states_in(recording)))
        self._zones = zones_in(recording)
        self._pair = 0

    def compose(self) -> ComposeResult:
        """From the top: run, tear, timeline, plots, values, findings, keys."""
        yield Heading()
        if self.recording.remarks:
            yield Static(remarks_text(self.recording.remarks), id="remarks", markup=False)
        yield Timeline()
        with Vertical(id="plots"):
            yield Plot(x_axis=False, id="upper")
            yield Plot(x_axis=False, id="middle-upper")
            yield Plot(x_axis=False, id="middle-lower")
            yield Plot(id="lower")
        yield Static(id="values")
        yield OptionList(id="findings", compact=True, markup=False)
        yield Static(id="evidence", markup=False)
        yield Static(KEYS_LINE, id="keys", markup=False)

    def on_mount(self) -> None:
        """Name the run, list the findings; the first picture comes with the first size."""
        heading = self.query_one(Heading)
        heading.title, heading.detail = f"Replay  {self.recording.name}", run_detail(self.recording)
        heading.status = Said(count_text(len(self._findings)), Kind.QUIET)
        options = self.query_one("#findings", OptionList)
        options.set_options([Option(finding_title(k, f)) for k, f in enumerate(self._findings, 1)])
        options.display = bool(self._findings)
        options.focus()
        self._show_evidence(None)

    def on_resize(self) -> None:
        """Everything is cut to the size."""
        self.call_after_refresh(self.show)

    # ------------------------------------------------------------------- what is shown

    def show(self) -> None:
        """Draw timeline, plots and values anew."""
        strip = Strip(self._bands, self._findings, self.view, self.cursor_s)
        self.query_one(Timeline).strip = strip
        for plot, topic in self._plots():
            if plot.curves.size:
                plot.show(self._picture(plot, topic))
        told = readings(self.recording, self.cursor_s)
        self.query_one("#values", Static).update(lines([line(*row) for row in told]))

    def _plots(self) -> list[tuple[Plot, Topic]]:
        first, second = PAIRS[self._pair]
        other = PAIRS[1 - self._pair]
        places = ("upper", "lower", "middle-upper", "middle-lower")
        plots = (self.query_one(f"#{place}", Plot) for place in places)
        return list(zip(plots, (first, second, *other), strict=True))

    def _picture(self, plot: Plot, topic: Topic) -> Picture:
        curves, view = plot.curves, self.view
        fetch = fetch_recording(self.recording, view, 2 * curves.columns)
        x_labels = time_labels(view, curves.columns)
        limit = self.limits.mismatch_mm
        picture = draw(
            topic, fetch, self._zones, curves.rows, limit, (view.start_s, view.end_s), x_labels
        )
        found = tuple(Mark(f.time_s, "medium") for f in self._findings)
        return picture.with_marks((*found, Mark(self.cursor_s, "strong")))

    def _show_evidence(self, at: int | None) -> None:
        evidence = self.query_one("#evidence", Static)
        if at is None:
            evidence.update("" if self._findings else "No findings in this run.")
        else:
            evidence.update(f"Evidence: {finding_evidence(self._findings[at])}")

    # -------------------------------------------------------------------- what is asked

    def action_move(self, cells: int) -> None:
        """Cursor by so many cells."""
        width = max(2, self.query_one("#upper", Plot).curves.columns)
        self._cursor_to(self.cursor_s + cells * self.view.span_s / width)

    def action_end(self, last: int) -> None:
        """Cursor to the first or the last row."""
        self._cursor_to(self.view.last_s if last else self.view.first_s)

    def _cursor_to(self, time_s: float) -> None:
        self.cursor_s = self.view.clamped(time_s)
        self.view = self.view.holding(self.cursor_s)
        self.show()

    def action_finding(self, step: int) -> None:
        """Cursor to the next or previous finding."""
        at = next_finding(self._findings, self.cursor_s, step)
        if at is None:
            self.notify("No finding further on." if step > 0 else "No finding further back.")
            return
        self._jump(at)
        self.query_one("#findings", OptionList).highlighted = at

    def _jump(self, at: int) -> None:
        """Cursor on a finding, and close enough to see what led up to it."""
        self.cursor_s = self.view.clamped(self._findings[at].time_s)
        if self.view.span_s > NEAR_S:
            self.view = self.view.zoomed(NEAR_S / self.view.span_s, self.cursor_s)
        self.view = self.view.around(self.cursor_s)
        self._show_evidence(at)
        self.show()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter on a finding jumps to it."""
        event.stop()
        self._jump(event.option_index)

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """The list stands on a finding: show what speaks for it."""
        event.stop()
        self._show_evidence(event.option_index)

    def action_zoom(self, direction: int) -> None:
        """Closer (-1) or further away (1), the cursor staying in place."""
        factor = ZOOM if direction < 0 else 1.0 / ZOOM
        self.view = self.view.zoomed(factor, self.cursor_s)
        self.show()

    def action_whole(self) -> None:
        """The whole run."""
        self.view = self.view.opened()
        self.show()

    def action_pair(self) -> None:
        """The other two topics."""
        self._pair = 1 - self._pair
        self.show()

    def action_help(self) -> None:
        """The keys."""
        self.app.push_screen(Help(REPLAY_KEYS))
