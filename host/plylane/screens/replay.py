"""Replay: a whole run along its time, the findings, and the values at a cursor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.screen import Screen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option
from textual.worker import get_current_worker

from plylane.jam import WatchSettings
from plylane.jam.finding import Finding
from plylane.screens.decide import Kind, Said
from plylane.screens.help import REPLAY_KEYS, Help
from plylane.screens.judge_again import JudgeAgain
from plylane.screens.judged import Judged, heads_text, judging_text, row_evidence, row_text
from plylane.screens.pictures import Mark, Picture, Topic, draw, fetch_overview, time_labels
from plylane.screens.readings import (
    readings,
    remarks_text,
    run_detail,
    told_in,
    told_near,
)
from plylane.screens.source import Recording
from plylane.screens.timeline import View, next_finding
from plylane.screens.widgets.heading import Heading
from plylane.screens.widgets.plot import Plot
from plylane.screens.widgets.text import line, lines
from plylane.screens.widgets.timeline import Strip, Timeline
from plylane.trends import Limits
from plylane.words import count_text

ZOOM = 0.5
NEAR_S = 60.0  # how much time a jump to a finding shows, at most
TOLD_LINES = 4
JUDGING = "judging"
PAIRS = (
    (Topic.TEMPERATURE, Topic.MISMATCH),
    (Topic.OUTPUT, Topic.SPEED),
)
KEYS_LINE = "← → cursor  n p finding  + - zoom  v plots  e events  j judge  ? keys  q back"


class _EndedError(Exception):
    """The judging is not wanted any more."""


class Replay(Screen[None]):
    """Draws only when cursor or view change."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "Cursor back", id="replay.left"),
        Binding("right", "move(1)", "Cursor on", id="replay.right"),
        Binding("shift+left", "move(-10)", "Cursor far back", id="replay.far-left"),
        Binding("shift+right", "move(10)", "Cursor far on", id="replay.far-right"),
        Binding("home", "edge(0)", "First row", id="replay.first", priority=True),
        Binding("end", "edge(1)", "Last row", id="replay.last", priority=True),
        Binding("n", "finding(1)", "Next finding", id="replay.next"),
        Binding("p", "finding(-1)", "Previous finding", id="replay.previous"),
        Binding("plus,equals_sign", "zoom(-1)", "Zoom in", id="replay.in"),
        Binding("minus", "zoom(1)", "Zoom out", id="replay.out"),
        Binding("0", "whole", "Whole run", id="replay.whole"),
        Binding("v", "pair", "Next plots", id="replay.pair"),
        Binding("e", "told", "Events", id="replay.told"),
        Binding("j", "judge", "Judge again", id="replay.judge"),
        Binding("u", "as_run", "Settings of the run", id="replay.as-run"),
        Binding("x", "end", "End the judging", id="replay.end"),
        Binding("question_mark", "help", "Help", id="replay.help"),
        Binding("escape", "app.step_back", "Back", id="replay.back"),
    ]

    @dataclass
    class Judging(Message):
        """So much of the run has been judged again."""

        share: float

    @dataclass
    class Found(Message):
        """The run has been judged again."""

        settings: WatchSettings
        findings: Sequence[Finding]

    @dataclass
    class NotJudged(Message):
        """It could not be judged again."""

        why: str

    def __init__(
        self,
        recording: Recording,
        limits: Limits | None = None,
        settings: WatchSettings | None = None,
    ) -> None:
        """With `settings`, judged again with them at once."""
        super().__init__()
        self.recording = recording
        self.limits = limits or Limits()
        self.view = View.whole(recording.overview.first_s, recording.overview.last_s)
        self.cursor_s = self.view.first_s
        self.judged = Judged.of(recording.settings, recording.findings)
        self._first_settings = settings
        self._bands = tuple(recording.overview.bands)
        self._told = told_in(recording)
        self._judging: float | None = None  # how much of it is done
        self._pair = 0

    def compose(self) -> ComposeResult:
        """From the top: run, remarks, timeline, plots, values and events, findings, keys."""
        yield Heading()
        remarks = [one for one in (*self.recording.remarks, self.recording.otherwise) if one]
        if remarks:
            yield Static(remarks_text(remarks), id="remarks", markup=False)
        yield Timeline()
        with Vertical(id="plots"):
            yield Plot(x_axis=False, id="upper")
            yield Plot(x_axis=False, id="middle-upper")
            yield Plot(x_axis=False, id="middle-lower")
            yield Plot(id="lower")
        with Horizontal(id="at-cursor"):
            yield Static(id="values")
            yield Static(id="told")
        yield Static(id="judged", markup=False)
        yield OptionList(id="findings", compact=True, markup=False)
        yield Static(id="evidence", markup=False)
        yield Static(KEYS_LINE, id="keys", markup=False)

    def on_mount(self) -> None:
        """Name the run; the first picture and the list come with the first size."""
        heading = self.query_one(Heading)
        heading.title, heading.detail = f"Replay  {self.recording.name}", run_detail(self.recording)
        self.query_one("#findings", OptionList).focus()
        if self._first_settings is not None:
            self._judge_with(self._first_settings)

    def on_resize(self) -> None:
        """Everything is cut to the size."""
        self.call_after_refresh(self._size_known)

    def _size_known(self) -> None:
        self._list_findings()
        self.show()

    # ------------------------------------------------------------------- what is shown

    def show(self) -> None:
        """Draw timeline, plots and values anew."""
        try:
            self._draw()
        except (ValueError, OSError) as fault:  # the log has been changed or taken away
            self.notify(str(fault), severity="error", markup=False)

    def _draw(self) -> None:
        strip = Strip(self._bands, self.judged.after, self.view, self.cursor_s, self.judged.gone)
        self.query_one(Timeline).strip = strip
        for plot, topic in self._plots():
            if plot.curves.size:
                plot.show(self._picture(plot, topic))
        told = readings(self.recording.overview, self.cursor_s)
        self.query_one("#values", Static).update(lines([line(*row) for row in told]))
        near = told_near(self._told, self.cursor_s, TOLD_LINES)
        self.query_one("#told", Static).update(lines([line(*row) for row in near]))

    def _plots(self) -> list[tuple[Plot, Topic]]:
        first, second = PAIRS[self._pair]
        other = PAIRS[1 - self._pair]
        places = ("upper", "lower", "middle-upper", "middle-lower")
        plots = (self.query_one(f"#{place}", Plot) for place in places)
        return list(zip(plots, (first, second, *other), strict=True))

    def _picture(self, plot: Plot, topic: Topic) -> Picture:
        curves, view = plot.curves, self.view
        overview = self.recording.overview
        fetch = fetch_overview(overview, view, 2 * curves.columns)
        x_labels = time_labels(view, curves.columns)
        limit = self.limits.mismatch_mm
        picture = draw(
            topic, fetch, overview.zones, curves.rows, limit, (view.start_s, view.end_s), x_labels
        )
        found = tuple(Mark(f.time_s, "medium") for f in self.judged.after)
        return picture.with_marks((*found, Mark(self.cursor_s, "strong")))

    def _list_findings(self) -> None:
        """The list, before and after side by side once the run was judged again."""
        judged, width = self.judged, self.size.width - 3  # padding and scroll bar
        self.query_one(Heading).status = Said(count_text(len(judged.after)), Kind.QUIET)
        options = self.query_one("#findings", OptionList)
        at = options.highlighted
        options.set_options([Option(row_text(judged, row, width)) for row in judged.rows])
        options.display = bool(judged.rows)
        if at is not None and judged.rows:
            options.highlighted = at = min(at, len(judged.rows) - 1)
        self._show_evidence(at if judged.rows else None)
        self._show_judged()

    def _show_judged(self) -> None:
        """What the columns are, or how far the judging is."""
        text, width = "", self.size.width - 3
        if self._judging is not None:
            text = judging_text(self._judging, width)
        elif self.judged.again:
            text = heads_text(self.judged, width)
        heads = self.query_one("#judged", Static)
        heads.update(text)
        heads.display = bool(text)

    def _show_evidence(self, at: int | None) -> None:
        evidence = self.query_one("#evidence", Static)
        if at is None:
            evidence.update("" if self.judged.rows else "No findings in this run.")
        else:
            evidence.update(row_evidence(self.judged, self.judged.rows[at]))

    # -------------------------------------------------------------------- what is asked

    def action_move(self, cells: int) -> None:
        """Cursor by so many cells."""
        width = max(2, self.query_one("#upper", Plot).curves.columns)
        self._cursor_to(self.cursor_s + cells * self.view.span_s / width)

    def action_edge(self, last: int) -> None:
        """Cursor to the first or the last row."""
        self._cursor_to(self.view.last_s if last else self.view.first_s)

    def _cursor_to(self, time_s: float) -> None:
        self.cursor_s = self.view.clamped(time_s)
        self.view = self.view.holding(self.cursor_s)
        self.show()

    def action_finding(self, step: int) -> None:
        """Cursor to the next or previous finding."""
        at = next_finding(self.judged.shown, self.cursor_s, step)
        if at is None:
            self.notify("No finding further on." if step > 0 else "No finding further back.")
            return
        self._jump(at)
        self.query_one("#findings", OptionList).highlighted = at

    def _jump(self, at: int) -> None:
        """Cursor on a finding, and close enough to see what led up to it."""
        self.cursor_s = self.view.clamped(self.judged.shown[at].time_s)
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

    def action_told(self) -> None:
        """Events and journal in the place of the values, and back; where both fit, both stand."""
        self.toggle_class("-told")

    # ------------------------------------------------------------------- judging again

    def action_judge(self) -> None:
        """Ask for other settings."""
        ask = JudgeAgain(self.judged.settings, self.recording.settings)
        self.app.push_screen(ask, self._settings_given)

    def _settings_given(self, settings: WatchSettings | None) -> None:
        if settings is not None:
            self._judge_with(settings)

    def action_as_run(self) -> None:
        """Back to the settings of the run."""
        self._judge_with(self.recording.settings)

    def action_end(self) -> None:
        """End the judging; what stood there stays."""
        if self._judging is not None:
            self.workers.cancel_group(self, JUDGING)
            self._judging = None
            self._show_judged()

    def _judge_with(self, settings: WatchSettings) -> None:
        self.action_end()
        if settings == self.recording.settings:
            self._take(Judged.of(settings, self.recording.findings))
            return
        self._judging = 0.0
        self._show_judged()
        work = partial(self._judge, settings)
        self.run_worker(work, thread=True, exclusive=True, group=JUDGING)

    def _judge(self, settings: WatchSettings) -> None:
        """In a thread of its own."""
        worker = get_current_worker()

        def done(number: int, all_: int) -> None:
            if worker.is_cancelled:
                raise _EndedError
            self.post_message(self.Judging(number / all_))

        try:
            found = self.recording.judge(settings, done)
        except _EndedError:
            return
        except (ValueError, OSError) as fault:
            self.post_message(self.NotJudged(str(fault)))
            return
        if not worker.is_cancelled:
            self.post_message(self.Found(settings, found))

    def on_replay_judging(self, message: Judging) -> None:
        """How far it is."""
        if self._judging is not None:
            self._judging = message.share
            self._show_judged()

    def on_replay_found(self, message: Found) -> None:
        """Before and after side by side."""
        if self._judging is not None:
            self._judging = None
            run_settings, before = self.recording.settings, self.recording.findings
            self._take(Judged.of(run_settings, before, message.settings, message.findings))

    def on_replay_not_judged(self, message: NotJudged) -> None:
        """What stood there stays."""
        self.action_end()
        self.notify(message.why, severity="error", markup=False)

    def _take(self, judged: Judged) -> None:
        self.judged = judged
        self._list_findings()
        self.show()

    def action_help(self) -> None:
        """The keys."""
        self.app.push_screen(Help(REPLAY_KEYS))
