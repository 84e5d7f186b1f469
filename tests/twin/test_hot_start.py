"""A head that was left hot: only where it begins differs, not what follows from it."""

from __future__ import annotations

import numpy as np

from plylane.head.registers import Command, State
from plylane.twin_run import TwinRun
from plylane_twin.plant_parameters import PlantParameters

SCENARIO = 'format = "plylane scenario 1"\nname = "hot"\n'
HOT = SCENARIO + "plant.block_start_K = [60.0, 40.0, 0.0]\n"
ZONES = ("zone1_pv_degC", "zone2_pv_degC")


def heated(scenario: str, seconds: float) -> list[np.ndarray]:
    run = TwinRun(scenario, seed=4)
    run.client.write("feed.strip_in", 0)  # else a guard lets a hot head cool
    run.client.command(Command.RESET)
    run.record(10.0, {State.IDLE})
    for zone, setpoint_degC in enumerate((80.0, 60.0)):
        run.client.write("zone.setpoint_degC", setpoint_degC, zone)
        run.client.write("zone.mode", 2, zone)
    run.record(seconds)
    columns = run.columns(ZONES)
    return [columns[name] for name in ZONES]


def test_sensors_show_it_at_once() -> None:
    run = TwinRun(HOT, seed=4)
    run.record(1.0)
    columns = run.columns(ZONES)
    air_degC = PlantParameters.load().air_mean_degC
    for name, above_K in zip(ZONES, (60.0, 40.0), strict=True):
        # a seat reads up to 1 K low, the converter steps by less than 0.3 K
        assert air_degC + above_K - 1.3 < columns[name][-1] < air_degC + above_K + 0.3


def test_hot_or_heated_it_comes_to_the_same() -> None:
    for hot, cold in zip(heated(HOT, 1500.0), heated(SCENARIO, 1500.0), strict=True):
        assert hot[500] - cold[500] > 20.0
        assert abs(np.mean(hot[-3000:]) - np.mean(cold[-3000:])) < 0.1
