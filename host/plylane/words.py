"""Numbers and times in words."""

from __future__ import annotations

_ZONE_NAMES = ("1 guide", "2 nip")
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


def zone_name(zone: int) -> str:
    """Name of a zone on the screens and in the report; `zone` from 0."""
    return _ZONE_NAMES[zone] if zone < len(_ZONE_NAMES) else f"zone {zone + 1}"


def duration(seconds: float) -> str:
    """A time to be read at a glance: "48 s", "2 min 08 s", "1 h 04 min"."""
    whole = max(0, round(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def clock(seconds: float) -> str:
    """A time on the axis: minutes and seconds, e.g. "2:08", hours in front when there are."""
    sign, whole = ("-" if seconds < -0.5 else ""), abs(round(seconds))
    hours, rest = divmod(whole, 3600)
    minutes = f"{rest // 60:02d}" if hours else f"{rest // 60}"
    return f"{sign}{f'{hours}:' if hours else ''}{minutes}:{rest % 60:02d}"


def count_text(findings: int) -> str:
    """How many findings."""
    return f"{findings} finding{'' if findings == 1 else 's'}"
