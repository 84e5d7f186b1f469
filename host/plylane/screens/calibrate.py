"""Calibrate: lengths fed and measured step by step, fit and uncertainty, into the head and back."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen, Screen
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from plylane.screens.calibrate_pictures import found_picture
from plylane.screens.calibrate_source import CalibrateWork
from plylane.screens.confirm import Confirm
from plylane.screens.decide import Kind, Said, link_says
from plylane.screens.decide.calibrating import (
    CAL_KEYS,
    CALIBRATE_CAUTION,
    LENGTH_HEADS,
    NOTES,
    TASKS,
    LengthRow,
    budget_rows,
    change_line,
    keys_now,
    length_rows,
    misread_row,
    result_lines,
    said_line,
    step_line,
    task_words,
)
from plylane.screens.entry import NumberEntry
from plylane.screens.help import CALIBRATE_KEYS, Help
from plylane.screens.source import LiveHead
from plylane.screens.widgets.commands import key_label
from plylane.screens.widgets.heading import Heading
from plylane.screens.widgets.plot import Plot
from plylane.screens.widgets.text import Part, left, line, lines, quiet, right
from plylane.tune_errors import TuneError

TICKS_PER_S = 4.0
REFUSED_TICKS = round(8 * TICKS_PER_S)
LENGTH_WIDTHS = (6, 9, 9, 10, 10)


class Calibrate(Screen[None]):
    """Looks at live head and calibration at a low rate; asks the calibration for what keys want."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(task.key, f"task({k})", task.name.capitalize()) for k, task in enumerate(TASKS)),
        *(Binding(each.key, each.action, each.word) for each in CAL_KEYS),
        Binding("question_mark", "help", "Help"),
        Binding("escape", "app.step_back", "Back"),
    ]

    def __init__(self, live: LiveHead, work: CalibrateWork) -> None:
        super().__init__()
        self.live, self.work = live, work
        self.lane = 0
        self._ticks = 0
        self._refusal, self._refused_tick = "", 0
        self._drawn: object = None
        self._rows: tuple[LengthRow, ...] = ()

    def compose(self) -> ComposeResult:
        """From the top: who, what, step, said, lengths and picture, result, keys, caution."""
        yield Heading()
        yield Static(id="cal-what")
        yield Static(id="cal-step")
        yield Static(id="cal-said")
        with Horizontal(id="cal-middle"):
            with Vertical(id="cal-lengths"):
                heads = zip(LENGTH_HEADS, LENGTH_WIDTHS, strict=True)
                yield Static(line("  ", *(right(quiet(h), w) for h, w in heads)), id="cal-heads")
                yield OptionList(id="cal-rows", compact=True)
            yield Plot(id="cal-plot")
        yield Static(id="cal-result")
        yield Static(id="cal-budget")
        yield Static(id="cal-change")
        with Horizontal(id="cal-keys"):
            for each in CAL_KEYS:
                yield _button(each.key, each.word, each.action)
            yield _button("t", "Stop", "stop")
        yield Static(CALIBRATE_CAUTION, id="caution", markup=False)

    def on_mount(self) -> None:
        """Start looking."""
        self.query_one(OptionList).focus()
        self.tick()
        self.set_interval(1.0 / TICKS_PER_S, self.tick)

    def on_unmount(self) -> None:
        """Nothing is fed for somebody who has left."""
        if self.work.status.busy:
            self.work.stop()

    @property
    def picked(self) -> int | None:
        """Number of the picked length, from 0."""
        return self.query_one(OptionList).highlighted if self._rows else None

    # ------------------------------------------------------------------- what is shown

    def tick(self) -> None:
        """One look."""
        work = self.work
        status, sitting, found = work.status, work.sitting, work.found
        written = work.written is not None
        self._show_heading()
        self._say("#cal-what", *task_words(sitting, found))
        self._say("#cal-step", step_line(status, sitting, work.trouble, found, written))
        self._say("#cal-said", self._last_said())
        self._show_lengths()
        results = result_lines(found, self.lane)
        self.query_one("#cal-result", Static).update(lines([line(said) for said in results]))
        self._show_budget()
        self._say("#cal-change", change_line(work.changes, work.trouble, work.written))
        writable = found is not None and not work.trouble
        shown = keys_now(status, sitting, writable, written)
        for each in CAL_KEYS:
            self.query_one(f"#cal-{each.action}").set_class(each not in shown, "-hidden")
        self.set_class(found is None, "-nothing-found")
        self.set_class(sitting is None, "-no-lengths")
        if (found, self.lane) != self._drawn:
            self._drawn = (found, self.lane)
            self.call_after_refresh(self.draw_plot)
        self._ticks += 1

    def _say(self, where: str, *parts: Part) -> None:
        self.query_one(where, Static).update(line(*parts))

    def _show_heading(self) -> None:
        heading, live = self.query_one(Heading), self.live
        heading.title, heading.detail = "Calibrate", live.title
        link = link_says(live.link, live.pace)
        heading.status = Said(f"{link.text}   ? keys", link.kind)

    def _last_said(self) -> Said:
        """A refusal for a while, else trouble, else what the last job said."""
        if self._refusal and self._ticks - self._refused_tick < REFUSED_TICKS:
            return Said(f"▲ {self._refusal}", Kind.MEDIUM)
        return said_line(self.work.status, self.work.trouble)

    def _show_lengths(self) -> None:
        rows = length_rows(self.work.sitting, self.work.found, self.lane)
        if rows == self._rows:
            return
        table = self.query_one(OptionList)
        at, more = table.highlighted, len(rows) > len(self._rows)
        self._rows = rows
        table.clear_options()
        table.add_options([Option(_row(row)) for row in rows])
        bad = misread_row(self.work.sitting, self.work.found)
        if bad is not None:
            table.highlighted = bad
        elif rows:
            table.highlighted = len(rows) - 1 if more or at is None else min(at, len(rows) - 1)

    def _show_budget(self) -> None:
        rows = budget_rows(self.work.found, self.lane)
        heads = line(left(quiet("standard uncertainty"), 38), quiet("type       u %"))
        shown = [heads] if rows else []
        for row in rows:
            kind = Kind.QUIET if row.quiet else Kind.NORMAL
            note = "  in the scatter already" if row.quiet and row.kind == "B" else ""
            text = f"{row.name:<38}{row.kind:<5}{row.u:>9}{note}"
            shown.append(line(Said(text, kind)))
        self.query_one("#cal-budget", Static).update(lines(shown))

    def on_resize(self) -> None:
        """A picture for the new size."""
        self.call_after_refresh(self.draw_plot)

    def draw_plot(self) -> None:
        """Draw it where there is room."""
        plot = self.query_one(Plot)
        picture = found_picture(self.work.found, self.lane, plot.curves.rows)
        if picture is not None and plot.display and plot.curves.size:
            plot.show(picture)

    # ------------------------------------------------------------------- what keys ask for

    def _ask(self, begin: Callable[[], None]) -> None:
        try:
            begin()
        except TuneError as refused:
            self._refusal, self._refused_tick = str(refused), self._ticks
        else:
            self._refusal = ""
        self.tick()

    def action_task(self, number: int) -> None:
        """Begin something, after its cautions."""
        task = TASKS[number]
        if self.work.status.busy:
            self._ask(lambda: _refuse("something is under way: x ends it"))
            return
        ask = Confirm(f"Calibrate the {task.name}?", task.points, "Yes, begin", "No")
        self.app.push_screen(ask, partial(self._begin, number))

    def _begin(self, number: int, yes: bool | None) -> None:
        if not yes:
            return
        self.lane = 0
        task = TASKS[number]
        if task.kind == "slip":
            self._ask(self.work.measure_slip)
        elif task.kind == "ratio":
            self._ask(self.work.sweep_ratio)
        else:
            self._ask(partial(self.work.begin_lengths, task.kind, task.number))

    def action_feed(self) -> None:
        """The next length."""
        self._ask(self.work.feed_next)

    def action_measured(self) -> None:
        """The length of what was fed."""
        sitting = self.work.sitting
        if sitting is None or sitting.waiting is None:
            self._ask(lambda: _refuse("no feed waits for its length: f feeds"))
            return
        number = (len(sitting.readings) if sitting.again is None else sitting.again) + 1
        title = f"Length {number} as measured, mm (about {sitting.waiting.length_mm:.0f})"
        entry = NumberEntry(title, None, 0.1, 20_000.0, "mm")
        self.app.push_screen(entry, self._measured)

    def _measured(self, length_mm: float | None) -> None:
        if length_mm is not None:
            self._ask(partial(self.work.measured, length_mm))

    def action_again(self) -> None:
        """Feed the picked length again, or the one that waits."""
        sitting = self.work.sitting
        waits = sitting is not None and sitting.waiting is not None
        self._ask(partial(self.work.feed_again, None if waits else self.picked))

    def action_leave_out(self) -> None:
        """Leave the picked length out, or take it in again."""
        if (picked := self.picked) is not None:
            self._ask(partial(self.work.leave_out, picked))

    def action_lane(self) -> None:
        """Look at the next lane."""
        found = self.work.found
        if isinstance(found, tuple):
            self.lane = (self.lane + 1) % len(found)
            self.tick()

    def action_write(self) -> None:
        """Into the head, after why."""
        if self.work.found is None or self.work.trouble:
            self._ask(partial(self.work.write, ""))
            return
        changes = tuple(change.text for change in self.work.changes)
        self.app.push_screen(WriteNote(changes), self._write)

    def _write(self, note: str | None) -> None:
        if note is not None:
            self._ask(partial(self.work.write, note))

    def action_undo(self) -> None:
        """What stood there before."""
        self._ask(self.work.undo)

    def action_save(self) -> None:
        """Settings kept over a power cut."""
        self._ask(self.work.save)

    def action_end(self) -> None:
        """End what is under way."""
        self.work.stop()

    def action_help(self) -> None:
        """The keys."""
        self.app.push_screen(Help(CALIBRATE_KEYS))

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """A key by mouse."""
        name = str(event.button.id).removeprefix("cal-")
        if name == "stop":
            self.app.action_now("STOP")  # type: ignore[attr-defined]
        else:
            getattr(self, f"action_{name}")()


