"""What the screens need from the outside: a live head, or a recorded run.

The screens read these and ask for things; they never touch a port or a file. Everything a
screen reads must be cheap: it is read several times a second in the screen's own thread.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from plylane.clearing import Clearing
from plylane.feed.lanes import LaneBook
from plylane.head.registers import Command
from plylane.head.snapshot import Event, Snapshot
from plylane.host_alarms import HostAlarms
from plylane.jam import WatchSettings
from plylane.jam.finding import Finding
from plylane.overview import Overview
from plylane.runlog.journal import Entry
from plylane.trends import Limits, Trends


class LinkStatus(Protocol):
    """How the link to the head does."""

    @property
    def connected(self) -> bool:
        """Whether the head answers."""

    @property
    def text(self) -> str:
        """One readable line: what the link is or why it is down."""

    @property
    def polls_per_s(self) -> float:
        """Polls answered in the last second."""


class LiveHead(Protocol):
    """A head being run. Calls return at once; what is refused shows up in `messages`."""

    @property
    def title(self) -> str:
        """What is being made, e.g. the scenario's name."""

    @property
    def identity(self) -> str:
        """Who answers: board, firmware version, port."""

    @property
    def latest(self) -> Snapshot | None:
        """The newest snapshot; None before the first."""

    @property
    def link(self) -> LinkStatus:
        """How the link does now."""

    @property
    def run_folder(self) -> Path | None:
        """Where the run is being logged; None when it is not."""

    @property
    def pace(self) -> float:
        """Times real time; 1 for a real head."""

    @property
    def limits(self) -> Limits:
        """The limits in force in the head."""

    @property
    def trends(self) -> Trends:
        """The ring of samples."""

    @property
    def events(self) -> Sequence[Event]:
        """Newest last."""

    @property
    def findings(self) -> Sequence[Finding]:
        """Of the live detectors, newest last."""

    @property
    def messages(self) -> Sequence[str]:
        """Lines for the user, newest last: refusals, resets, a full disk."""

    @property
    def host_alarms(self) -> HostAlarms:
        """What the host itself asks the user for."""

    @property
    def journal(self) -> Sequence[Entry]:
        """What the host has to say of the run, newest last."""

    @property
    def strips(self) -> LaneBook | None:
        """The book of the lanes' strips; None where nobody told of strips."""

    @property
    def clearing(self) -> Clearing | None:
        """What is being cleared while the head is held after a finding or an alarm of its own."""

    @property
    def alarm_instances(self) -> Mapping[int, int]:
        """By alarm number: a bit for each zone, drive or lane it concerns (alarm_detail)."""

    def allowed_commands(self) -> set[Command]:
        """What the head would take now."""

    def command(self, command: Command) -> None:
        """Ask for a change of state."""

    def acknowledge(self, alarm_number: int | None) -> None:
        """Acknowledge that alarm; None for all."""

    def set_setpoint(self, zone: int, setpoint_degC: float) -> None:
        """Ask for another setpoint; `zone` from 0."""

    def set_speed(self, speed_mm_s: float) -> None:
        """Ask for another feed speed."""

    def load_strip(self, lane: int, length_mm: float) -> None:
        """A strip of that length has been put in, `lane` from 0; 0 mm: taken out again."""

    def confirm_step(self, name: str, given: bool = True) -> None:
        """A step of the clearing is done, or that is taken back."""


class Recording(Protocol):
    """A logged run. Column names are those of the run log."""

    @property
    def name(self) -> str:
        """Name of the run."""

    @property
    def info(self) -> Mapping[str, Any]:
        """run.toml as a dict; `name`, `started` and `end.state` are shown where they are there."""

    @property
    def going_on(self) -> bool:
        """Whether the run is being logged still: its log ends where it was read."""

    @property
    def remarks(self) -> Sequence[str]:
        """What is not as it should be with the log, a sentence each; none for a whole one."""

    @property
    def otherwise(self) -> str | None:
        """How the findings differ from those told while the run was recorded."""

    @property
    def events(self) -> Sequence[Event]:
        """Oldest first."""

    @property
    def journal(self) -> Sequence[Entry]:
        """What the host had to say, oldest first."""

    @property
    def overview(self) -> Overview:
        """States, signals and values."""

    @property
    def settings(self) -> WatchSettings:
        """Of the detectors, when the run was recorded."""

    @property
    def findings(self) -> Sequence[Finding]:
        """What these settings find, in order of time."""

    def judge(
        self, settings: WatchSettings, done: Callable[[int, int], None] = ...
    ) -> Sequence[Finding]:
        """What other settings find. May take long: not in the screen's thread.

        `done` is told of progress, so many rows of so many; what it raises ends the judging.
        """
