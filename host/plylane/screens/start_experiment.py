"""The question before an experiment: which one, and the cautions."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Button, Static

from plylane.screens.decide.tuning import EXPERIMENT_POINTS
from plylane.screens.widgets.commands import key_label

CHOICES = (("1", "relay"), ("2", "step"), ("3", "doublet"))
WHAT = {
    "relay": "Relay: heats at full output, then switches about the working temperature.",
    "step": "Step: from rest, 20 % more output; slow, shows gain and lag.",
    "doublet": "Doublet: up, down, back about the present output; stays near the temperature.",
}


class StartExperiment(ModalScreen[str | None]):
    """Returns the kind, or None. What is safe has the focus."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(key, f"choose('{kind}')", kind.capitalize()) for key, kind in CHOICES),
        Binding("n,escape", "dismiss(None)", "No"),
        Binding("left", "app.focus_previous", "Other answer", show=False),
        Binding("right", "app.focus_next", "Other answer", show=False),
    ]

    def __init__(self, zone_name: str) -> None:
        super().__init__()
        self._zone_name = zone_name

    def compose(self) -> ComposeResult:
        """Cautions, what each kind does, the answers."""
        with Vertical(id="dialog"):
            title = f"Which experiment on zone {self._zone_name}?"
            yield Static(title, id="dialog-title", markup=False)
            for point in EXPERIMENT_POINTS:
                yield Static(f"• {point}", classes="dialog-point", markup=False)
            for key, kind in CHOICES:
                yield Static(f"{key}  {WHAT[kind]}", classes="dialog-choice", markup=False)
            with Horizontal(id="dialog-answers"):
                yield Button(key_label("n", "No"), id="no", compact=True)
                for key, kind in CHOICES:
                    yield Button(key_label(key, kind.capitalize()), id=f"kind-{kind}", compact=True)

    def on_mount(self) -> None:
        """Enter alone must not start anything."""
        self.query_one("#no").focus()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Answer."""
        chosen = str(event.button.id).removeprefix("kind-")
        self.dismiss(chosen if chosen in WHAT else None)

    def action_choose(self, kind: str) -> None:
        """Answer by key."""
        self.dismiss(kind)