class WriteNote(ModalScreen[str | None]):
    """Asks why before writing; returns the note, or None. What is safe has the focus."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(key, f"choose('{note}')", note.capitalize()) for key, note in NOTES),
        Binding("n,escape", "dismiss(None)", "No"),
        Binding("left", "app.focus_previous", "Other answer", show=False),
        Binding("right", "app.focus_next", "Other answer", show=False),
    ]

    def __init__(self, changes: tuple[str, ...]) -> None:
        super().__init__()
        self._changes = changes

    def compose(self) -> ComposeResult:
        """What changes, the reasons."""
        with Vertical(id="dialog"):
            yield Static("Write this into the head?", id="dialog-title", markup=False)
            for change in self._changes:
                yield Static(f"• {change}", classes="dialog-point", markup=False)
            text = "The note in the record; more can be written into the file by hand."
            yield Static(text, classes="dialog-choice", markup=False)
            with Horizontal(id="dialog-answers"):
                yield Button(key_label("n", "No"), id="no", compact=True)
                for key, note in NOTES:
                    label = key_label(key, note.capitalize())
                    yield Button(label, id=f"note-{note.replace(' ', '-')}", compact=True)

    def on_mount(self) -> None:
        """Enter alone must not write anything."""
        self.query_one("#no").focus()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Answer."""
        chosen = str(event.button.id).removeprefix("note-").replace("-", " ")
        self.dismiss(chosen if chosen in {note for _, note in NOTES} else None)

    def action_choose(self, note: str) -> None:
        """Answer by key."""
        self.dismiss(note)


def _button(key: str, word: str, action: str) -> Button:
    button = Button(key_label(key, word), id=f"cal-{action}", compact=True)
    button.can_focus = False
    return button


def _row(row: LengthRow) -> Content:
    cells = [right(cell, width) for cell, width in zip(row.cells, LENGTH_WIDTHS, strict=True)]
    return line(*cells, "  ", row.word)


def _refuse(why: str) -> None:
    raise TuneError(why)
