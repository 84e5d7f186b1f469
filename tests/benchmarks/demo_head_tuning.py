"""What is identified on the demo head against what its blocks are; prints the table.

    python tests/benchmarks/demo_head_tuning.py [--seeds 20]

Each seed is another head: other seating of the sensors, other noise, another course of the supply.
The nip is tuned from cold, the guide warming along; then the guide, the nip in automatic.

Truth, from the plant's parameters: a block obeys, its neighbour's temperature an input,

    C dT/dt = P op / 100 - loss (T - air) - link (T - neighbour)

So the time constant is C / (loss + link) and the gain P / 100 / (loss + link) at nominal supply,
times (1 - seating error / 88 K) as the sensor reads it. The supply wanders by up to 5 % in voltage,
10 % in power, over ten minutes: a record shows the supply of its own minutes, and the error has to
say so.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tuning"))

from plylane_twin.plant_parameters import PlantParameters
from tune_rig import SETPOINTS, TuneRig

DEAD_S = 0.1
"""A loop of the head lies between a reading and what is made of it."""


@dataclass(frozen=True)
class Found:
    """Relative error, its standard error: of gain and time constant; dead time and its error, s."""

    gain: tuple[float, float]
    lag: tuple[float, float]
    dead_s: tuple[float, float]
    wander_percent: float


def truth(zone: int, seating_K: float) -> tuple[float, float]:
    """Gain (degC/%) and time constant (s) of a block, its neighbour's temperature given."""
    plant = PlantParameters.load()
    away_W_K = plant.loss_W_K[zone] + plant.link_W_K[0]
    heat_J_K = 1e-3 * plant.block_mass_g[zone] * plant.block_heat_capacity_J_kgK
    seen = 1.0 - seating_K / plant.seating_reference_K
    return plant.heater_W[zone] / 100.0 / away_W_K * seen, heat_J_K / away_W_K


def tuned(seed: int) -> list[Found]:
    """Zone by zone."""
    rig = TuneRig(seed=seed)
    found = {}
    for zone in (1, 0):
        tuning = rig.tune(zone)
        model = tuning.found.model
        gain, lag = truth(zone, rig.twin.plant.block[zone].seating_K)
        found[zone] = Found(
            (model.gain_degC_per_percent / gain - 1.0, model.gain_se / gain),
            (model.time_constant_s / lag - 1.0, model.time_constant_se / lag),
            (model.dead_time_s, model.dead_time_se),
            tuning.found.wander_percent,
        )
        rig.do(lambda run, zone=zone: run.apply(zone, "simc"))
        rig.automatic(zone, SETPOINTS[zone])
    return [found[zone] for zone in (0, 1)]


def print_table(heads: list[list[Found]]) -> None:
    print("zone parameter      error %: median      most   stated   within 2 SE %")
    for zone in (0, 1):
        for name in ("gain", "lag"):
            off, stated = np.array([getattr(head[zone], name) for head in heads]).T
            inside = 100.0 * np.mean(np.abs(off) <= 2.0 * stated)
            middle, most = 100.0 * np.median(np.abs(off)), 100.0 * np.abs(off).max()
            said = 100.0 * np.median(stated)
            print(f"{zone + 1:4} {name:14} {middle:16.1f} {most:9.1f} {said:8.1f} {inside:15.0f}")
        dead, stated = np.array([head[zone].dead_s for head in heads]).T
        most = np.abs(dead - DEAD_S).max()
        print(
            f"{zone + 1:4} dead time {np.median(dead):.2f} s, farthest from {DEAD_S} s {most:.2f}"
        )
        wander = np.median([head[zone].wander_percent for head in heads])
        print(f"{zone + 1:4} wandering of the heat found: {wander:.1f} % (plant: 5 % of power)")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=20)
    wanted = parser.parse_args()
    print_table([tuned(seed) for seed in range(100, 100 + wanted.seeds)])


if __name__ == "__main__":
    main()
