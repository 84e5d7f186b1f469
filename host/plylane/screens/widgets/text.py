"""Turning what was decided into styled text."""

from __future__ import annotations

from textual.content import Content

from plylane.screens.decide import Kind, Said
from plylane.screens.theme import STYLES

Part = str | Said | Content


def line(*parts: Part) -> Content:
    """One line; plain strings are normal text."""
    return Content.assemble(*(styled(part) for part in parts))


def styled(part: Part) -> Content:
    """A part with the style of its kind."""
    if isinstance(part, Content):
        return part
    said = part if isinstance(part, Said) else Said(part)
    return Content.styled(said.text, STYLES[said.kind])


def lines(rows: list[Content]) -> Content:
    """Rows under each other."""
    return Content("\n").join(rows)


def left(said: Said | str, width: int) -> Said:
    """Set to the left of `width` cells, cut when longer."""
    said = said if isinstance(said, Said) else Said(said)
    return Said(cut(said.text, width).ljust(width), said.kind)


def right(said: Said | str, width: int) -> Said:
    """Set to the right of `width` cells, cut when longer."""
    said = said if isinstance(said, Said) else Said(said)
    return Said(cut(said.text, width).rjust(width), said.kind)


def cut(text: str, width: int) -> str:
    """At most `width` characters, the loss being shown."""
    return text if len(text) <= width else text[: max(0, width - 1)] + "…"


def quiet(text: str) -> Said:
    """Text that stays in the background."""
    return Said(text, Kind.QUIET)


def strong(text: str) -> Said:
    """Text that stands out without being abnormal."""
    return Said(text, Kind.STRONG)
