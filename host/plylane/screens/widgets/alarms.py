"""The alarms: a list to pick from, and what to do about the one picked."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.reactive import reactive
from textual.widget import Widget
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from plylane.screens.decide import AlarmRow, Said
from plylane.screens.theme import FILLED
from plylane.screens.widgets.text import cut, left, line, lines, quiet


class AlarmHead(Widget):
    """How many alarms, and the last line for the user at the right."""

    head: reactive[Said] = reactive(Said(""))
    message: reactive[Said] = reactive(Said(""))

    def render(self) -> Content:
        """What stands there now."""
        room = self.size.width - len(self.head.text) - 4
        message = Said(cut(self.message.text, max(0, room - 3)), self.message.kind)
        rule = quiet("─" * max(1, room - len(message.text)))
        return line(self.head, " ", rule, " " if message.text else "", message)


class Remedy(Widget):
    """What the picked alarm means and what to do."""

    row: reactive[AlarmRow | None] = reactive(None)

    def render(self) -> Content:
        """What stands there now."""
        row = self.row
        if row is None:
            return Content("")
        do = line(quiet("To do: "), row.remedy)
        if self.size.height < 3:
            return do
        return lines([line(quiet("Meaning: "), row.meaning), do])


class AlarmPanel(Vertical):
    """List and remedy."""

    class Acknowledge(Message):
        """Somebody wants that alarm acknowledged."""

        def __init__(self, number: int) -> None:
            super().__init__()
            self.number = number

    rows: reactive[tuple[AlarmRow, ...]] = reactive(())

    def compose(self) -> ComposeResult:
        """Its parts."""
        yield OptionList(compact=True, markup=False)
        yield Remedy()

    @property
    def picked(self) -> AlarmRow | None:
        """The alarm the list stands on."""
        at = self.query_one(OptionList).highlighted
        return self.rows[at] if at is not None and at < len(self.rows) else None

    def watch_rows(self, old: tuple[AlarmRow, ...], new: tuple[AlarmRow, ...]) -> None:
        """Fill the list anew, staying on the same alarm; a new alarm takes the cursor."""
        kept = self._stay_on(old, new)
        options = self.query_one(OptionList)
        options.set_options([Option(self._text(row)) for row in new])
        options.highlighted = kept
        self._tell()

    def _stay_on(self, old: tuple[AlarmRow, ...], new: tuple[AlarmRow, ...]) -> int | None:
        if not new:
            return None
        at = self.query_one(OptionList).highlighted
        known = {row.number for row in old}
        fresh = any(row.number not in known for row in new)
        if fresh or at is None or at >= len(old):
            return 0
        numbers = [row.number for row in new]
        return numbers.index(old[at].number) if old[at].number in numbers else 0

    def on_resize(self) -> None:
        """The texts depend on the width."""
        self.watch_rows(self.rows, self.rows)

    def _text(self, row: AlarmRow) -> Content:
        width = (self.size.width or 80) - 3  # padding left and right, and the scrollbar
        state = _state(row.state, width)
        badge = left(f" {row.priority.text}", 11).text
        style = FILLED[row.priority.kind]
        plain = line(Said(badge, row.priority.kind))
        shown = Content.styled(badge, style) if row.unacknowledged else plain
        room = max(8, width - len(badge) - len(state) - 4)
        return line(shown, "  ", left(row.text, room), "  ", quiet(state))

    def on_option_list_option_highlighted(self) -> None:
        """Another alarm is picked."""
        self._tell()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter acknowledges."""
        event.stop()
        if (row := self.picked) is not None:
            self.post_message(self.Acknowledge(row.number))

    def _tell(self) -> None:
        self.query_one(Remedy).row = self.picked


def _state(state: str, width: int) -> str:
    """The state in the words that fit: at the least whether it waits for somebody."""
    if width >= 96:
        return state
    short = (
        state.replace("returned to normal", "normal")
        .replace("unacknowledged", "unack.")
        .replace("acknowledged", "ack.")
    )
    return short if width >= 64 else short.split(", ")[-1]
