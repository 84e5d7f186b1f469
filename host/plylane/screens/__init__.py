"""The screens: Monitor and Replay in one Textual application."""

from plylane.screens.app import MonitorApp, PlanApp, PlylaneApp, ReplayApp, ReplayLoader
from plylane.screens.source import LinkStatus, LiveHead, Recording

__all__ = [
    "LinkStatus",
    "LiveHead",
    "MonitorApp",
    "PlanApp",
    "PlylaneApp",
    "Recording",
    "ReplayApp",
    "ReplayLoader",
]
