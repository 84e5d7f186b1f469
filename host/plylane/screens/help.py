"""The keys, over whatever screen is there."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from plylane.head.registers import Command
from plylane.screens.decide import COMMAND_KEYS
from plylane.screens.widgets.text import left, line, lines, strong

Keys = tuple[tuple[str, str], ...]

_AT_ONCE = (Command.STOP, Command.ABORT)
_WITH_REST = [entry for entry in COMMAND_KEYS if entry.command not in _AT_ONCE]

MONITOR_KEYS: Keys = (
    (
        " ".join(entry.key for entry in _WITH_REST),
        ", ".join(entry.word.lower() for entry in _WITH_REST) + ": when allowed",
    ),
    ("t  b", "stop, abort: at once, on every screen"),
    ("a", "acknowledge the alarm picked with ↑ ↓"),
    ("A", "acknowledge all alarms"),
    ("1 2 3", "another setpoint for that zone"),
    ("f", "another feed speed"),
    ("l", "a strip has been put in: which lane, how long"),
    ("g", "held after a finding: clear it step by step"),
    ("v  w", "next trend; trend over 2, 10, 30, 60 minutes"),
    ("p  n", "replay the run logged so far; its plan"),
    ("z  i", "tune a zone; calibrate the feed"),
    ("d", "dark or light"),
    ("q", "leave"),
)

REPLAY_KEYS: Keys = (
    ("← →", "move the cursor; with shift ten times as far"),
    ("home end", "cursor to the first, to the last row"),
    ("n  p", "next, previous finding"),
    ("+  -", "zoom in, out"),
    ("0", "the whole run"),
    ("v", "next pair of plots"),
    ("e", "what head and host told, in the place of values"),
    ("j", "judge again with other settings of the detectors"),
    ("u  x", "back to the settings of the run; end the judging"),
    ("↑ ↓", "pick a finding"),
    ("d", "dark or light"),
    ("escape q", "back, or leave"),
)

CLEARING_KEYS: Keys = (
    ("↑ ↓", "pick a step"),
    ("enter", "the picked step is done, or not after all"),
    ("A", "acknowledge all alarms"),
    ("u", "unhold, once every step is done"),
    ("t  b", "stop, abort: at once, on every screen"),
    ("d", "dark or light"),
    ("escape q", "back; what is confirmed stays so"),
)

TUNE_KEYS: Keys = (
    ("1 2 3", "choose a zone"),
    ("e", "experiment: relay, step or doublet"),
    ("x", "end what is under way"),
    ("t  b", "stop, abort: at once, on every screen"),
    ("↑ ↓", "pick a rule"),
    ("+  -", "SIMC brisker, calmer"),
    ("g", "write the gains of the picked rule into the head"),
    ("u", "undo: the gains before"),
    ("m", "measure a setpoint step against the predicted one"),
    ("f", "feed step, rollers turn: feed-forward found, written"),
    ("i", "interaction of the zones, once each has a model"),
    ("k", "have the head keep its settings over a power cut"),
    ("v", "next picture"),
    ("d", "dark or light"),
    ("escape q", "back"),
)

CALIBRATE_KEYS: Keys = (
    ("1 2 3", "begin with the infeed, press or outfeed drive"),
    ("4  5", "begin with the output wheel, the lane wheels"),
    ("6  7", "slip against speed; press-to-infeed ratio; rollers turn"),
    ("f", "feed the next length; rollers turn"),
    ("m", "enter the length measured"),
    ("↑ ↓", "pick a length"),
    ("n", "feed the picked length again; rollers turn"),
    ("o", "leave the picked length out, or take it in again"),
    ("v", "next lane"),
    ("w", "write the result into the head, keep a record"),
    ("u", "undo: what stood there before the last record"),
    ("k", "have the head keep its settings over a power cut"),
    ("x", "end what is under way"),
    ("t  b", "stop, abort: at once, on every screen"),
    ("d", "dark or light"),
    ("escape q", "back; ends a feed under way"),
)

PLAN_KEYS: Keys = (
    ("v", "figures, values, the strips to load, or all problems"),
    ("d", "dark or light"),
    ("escape q", "back, or leave"),
)

WARNING = (
    "This program informs and asks; it protects nobody. Before it come the hard-wired stop, a "
    "thermal fuse and guards over the rollers. Hot blocks burn, rollers draw in, wood held hot "
    "can ignite, solvents need fresh air. Local codes and licensed practice rule; keep to them."
)


class Help(ModalScreen[None]):
    """A list of keys; any of escape, ? and q closes it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,question_mark,q", "dismiss(None)", "Close")
    ]

    def __init__(self, keys: Keys) -> None:
        super().__init__()
        self._keys = keys

    def compose(self) -> ComposeResult:
        """Keys, then the warning."""
        with VerticalScroll(id="dialog"):
            yield Static("Keys", id="dialog-title", markup=False)
            yield Static(key_lines(self._keys))
            yield Static(WARNING, id="help-warning", markup=False)


def key_lines(keys: Keys) -> Content:
    """A line a key."""
    return lines([line(left(strong(key), 13), what) for key, what in keys])
