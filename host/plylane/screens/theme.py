"""The colours: two themes of our own, grey throughout; colour stands for abnormal only.

The practice is that of ISA-101 (grey, little contrast in what is normal; saturated colour for
alarms). Alarm colours are picked for contrast against both greys and against each other for
the common kinds of colour blindness; symbols and words say the same.
"""

from __future__ import annotations

from textual.theme import Theme

from plylane.screens.decide import Kind

DARK = Theme(
    name="plylane-dark",
    dark=True,
    primary="#a9afb5",
    secondary="#7d848b",
    accent="#c8cdd2",
    foreground="#c4c8cc",
    background="#26292c",
    surface="#2d3134",
    panel="#353a3e",
    warning="#e0a030",
    error="#e8554d",
    success="#a9afb5",
    variables={
        "strong": "#f2f3f4",
        "quiet": "#8d949b",
        "stale": "#71777d",
        "rule": "#474d52",
        "low": "#c79be0",
        "medium": "#eab045",
        "high": "#ff6f64",
        "on-alarm": "#1b1d1f",
        "state": "#aab0b6",
        "on-state": "#1f2224",
        "trace-1": "#dfe2e5",
        "trace-2": "#8fa9b8",
        "trace-3": "#b3a58c",
        "reference": "#6f767c",
        "band-a": "#3a4045",
        "band-b": "#4a5157",
        "block-cursor-background": "#4a5157",
        "block-cursor-foreground": "#f2f3f4",
        "block-cursor-text-style": "none",
        "input-selection-background": "#5a6268",
    },
)

LIGHT = Theme(
    name="plylane-light",
    dark=False,
    primary="#565d63",
    secondary="#757c82",
    accent="#3a4045",
    foreground="#33383c",
    background="#d3d6d8",
    surface="#dcdfe1",
    panel="#c7cbce",
    warning="#9a5b00",
    error="#b3151b",
    success="#565d63",
    variables={
        "strong": "#0f1214",
        "quiet": "#5f666c",
        "stale": "#80868b",
        "rule": "#adb2b6",
        "low": "#6d2f94",
        "medium": "#8a5000",
        "high": "#b3151b",
        "on-alarm": "#ffffff",
        "state": "#596066",
        "on-state": "#f1f3f4",
        "trace-1": "#16191c",
        "trace-2": "#3f6478",
        "trace-3": "#7a6337",
        "reference": "#8d9398",
        "band-a": "#c0c5c9",
        "band-b": "#aeb4b9",
        "block-cursor-background": "#b4babf",
        "block-cursor-foreground": "#0f1214",
        "block-cursor-text-style": "none",
        "input-selection-background": "#a9b0b5",
    },
)

STYLES = {
    Kind.NORMAL: "$foreground",
    Kind.QUIET: "$quiet",
    Kind.STRONG: "bold $strong",
    Kind.STALE: "italic $stale",
    Kind.LOW: "$low",
    Kind.MEDIUM: "$medium",
    Kind.HIGH: "bold $high",
}

# for what asks to be looked at now: an unacknowledged alarm, the state Aborted
FILLED = {
    Kind.LOW: "bold $on-alarm on $low",
    Kind.MEDIUM: "bold $on-alarm on $medium",
    Kind.HIGH: "bold $on-alarm on $high",
}
