"""A twin, a poller, a CalibrateRun and a technician with a tape, in virtual time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from engine_rig import EngineRig
from plylane.calibrate_run import CalibrateRun
from plylane.feed.calibration import Gauge
from plylane.head.registers import Command
from plylane_twin import Scenario, Twin
from plylane_twin.tape import Tape, Technician

PLAIN = 'format = "plylane scenario 1"\nname = "calibration"\n'
NO_JOINTS = "[plant]\nstrip_length_mm = 60000.0\nfirst_joint_mm = 11000.0\ncurve = []\n"
"""A technician lays straight cord and lets no joint pass while a sweep goes on."""
EVEN = NO_JOINTS + (
    "slip_drift_percent = 0.0\nfilm_slip_percent_per_m = 0.0\ndrag_variation_percent = 0.0\n"
    "strip_mean_variation_percent = 0.0\n"
)
"""And strips all alike, so that closed forms hold."""
PERIOD_S = 0.05
TAPE = Tape()
GAUGE = Gauge()


class Desk(EngineRig[CalibrateRun]):
    """What the tests do at the head."""

    def __init__(self, folder: Path, seed: int = 7, scenario: str = "", **more: Any) -> None:
        self.twin = Twin(Scenario.parse(PLAIN + scenario), seed=seed)
        super().__init__(
            self.twin,
            PERIOD_S,
            lambda poller, zones: CalibrateRun(
                poller, zones, folder=folder, head="twin", operator="T. Ester", **more
            ),
        )
        self.hand = Technician(self.twin, seed, TAPE)
        self.poller.step()

    @property
    def truth(self) -> Any:
        """The plant."""
        return self.twin.plant

    def idle(self) -> None:
        self.client.command(Command.RESET)
        for _ in range(10):
            self.poller.step()

    def feed(self) -> None:
        """The next length, from a fresh mark."""
        self.hand.mark()
        self.do(lambda run: run.feed_next())

    def read(self) -> tuple[float, ...]:
        """What the technician reads off the tape."""
        sitting = self.run.sitting
        assert sitting is not None
        if sitting.kind == "drive":
            return (self.hand.test_strip(sitting.number),)
        if sitting.kind == "wheel":
            return (self.hand.cord(),)
        lanes = range(len(sitting.in_force.lanes_mm_per_pulse))
        return tuple(self.hand.strip(lane) for lane in lanes)

    def measure(self, kind: Any, number: int = 0, *, off: dict[int, float] | None = None) -> None:
        """A whole set of lengths; `off` misreads some of them by so much (numbers from 0)."""
        self.do(lambda run: run.begin_lengths(kind, number, gauge=GAUGE))
        assert self.run.sitting is not None
        for at in range(len(self.run.sitting.plan_mm)):
            self.feed()
            wrong = (off or {}).get(at, 0.0)
            self.run.measured(*(length + wrong for length in self.read()))
