"""What goes wrong with a plan file; apart from the planning, so that it costs nothing to import."""

from __future__ import annotations


class PlanError(ValueError):
    """A plan file cannot be used: names the file, line, field and remedy in one line."""
