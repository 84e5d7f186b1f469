"""What goes wrong with a plan file; apart from the planning, so that it costs nothing to import."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydantic import ValidationError


class PlanError(ValueError):
    """A plan file cannot be used: names the file, line, field and remedy in one line."""


def first_wrong(error: ValidationError) -> str:
    """The first thing that does not fit a table: its place and what is wrong with it."""
    first = error.errors(include_url=False)[0]
    return f"{'.'.join(str(part) for part in first['loc'])}: {first['msg']}"
