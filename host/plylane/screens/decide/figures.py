"""Words as numbers."""

from __future__ import annotations


def number_problem(text: str, low: float, high: float, unit: str) -> str | None:
    """Why the text is not a number from `low` to `high`; None when it is."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return f"A number in {unit} is wanted."
    if not low <= value <= high:
        return f"From {low:g} to {high:g} {unit}."
    return None
