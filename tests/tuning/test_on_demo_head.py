"""What tuning has to reach on the demo's plant, measured through the twin.

Both zones are tuned by the runner, SIMC with its knob as it comes; then the head is started cold
with those gains on other seeds: other seating errors, other noise, another drift of the supply.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from plylane.head.registers import Command, FeedSource, State
from plylane.tune_run import GainsInHead
from tune_rig import SETPOINTS, TuneRig, Watch

NOMINAL_MM_S = 14.0
OVERSHOOT_MOST_DEGC, BAND_DEGC, LESS = 1.5, 0.5, 0.70
SEEDS = [7, 23]
WARM_S, FEED_S, BASE_S = 720.0, 240.0, 60.0
SMOOTH = 50  # samples, 5 s: a disturbance is not the converter's noise


@pytest.fixture(scope="module")
def gains() -> list[GainsInHead]:
    """Tuned by experiment, the nip first, then the guide with the nip in automatic."""
    rig = TuneRig(seed=7)
    for zone in (1, 0):
        rig.tune(zone)
        rig.do(lambda run, zone=zone: run.apply(zone, "simc"))
        rig.automatic(zone, SETPOINTS[zone])
    for zone in (0, 1):
        rig.do(lambda run, zone=zone: run.feed_step(zone, NOMINAL_MM_S, guide_empty=True))
    held = [rig.run.tunings[zone].held for zone in (0, 1)]
    return [each for each in held if each is not None]


Runs = Callable[[int, bool], tuple[np.ndarray, np.ndarray]]


@pytest.fixture(scope="module")
def runs(gains: list[GainsInHead]) -> Runs:
    """Rows (time, speed, two PVs, two blocks) while warming up, and from a minute before feeding
    on; by seed, with and without feed-forward.
    """
    kept: dict[tuple[int, bool], tuple[np.ndarray, np.ndarray]] = {}

    def run(seed: int, forward: bool) -> tuple[np.ndarray, np.ndarray]:
        if (seed, forward) not in kept:
            kept[seed, forward] = heated_and_fed(gains, seed, forward)
        return kept[seed, forward]

    return run


def heated_and_fed(
    gains: list[GainsInHead], seed: int, forward: bool
) -> tuple[np.ndarray, np.ndarray]:
    rig = TuneRig(seed=seed)
    watch = Watch(rig)
    rig.idle()
    for zone, held in enumerate(gains):
        for name, value in held.named():
            rig.write(f"zone_settings.{name}", value, zone)
        if not forward:
            rig.write("zone_settings.feed_forward_percent_per_mm_s", 0.0, zone)
        rig.automatic(zone, SETPOINTS[zone])
    rig.go(WARM_S)
    warming = np.array(watch.rows)
    rig.write("feed.source", FeedSource.SET_SPEED)
    rig.write("feed.speed_mm_s", NOMINAL_MM_S)
    rig.client.command(Command.START)
    rig.go(FEED_S)
    assert rig.client.snapshot().telemetry.state == State.EXECUTE
    rows = np.array(watch.rows)
    began_s = rows[np.argmax(rows[:, 1] > 0.0), 0]
    return warming, rows[rows[:, 0] > began_s - BASE_S]


def disturbance(rows: np.ndarray, column: int) -> float:
    """Farthest that five-second means get from where they were before the feed, degC."""
    feeding = int(np.argmax(rows[:, 1] > 0.0))
    before = rows[:feeding, column].mean()
    smooth = np.convolve(rows[feeding:, column], np.ones(SMOOTH) / SMOOTH, "valid")
    return float(np.abs(smooth - before).max())


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("zone", [0, 1])
def test_cold_to_setpoint_without_overshoot(runs: Runs, seed: int, zone: int) -> None:
    warming, _ = runs(seed, True)
    pv = warming[:, 2 + zone]
    assert pv[0] < 30.0
    assert pv.max() - SETPOINTS[zone] <= OVERSHOOT_MOST_DEGC
    assert np.abs(pv[-600:] - SETPOINTS[zone]).max() <= BAND_DEGC


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("zone", [0, 1])
def test_within_half_a_degree_while_feeding(runs: Runs, seed: int, zone: int) -> None:
    _, feeding = runs(seed, True)
    fed = feeding[feeding[:, 1] > 0.0]
    assert fed[-1, 1] == pytest.approx(NOMINAL_MM_S, abs=0.1)
    assert np.abs(fed[:, 2 + zone] - SETPOINTS[zone]).max() <= BAND_DEGC


@pytest.mark.parametrize("seed", SEEDS)
def test_a_feed_start_disturbs_the_guide_far_less_with_feed_forward(runs: Runs, seed: int) -> None:
    """By the PV, and by the block's true temperature, which the head cannot see."""
    without, with_it = runs(seed, False)[1], runs(seed, True)[1]
    for column in (2, 4):
        assert disturbance(without, column) > 0.4  # else there is nothing to be less of
        assert disturbance(with_it, column) <= (1.0 - LESS) * disturbance(without, column)


def test_the_nip_is_hardly_disturbed_at_all(runs: Runs) -> None:
    """The stack leaves the guide as hot as the nip nearly is: there is little to feed forward."""
    assert disturbance(runs(7, False)[1], 3) < 0.2
    assert disturbance(runs(7, True)[1], 3) < 0.2


def test_no_feed_forward_takes_most_off_the_nip(gains: list[GainsInHead]) -> None:
    """Why the nip misses the guide's 70 %: hot strip comes first, cool strip seconds later, while a
    feed-forward heats at once. By the block's true temperature, for half to all of what holds it.
    """
    needed = 1.03 / 40.0 * 100.0 / NOMINAL_MM_S  # balance of the stack, docs/tuning.md
    left = []
    for share in (0.0, 0.5, 0.75, 1.0):
        nip = gains[1].with_feed_forward(share * needed).rounded()
        left.append(disturbance(heated_and_fed([gains[0], nip], 7, True)[1], 5))
    assert (1.0 - LESS) * left[0] < min(left[1:]) < left[0]


def test_feed_forward_is_the_heat_that_the_stack_carries_off(gains: list[GainsInHead]) -> None:
    """13 W from the guide at nominal speed (design) out of 60 W at 24 V +-5 %."""
    needed = 100.0 * 13.0 / 60.0 / NOMINAL_MM_S
    assert gains[0].feed_forward_percent_per_mm_s == pytest.approx(needed, rel=0.15)
