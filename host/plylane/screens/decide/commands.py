"""The commands: keys, cautions, which to show."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from plylane.head.registers import Command


class CommandKey(NamedTuple):
    """A command, its key and its word; the key is a letter of the word."""

    command: Command
    key: str
    word: str


COMMAND_KEYS = (
    CommandKey(Command.RESET, "r", "Reset"),
    CommandKey(Command.START, "s", "Start"),
    CommandKey(Command.HOLD, "h", "Hold"),
    CommandKey(Command.UNHOLD, "u", "Unhold"),
    CommandKey(Command.COMPLETE, "o", "Complete"),
    CommandKey(Command.CLEAR, "c", "Clear"),
    CommandKey(Command.STOP, "t", "Stop"),
    CommandKey(Command.ABORT, "b", "Abort"),
)

CAUTION = "Caution: hot parts, rollers turn. No safety function: use the hard-wired stop."

_CAUTIONS = {
    Command.RESET: (
        "Reset readies the head; zones that are given a mode may heat from then on.",
        (
            "Guards are closed, hands and tools are out of the head.",
            "Settings are right, above all after new firmware.",
            "The hard-wired stop is tested and in reach.",
        ),
    ),
    Command.UNHOLD: (
        "Unhold heats up again and then turns the rollers by itself.",
        (
            "What stopped the run has been found and put right.",
            "Hands and tools are out of the head, guards closed.",
            "Rollers draw in fingers, hair and sleeves; the robot may move.",
            "The hard-wired stop is tested and in reach.",
        ),
    ),
    Command.START: (
        "Start heats the blocks and then turns the rollers by itself.",
        (
            "Guide and nip get hot enough to burn skin and to char wood.",
            "Rollers draw in fingers, hair and sleeves; the robot may move.",
            "Hands clear, guards closed, fumes drawn off, someone stays by.",
            "The hard-wired stop is tested and in reach.",
        ),
    ),
    Command.CLEAR: (
        "Clear lets the head leave Aborted.",
        (
            "The cause has been found and put right.",
            "Blocks may still be hot, strips may be under tension.",
            "Power was off while hands were in the head.",
            "The hard-wired stop is tested and in reach.",
        ),
    ),
}


def needs_confirmation(command: Command) -> bool:
    """Only what makes the head more lively asks back; stop and abort never do."""
    return command in _CAUTIONS


def cautions(command: Command) -> tuple[str, tuple[str, ...]]:
    """What the command does, and what to see to before it. Raises KeyError for others."""
    return _CAUTIONS[command]


def shown_commands(allowed: Collection[Command]) -> list[CommandKey]:
    """The commands for the bar: those allowed now, and abort always."""
    return [c for c in COMMAND_KEYS if c.command in allowed or c.command is Command.ABORT]
