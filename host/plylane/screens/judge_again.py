"""Asks for the settings with which a run is to be judged again."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.events import DescendantFocus
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from plylane.jam import WatchSettings
from plylane.screens.decide import Kind, Said
from plylane.screens.entry import NumberField
from plylane.screens.widgets.text import line, quiet
from plylane.watch_fields import (
    FIELDS,
    WatchField,
    WatchSettingsError,
    number_text,
    with_changes,
)

HINT = "↑ ↓ field   Enter judges again   u as the run was   Escape leaves"


class WatchRow(Horizontal):
    """A setting: its name, a field for its value, what it may be; or what is wrong with it."""

    def __init__(self, field: WatchField, value: float, run_value: float) -> None:
        super().__init__()
        self.field, self._value, self._run_value = field, value, run_value
        self.problem = ""
        """What is wrong with the value given."""

    def compose(self) -> ComposeResult:
        """From the left."""
        yield Static(f"{self.field.words}", classes="watch-name", markup=False)
        text = number_text(self._value)
        yield NumberField(text, restrict=r"[-+0-9.,e]*", compact=True)
        yield Static(classes="watch-says")

    def on_mount(self) -> None:
        """Say what it may be."""
        self.say()

    @property
    def text(self) -> str:
        """What stands in the field."""
        return self.query_one(Input).value.strip().replace(",", ".")

    def put(self, value: float) -> None:
        """Another value into the field."""
        self.query_one(Input).value = number_text(value)

    def say(self, problem: str = "") -> None:
        """What the value may be, in the way of a mistake or of a hint."""
        self.problem, wanted = problem, self.field.wanted
        if problem:
            said = line(Said(f"◆ {wanted}", Kind.MEDIUM))
        else:
            mark = "" if self._at_home() else f"   run: {number_text(self._run_value)}"
            said = line(quiet(wanted), mark)
        self.query_one(".watch-says", Static).update(said)

    def _at_home(self) -> bool:
        return self.text == number_text(self._run_value)

    def on_input_changed(self, event: Input.Changed) -> None:
        """Whether it still is the value of the run."""
        event.stop()
        self.say()


class JudgeAgain(ModalScreen[WatchSettings | None]):
    """Returns the settings, or None when left as they are."""

    BINDINGS: ClassVar[list[BindingType]] = [
        # priority: a field with the focus would swallow the letters
        Binding("escape,q", "dismiss(None)", "Leave as it is", priority=True),
        Binding("u", "as_run", "As the run was", priority=True),
        Binding("up", "app.focus_previous", "Field before"),
        Binding("down", "app.focus_next", "Next field"),
    ]

    def __init__(self, settings: WatchSettings, run_settings: WatchSettings) -> None:
        super().__init__()
        self._settings, self._run_settings = settings, run_settings

    def compose(self) -> ComposeResult:
        """Title, a row a setting, the meaning of the one in focus, keys."""
        now, before = self._settings.model_dump(), self._run_settings.model_dump()
        with Vertical(id="dialog", classes="-watch"):
            yield Static("Judge again with", id="dialog-title", markup=False)
            with VerticalScroll(id="watch-fields", can_focus=False):
                for field in FIELDS:
                    yield WatchRow(field, now[field.name], before[field.name])
            yield Static(id="watch-meaning", markup=False)
            yield Static(HINT, id="watch-hint", markup=False)

    def on_descendant_focus(self, event: DescendantFocus) -> None:
        """Say what the setting in focus is for."""
        row = event.widget.parent
        if isinstance(row, WatchRow):
            self._explain(row)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take them, or say at each field why not."""
        event.stop()
        rows = list(self.query(WatchRow))
        home = self._run_settings.model_dump()
        given = {r.field.name: r.text for r in rows if r.text != number_text(home[r.field.name])}
        try:
            settings = with_changes(self._run_settings, given)
        except WatchSettingsError as error:
            self._refuse(error.problems)
            return
        self.dismiss(settings)

    def _refuse(self, problems: dict[str, str]) -> None:
        for row in self.query(WatchRow):
            row.say(problems.get(row.field.name, ""))
        wrong = next(row for row in self.query(WatchRow) if row.problem)
        wrong.query_one(Input).focus()
        self._explain(wrong)

    def _explain(self, row: WatchRow) -> None:
        self.query_one("#watch-meaning", Static).update(row.problem or row.field.meaning)

    def action_as_run(self) -> None:
        """The settings of the run into every field."""
        for row in self.query(WatchRow):
            row.put(self._run_settings.model_dump()[row.field.name])
