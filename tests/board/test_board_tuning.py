"""A zone tuned on the board's binary as on the twin: the same experiment, gains, and behaviour.

The blocks are a fifth as heavy as the demo's, so that a relay and a setpoint step take two minutes
of the board's time. Both heads see the same plant from the same seed; their converters draw other
noise (see test_same_script.py), by which the experiment's switches move by a loop or two.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from heads import scenario
from plylane.head.snapshot import Snapshot
from plylane.tune_run import GainsInHead, ZoneTuning
from plylane_twin import Board, Twin
from plylane_twin.stand import Stand
from tune_rig import TuneRig

ZONE = 1
LIGHT = "block_mass_g = [36.0, 18.0, 18.0]"
WORKING_DEGC, STEP_DEGC, STEP_S = 60.0, 5.0, 50.0
RELAY = {"op_high_percent": 70.0, "op_low_percent": 10.0, "switchings": 4}


@dataclass(frozen=True)
class Tuned:
    tuning: ZoneTuning
    held: GainsInHead
    pv_degC: np.ndarray
    op_percent: np.ndarray


class Seen:
    def __init__(self) -> None:
        self.rows: list[tuple[float, float]] = []

    def on_snapshot(self, snapshot: Snapshot) -> None:
        self.rows.append((snapshot.zones[ZONE].pv_degC, snapshot.zones[ZONE].op_percent))


def tuned(stand: Stand) -> Tuned:
    """Relay, gains written and read back, a setpoint step with them."""
    rig = TuneRig(stand=stand)
    rig.write("zone.setpoint_degC", WORKING_DEGC, ZONE)
    rig.do(lambda run: run.experiment(ZONE, "relay", **RELAY))
    rig.do(lambda run: run.apply(ZONE, "simc"))
    tuning = rig.run.tunings[ZONE]
    seen = Seen()
    rig.poller.listeners.append(seen)
    rig.automatic(ZONE, WORKING_DEGC + STEP_DEGC)
    rig.go(STEP_S)
    names = [name for name, _ in tuning.held.named()]  # type: ignore[union-attr]
    held = GainsInHead(*(rig.read(f"zone_settings.{name}", ZONE) for name in names))
    pv, op = np.array(seen.rows).T
    return Tuned(tuning, held, pv, op)


@pytest.fixture(scope="module")
def both(elf: Path) -> tuple[Tuned, Tuned]:
    return tuned(Board(elf, scenario(plant=LIGHT), 11)), tuned(Twin(scenario(plant=LIGHT), 11))


def test_the_same_experiment_gives_the_same_gains(both: tuple[Tuned, Tuned]) -> None:
    for name in ("gain_degC_per_percent", "time_constant_s"):
        one, other = (getattr(each.tuning.result.model, name) for each in both)
        assert one == pytest.approx(other, rel=0.05), name
    for name in ("kp", "ti_s"):
        one, other = (getattr(each.tuning.view("simc").gains, name) for each in both)
        assert one == pytest.approx(other, rel=0.10), name


def test_the_board_holds_and_obeys_them(both: tuple[Tuned, Tuned]) -> None:
    board, twin = both
    for each in both:
        assert each.held == each.tuning.held
    count = min(len(board.pv_degC), len(twin.pv_degC))
    assert np.abs(board.pv_degC[:count] - twin.pv_degC[:count])[-100:].max() < 0.3
    for each in both:
        assert each.pv_degC.max() < WORKING_DEGC + STEP_DEGC + 1.5
        assert abs(each.pv_degC[-30:].mean() - WORKING_DEGC - STEP_DEGC) < 1.0  # still settling
        assert each.op_percent.max() > 50.0  # it was asked to work
