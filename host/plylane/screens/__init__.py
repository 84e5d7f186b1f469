"""The screens: Monitor and Replay in one Textual application."""

from plylane.screens.app import MonitorApp, PlylaneApp, ReplayApp, ReplayLoader
from plylane.screens.source import (
    Limits,
    LinkStatus,
    LiveSession,
    Recording,
    Trends,
    trend_names,
    trend_values,
)

__all__ = [
    "Limits",
    "LinkStatus",
    "LiveSession",
    "MonitorApp",
    "PlylaneApp",
    "Recording",
    "ReplayApp",
    "ReplayLoader",
    "Trends",
    "trend_names",
    "trend_values",
]
