"""The commands that the head would take now, as buttons; abort always at the right end."""

from __future__ import annotations

from collections.abc import Collection

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.content import Content
from textual.message import Message
from textual.widgets import Button

from plylane.head.registers import Command
from plylane.screens.decide import COMMAND_KEYS, shown_commands


class CommandButton(Button, can_focus=False):
    """One command; the keys do the same, so it takes no focus."""

    def __init__(self, command: Command, key: str, word: str) -> None:
        super().__init__(key_label(key, word), id=f"command-{word.lower()}", compact=True)
        self.wanted = command


def key_label(key: str, word: str) -> Content:
    """The key, then the word, in whatever colour the button has."""
    return Content.assemble((key, "bold"), f" {word}")


class CommandBar(Horizontal):
    """Buttons come and go as the head allows."""

    class Wanted(Message):
        """Somebody pressed a command."""

        def __init__(self, command: Command) -> None:
            super().__init__()
            self.command = command

    class AcknowledgeWanted(Message):
        """Somebody wants the picked alarm acknowledged."""

    def compose(self) -> ComposeResult:
        """Its parts."""
        for entry in COMMAND_KEYS:
            yield CommandButton(*entry)
        acknowledge = Button(key_label("a", "Acknowledge"), id="acknowledge", compact=True)
        acknowledge.can_focus = False
        yield acknowledge

    def show(self, allowed: Collection[Command], to_acknowledge: bool) -> None:
        """Show what can be done now."""
        shown = {entry.command for entry in shown_commands(allowed)}
        for button in self.query(CommandButton):
            button.set_class(button.wanted not in shown, "-hidden")
        self.query_one("#acknowledge").set_class(not to_acknowledge, "-hidden")

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Tell the screen."""
        event.stop()
        if isinstance(event.button, CommandButton):
            self.post_message(self.Wanted(event.button.wanted))
        else:
            self.post_message(self.AcknowledgeWanted())
