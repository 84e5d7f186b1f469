"""A question before something that makes the head more lively, or before leaving a run."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Button, Static

from plylane.head.registers import Command, State
from plylane.screens.decide import cautions, state_word
from plylane.screens.widgets.commands import key_label


class Confirm(ModalScreen[bool]):
    """Returns whether it was answered with yes. What is safe has the focus."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "Yes"),
        Binding("n,escape", "answer(False)", "No"),
        Binding("left,right", "app.focus_next", "Other answer", show=False),
    ]

    def __init__(self, title: str, points: tuple[str, ...], yes: str, no: str) -> None:
        super().__init__()
        self._title, self._points, self._yes, self._no = title, points, yes, no

    def compose(self) -> ComposeResult:
        """Title, points, two answers."""
        with Vertical(id="dialog"):
            yield Static(self._title, id="dialog-title", markup=False)
            for point in self._points:
                yield Static(f"• {point}", classes="dialog-point", markup=False)
            with Horizontal(id="dialog-answers"):
                yield Button(key_label("n", self._no), id="no", compact=True)
                yield Button(key_label("y", self._yes), id="yes", compact=True)

    def on_mount(self) -> None:
        """Enter alone must not confirm."""
        self.query_one("#no").focus()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Answer."""
        self.dismiss(event.button.id == "yes")

    def action_answer(self, answer: bool) -> None:
        """Answer by key."""
        self.dismiss(answer)


def confirm_command(command: Command) -> Confirm:
    """The question before a command. Raises KeyError where none is asked."""
    title, points = cautions(command)
    word = command.name.capitalize()
    return Confirm(f"{word}? {title}", points, f"Yes, {word.lower()}", "No")


def confirm_leave(state: State) -> Confirm:
    """The question before leaving a run behind."""
    points = (
        "Once nobody polls it, a feeding head raises its link alarm and holds.",
        "Blocks stay hot. Do not leave them unattended.",
        "To end the run first: No, then stop.",
    )
    title = f"Leave while the head is in {state_word(state)}?"
    return Confirm(title, points, "Yes, leave", "No, stay")
