"""Numbers in words, and words as numbers."""

from __future__ import annotations

_UNITS = (
    ("_mm_s", "mm/s"),
    ("_mm", "mm"),
    ("_degC", "°C"),
    ("_percent", "%"),
    ("_ppm", "ppm"),
    ("_s", "s"),
)


def quantity(name: str, value: float) -> str:
    """A named number in words, e.g. ("onset_s", 41.25) gives "onset 41.25 s"."""
    for suffix, unit in _UNITS:
        if name.endswith(suffix):
            return f"{name.removesuffix(suffix).replace('_', ' ')} {value:.2f} {unit}"
    return f"{name.replace('_', ' ')} {value:g}"


def duration(seconds: float) -> str:
    """A time to be read at a glance: "48 s", "2 min 08 s", "1 h 04 min"."""
    whole = max(0, round(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def number_problem(text: str, low: float, high: float, unit: str) -> str | None:
    """Why the text is not a number from `low` to `high`; None when it is."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return f"A number in {unit} is wanted."
    if not low <= value <= high:
        return f"From {low:g} to {high:g} {unit}."
    return None
