"""Clearing: what stopped the run, step by step, until it may go on."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import OptionList, Static

from plylane.clearing import Step, ready
from plylane.head.registers import Command
from plylane.screens.confirm import confirm_command
from plylane.screens.decide import CAUTION, Progress, Said, link_says, progress
from plylane.screens.decide.clearing import (
    CLEARING_KEYS_LINE,
    after_clearing,
    clearing_says,
    step_rows,
)
from plylane.screens.help import CLEARING_KEYS, Help
from plylane.screens.source import LiveHead
from plylane.screens.widgets.banner import Banner
from plylane.screens.widgets.heading import Heading
from plylane.screens.widgets.steps import StepList
from plylane.screens.widgets.text import cut, line, quiet

LOOKS_PER_S = 4.0


class ClearingScreen(Screen[None]):
    """Shows the steps as they stand and takes the person's word for those that are theirs."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("u", "unhold", "Unhold", id="clearing.unhold"),
        Binding("A", "acknowledge_all", "Acknowledge all", id="clearing.acknowledge-all"),
        Binding("escape", "app.step_back", "Back", id="clearing.back"),
        Binding("question_mark", "help", "Help", id="clearing.help"),
    ]

    def __init__(self, live: LiveHead) -> None:
        super().__init__()
        self.live = live

    def compose(self) -> ComposeResult:
        """From the top: who, state, cause, steps, what the picked one asks, how far, keys."""
        yield Heading()
        yield Banner()
        yield Static(id="clearing-cause", markup=False)
        yield StepList(compact=True, markup=False)
        yield Static(id="clearing-what", markup=False)
        yield Static(id="clearing-message", markup=False)
        yield Static(line(quiet(CLEARING_KEYS_LINE)), id="clearing-keys")
        yield Static(CAUTION, id="caution", markup=False)

    def on_mount(self) -> None:
        """Start looking."""
        self.tick()
        self.query_one(StepList).focus()
        self.set_interval(1.0 / LOOKS_PER_S, self.tick)

    @property
    def _stale(self) -> bool:
        return not self.live.link.connected

    def _steps(self) -> tuple[Step, ...]:
        clearing, now = self.live.clearing, self.live.latest
        if clearing is None or now is None:
            return ()
        return clearing.steps(now, fresh=not self._stale)

    def tick(self) -> None:
        """One look at the live head."""
        if not self.query(Heading):
            return  # not built yet, or on the way out
        live, steps, stale = self.live, self._steps(), self._stale
        heading, link = self.query_one(Heading), link_says(live.link, live.pace)
        heading.title, heading.detail = live.title, "clearing"
        heading.status = Said(f"{link.text}   ? keys", link.kind)
        now = live.latest
        done = Progress(0.0, None, None, "") if now is None else progress(now.telemetry)
        self.query_one(Banner).show(None if now is None else now.telemetry.state, done, stale)
        clearing = live.clearing
        cause = after_clearing(now) if clearing is None else clearing.stand.cause.text
        self.query_one("#clearing-cause", Static).update(cause)
        self.query_one(StepList).rows = step_rows(steps, stale=stale)
        said = clearing_says(steps, stale=stale) if steps else Said("")
        text = Said(cut(said.text, self.size.width - 2), said.kind)
        self.query_one("#clearing-message", Static).update(line(text))
        self._tell()

    def _tell(self) -> None:
        row = self.query_one(StepList).picked
        self.query_one("#clearing-what", Static).update("" if row is None else row.what)

    def on_option_list_option_highlighted(self) -> None:
        """Another step is picked."""
        self._tell()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter says that a step is done, or takes that back."""
        event.stop()
        row = self.query_one(StepList).picked
        if row is None:
            return
        if row.judged:
            self.notify("This step follows what the head reports; nobody can say it is done.")
        else:
            self.live.confirm_step(row.name, not row.confirmed)

    def action_acknowledge_all(self) -> None:
        """Acknowledge every alarm."""
        self.live.acknowledge(None)

    def action_unhold(self) -> None:
        """Go on, after a question; not while a step is open."""
        steps = self._steps()
        if steps and ready(steps):
            self.app.push_screen(confirm_command(Command.UNHOLD), self._unhold_answered)
        else:
            self.notify("Not yet: steps are open. The Monitor's unhold is not held back by them.")

    def _unhold_answered(self, yes: bool | None) -> None:
        if yes:
            self.live.command(Command.UNHOLD)

    def action_help(self) -> None:
        """The keys."""
        self.app.push_screen(Help(CLEARING_KEYS))
