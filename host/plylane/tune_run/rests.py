"""How the zones disturb each other, from rest points with the loops closed, as a job."""

from __future__ import annotations

from functools import partial

import numpy as np

from plylane.head.client import HeadClient
from plylane.tune_errors import TuneError
from plylane.tune_run.engine import Engine, Job
from plylane.tune_run.log import Floats
from plylane.tune_run.parts import (
    Wanted,
    automatic,
    be_idle,
    rest_at,
)
from plylane.tuning import (
    Interaction,
    Model,
    interaction,
)

REST_S, STEADY_PERCENT, LOWER_K = 90.0, 1.5, 20.0


def find_interaction(
    engine: Engine, setpoints_degC: list[float], models: list[Model]
) -> Job[Interaction]:
    """Let each zone in turn rest a little lower, all in automatic: what that does to every output.

    Rest points with the loops closed give the inverse of the gain matrix: no zone leaves control,
    and of a drift of the supply only what is not even between the rests before and after counts.
    """
    zones = range(engine.zones)
    wanted = yield from engine.call(lambda c: [Wanted.read(c, zone) for zone in zones])
    rests = []
    try:
        yield from be_idle(engine)
        for lower in [None, *(each for zone in zones for each in (zone, None))]:
            rests.append((yield from _rest(engine, setpoints_degC, lower)))
    finally:
        yield from engine.put_back(lambda c: _all_back(c, wanted))
    try:
        found = interaction(gain_of_rests(np.array(rests)), models)
    except ValueError as error:
        raise TuneError(f"no relative gains: {error}") from error
    engine.tell(interaction_text(found))
    return found


def _all_back(client: HeadClient, wanted: list[Wanted]) -> None:
    for zone, one in enumerate(wanted):
        one.write(client, zone)


def _rest(
    engine: Engine, setpoints_degC: list[float], lower: int | None
) -> Job[tuple[list[float], list[float]]]:
    """Mean PVs and outputs once all zones rest, zone `lower` below its setpoint."""
    goals = [sp - (LOWER_K if zone == lower else 0.0) for zone, sp in enumerate(setpoints_degC)]
    for zone, goal in enumerate(goals):
        yield from engine.call(partial(automatic, zone=zone, setpoint_degC=goal))
    for zone, goal in enumerate(goals):
        yield from rest_at(engine, zone, goal, REST_S, STEADY_PERCENT)
    means = [engine.log.mean(zone, REST_S) for zone in range(engine.zones)]
    return [pv for _, pv in means], [op for op, _ in means]


def gain_of_rests(rests: Floats) -> Floats:
    """Gain matrix (n, n), degC/%, of 2 n + 1 rests (rest, PV or OP, zone), every second one moved.

    Raises ValueError where the outputs did not move apart.
    """
    moved = rests[1::2] - (rests[0:-1:2] + rests[2::2]) / 2.0
    pv, op = moved[:, 0].T, moved[:, 1].T
    if np.linalg.cond(op) > 1e6:
        raise ValueError("the outputs moved alike, or not at all")
    return np.asarray(pv @ np.linalg.inv(op))


def interaction_text(found: Interaction) -> str:
    """One line."""
    order = ", then ".join(str(zone + 1) for zone in found.order)
    own = ", ".join(f"{value:.2f}" for value in np.diag(found.relative))
    remarks = "".join(f" {remark}." for remark in found.remarks)
    return f"Relative gains {own}; tune zone {order}.{remarks}"
