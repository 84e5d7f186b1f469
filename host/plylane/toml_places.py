"""Where things stand in a TOML text: tomllib tells values, but no lines."""

from __future__ import annotations

import re

_ARRAY = re.compile(r"\s*\[\[\s*([\w.\- ]+?)\s*\]\]")
_TABLE = re.compile(r"\s*\[\s*([\w.\- ]+?)\s*\]")
_KEY = re.compile(r"\s*([\w\-]+(?:\s*\.\s*[\w\-]+)*|\"[^\"]*\")\s*=")

Place = tuple[str | int, ...]


def lines_of(text: str) -> dict[Place, int]:
    """Line of every table and key, by its way from the top; array members count from 0."""
    found: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    table: Place = ()
    for number, line in enumerate(text.splitlines(), 1):
        if match := _ARRAY.match(line):
            name = _within(_names(match[1]), counts)
            counts[name] = counts.get(name, -1) + 1
            table = (*name, counts[name])
            found.setdefault(name, number)
            found[table] = number
        elif match := _TABLE.match(line):
            table = _within(_names(match[1]), counts)
            found.setdefault(table, number)
        elif match := _KEY.match(line):
            found.setdefault((*table, *_names(match[1])), number)
    return found


def _names(dotted: str) -> Place:
    if dotted.startswith('"'):
        return (dotted.strip('"'),)
    return tuple(part.strip() for part in dotted.split("."))


def _within(names: Place, counts: dict[Place, int]) -> Place:
    """The same with the last member of every array on the way, as TOML reads it."""
    way: Place = ()
    for name in names[:-1]:
        way = (*way, name)
        if way in counts:
            way = (*way, counts[way])
    return (*way, names[-1])


def line_of(lines: dict[Place, int], place: Place) -> int | None:
    """Line of a place, or of the nearest table around it; None where nothing of it is there."""
    while place:
        if place in lines:
            return lines[place]
        place = place[:-1]
    return None
