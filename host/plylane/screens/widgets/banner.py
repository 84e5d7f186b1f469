"""The machine state, large, with what it means and how far the run is."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from plylane.head.registers import State
from plylane.screens.decide import (
    Kind,
    Progress,
    progress_line,
    spaced,
    state_kind,
    state_sentence,
    state_way,
    state_word,
)
from plylane.screens.widgets.text import cut, line, lines, quiet, strong


class StateBlock(Widget):
    """The state's name in wide capitals; its class says how abnormal it is."""

    word: reactive[str] = reactive("")

    def render(self) -> Content:
        """What stands there now."""
        wide = spaced(self.word)
        text = wide if len(wide) <= self.size.width else self.word.upper()
        return Content(f"\n{text.center(self.size.width)}\n")


class StateText(Widget):
    """Three lines: what the state means, how far the run is, the way through the states."""

    sentence: reactive[str] = reactive("")
    done: reactive[Progress] = reactive(Progress(0.0, None, None, ""))
    way: reactive[tuple[tuple[str, bool], ...]] = reactive(())

    def render(self) -> Content:
        """What stands there now."""
        width = self.size.width
        return lines(
            [
                line(cut(self.sentence, width)),
                line(cut(progress_line(self.done, width), width)),
                self._way(width),
            ]
        )

    def _way(self, width: int) -> Content:
        whole = len(" › ".join(name for name, _ in self.way))
        parts = [
            strong(name) if now else quiet(name) for name, now in self.way if now or whole <= width
        ]
        return Content.assemble(quiet_arrow().join([line(part) for part in parts]))


def quiet_arrow() -> Content:
    """What stands between two states."""
    return line(quiet(" › "))


class Banner(Horizontal):
    """Block and text side by side."""

    def compose(self) -> ComposeResult:
        """Its parts."""
        yield StateBlock()
        yield StateText()

    def show(self, state: State | None, done: Progress, stale: bool) -> None:
        """State and progress; None before the head has answered."""
        block, text = self.query_one(StateBlock), self.query_one(StateText)
        kind = Kind.STALE if stale or state is None else state_kind(state)
        for name in (Kind.MEDIUM, Kind.HIGH, Kind.STALE):
            block.set_class(kind is name, f"-{name}")
        block.word = "no head" if state is None else state_word(state)
        text.done = done
        text.way = () if state is None else tuple(state_way(state))
        text.sentence = _sentence(state, stale)


def _sentence(state: State | None, stale: bool) -> str:
    if state is None:
        return "Waiting for the head to answer."
    if stale:
        return "Last known state: the head does not answer now."
    return state_sentence(state)
