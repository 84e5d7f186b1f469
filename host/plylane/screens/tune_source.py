"""What the Tune screen looks at and asks for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from plylane.tune_run.gains import GainsInHead
from plylane.tune_run.log import Log
from plylane.tune_run.outcome import ZoneTuning
from plylane.tune_run.status import TuneStatus
from plylane.tuning import Interaction


class TuneWork(Protocol):
    """Tunes the zones of a head; `plylane.tune_run.TuneRun` is one.

    Methods that begin a job return at once and raise TuneError when it cannot begin. Zones count
    from 0.
    """

    @property
    def zones(self) -> int:
        """How many there are."""

    @property
    def status(self) -> TuneStatus:
        """What the job is at."""

    @property
    def began_s(self) -> float:
        """Log time at which the last job began."""

    @property
    def log(self) -> Log:
        """What has been seen of the zones."""

    @property
    def tunings(self) -> Mapping[int, ZoneTuning]:
        """What is known, by zone."""

    @property
    def previous(self) -> Mapping[int, tuple[GainsInHead, ...]]:
        """Gains that undo goes back to, by zone, oldest first."""

    @property
    def interaction(self) -> Interaction | None:
        """How the zones disturb each other, once found."""

    def experiment(self, zone: int, kind: str, *, knob: float, guide_empty: bool) -> None:
        """Do an experiment, identify, try all rules."""

    def turn_knob(self, zone: int, knob: float) -> None:
        """SIMC anew."""

    def stop(self) -> None:
        """End the job under way."""

    def apply(self, zone: int, rule: str) -> None:
        """Write that rule's gains."""

    def undo(self, zone: int) -> None:
        """The gains before."""

    def save(self) -> None:
        """Have the head keep them."""

    def check_setpoint(self, zone: int, *, guide_empty: bool) -> None:
        """A setpoint step."""

    def feed_step(self, zone: int, speed_mm_s: float, *, guide_empty: bool) -> None:
        """A feed step."""

    def find_interaction(self, setpoints_degC: list[float], *, guide_empty: bool) -> None:
        """How the zones disturb each other."""
