"""Asks for one number."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from plylane.screens.decide import number_problem


class NumberField(Input):
    """Takes digits only: a letter is a key of the screens, so stop and abort work from here."""

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Whether the key is text for the field."""
        return character is not None and character in "0123456789.,-"


class NumberEntry(ModalScreen[float | None]):
    """Returns the number, or None when given up."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "Leave as it is")]

    def __init__(self, title: str, value: float | None, low: float, high: float, unit: str) -> None:
        super().__init__()
        self._title, self._value, self._unit = title, value, unit
        self._low, self._high = low, high

    def compose(self) -> ComposeResult:
        """Title, field, what is wrong with it."""
        with Vertical(id="dialog"):
            yield Static(self._title, id="dialog-title", markup=False)
            shown = "" if self._value is None else f"{self._value:g}"
            yield NumberField(shown, restrict=r"[-0-9.,]*", compact=True)
            yield Static(self._hint(), id="entry-problem", markup=False)

    def _hint(self) -> str:
        return f"{self._low:g} to {self._high:g} {self._unit}. Enter takes it, Escape leaves it."

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the number, or say why not."""
        problem = number_problem(event.value, self._low, self._high, self._unit)
        if problem is None:
            self.dismiss(float(event.value.replace(",", ".")))
        else:
            self.query_one("#entry-problem", Static).update(problem)
